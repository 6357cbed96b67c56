"""The compiled fold: one reading after another through every step, in the order that DEVELOPERS.md draws.

Because each reading is folded alone, the result can't depend on where chunks are cut. Nothing here looks ahead.
"""

from __future__ import annotations

import math

from ingest.reading import FloatArray
from ingest.units_of_measure import PA_PER_KPA
from models import ambient, moisture, runs, signals
from models.compiled import kernel
from models.conflict import watch_pressure
from models.delivered_air import (
    CONTROL_BAND_KPA,
    delivered_fraction,
    delivered_fraction_high,
    delivered_fraction_low,
    rise_fraction,
    valve_fraction,
)
from models.features import S_PER_DAY, pressure_row, run_row, warming_row
from models.humidity import pressure_dew_point_c
from models.state import DAY_ENDED, DRIED, GOT_HOT, PRESSURE_DOUBT, PRESSURE_SOUND, Record

ROOM = 8
"""Most decision rows that one reading can bring."""
EARLIEST_FORECAST_S = 480.0
FILLING_S = 60.0
FLOWING = 0.15
"""Part of rated air above which air counts as flowing. [-]"""
UNLOADED_S = 120.0
WIDE_BAND = 0.35
"""Some inlets throttle over this part of the rated pressure, not only over the last ten pounds. [-]"""


@kernel
def flow_fraction(s: Record, c: Record, bound: int) -> float:
    """Part of rated air that leaves the sump: best estimate (0), least (-1) or most (1). [-]"""
    if s.pressure_trusted < 1.0 or math.isnan(s.pressure_kpa):
        return 0.5 * (1.0 + bound)
    if s.unload_belief >= 0.5:
        return 0.0 if s.pressure_kpa < 0.93 * c.valve_kpa else 1.0
    p, rated, valve = s.pressure_kpa, c.max_kpa, c.valve_kpa
    wide = rise_fraction(rated - p, 0.0, WIDE_BAND * rated) * valve_fraction(p, valve)
    if s.top_kpa > rated + 0.4 * CONTROL_BAND_KPA or bound > 0:
        return delivered_fraction_high(p, rated, valve, CONTROL_BAND_KPA)
    if bound < 0:
        return min(wide, delivered_fraction_low(p, rated, valve, CONTROL_BAND_KPA))
    narrow = delivered_fraction(p, rated, valve, CONTROL_BAND_KPA)
    return max(0.5 * (narrow + wide), c.air_floor * valve_fraction(p, valve))


@kernel
def _learn_control(s: Record, c: Record, t: float, dt: float) -> None:
    """A modulating inlet never lets the sump fall below the valve's setting while running; an unloader does."""
    if s.pressure_trusted < 1.0 or not math.isnan(s.pending_t):
        return
    s.top_kpa = min(max(s.top_kpa, s.pressure_kpa), 1.1 * c.max_kpa)
    if t - s.start_t > UNLOADED_S and c.on_kpa < s.pressure_kpa < 0.93 * c.valve_kpa and t - s.hold_t < 1.0:
        s.unload_belief = min(s.unload_belief + dt / 300.0, 2.0)


@kernel
def running_pressure_kpa(s: Record, c: Record, t: float) -> float:
    """Sump pressure to reckon with while the air end turns. [kPa gauge]"""
    if s.pressure_trusted > 0.0 and s.pressure_kpa > c.on_kpa:
        return s.pressure_kpa
    if s.pressure_trusted > 0.0 and t - s.start_t <= FILLING_S and not math.isnan(s.pressure_kpa):
        return max(s.pressure_kpa, 0.0)
    return c.assumed_kpa


@kernel
def _open_run(s: Record, c: Record) -> None:
    s.start_temp_c = s.valley_c if s.start_t < s.temp_t else s.temp_c
    s.run_peak_c = s.temp_c
    s.run_hot_s = 0.0
    s.run_dry_s = 0.0
    s.run_to_hot_t = math.nan
    s.run_dew_c = math.nan
    s.run_required_c = c.floor_c
    s.run_air_m3 = 0.0
    s.run_in_g = 0.0
    s.run_out_g = 0.0
    s.run_distrust_s = 0.0
    s.run_decided_min = 0.0
    s.run_hours = s.hours
    s.run_water_start_g = s.water_g
    s.start_water_g = s.water_g
    s.start_low_g = s.water_low_g
    s.start_high_g = s.water_high_g
    _sure(s)


@kernel
def _sure(s: Record) -> None:
    s.sure_water_g = s.water_g
    s.sure_low_g = s.water_low_g
    s.sure_high_g = s.water_high_g


@kernel
def _turn(s: Record, c: Record, t: float, dt: float) -> bool:
    """Carry the run in hand over `dt`; True when it has just got hot."""
    temp_c = s.temp_c
    pressure_kpa = running_pressure_kpa(s, c, t)
    flow = flow_fraction(s, c, 0)
    least, most = flow_fraction(s, c, -1), flow_fraction(s, c, 1)
    _learn_control(s, c, t, dt)
    moisture.keep_ledger(s, c, 0.5 * (temp_c + s.run_last_c), pressure_kpa, flow, least, most, dt)
    dew_c = pressure_dew_point_c(
        s.vapour_pa, c.ambient_abs_kpa * PA_PER_KPA, (c.ambient_abs_kpa + pressure_kpa) * PA_PER_KPA
    )
    required_c = c.floor_c if math.isnan(dew_c) else max(dew_c + c.margin_k, c.floor_c)
    driest_c = pressure_dew_point_c(
        s.vapour_low_pa, c.ambient_abs_kpa * PA_PER_KPA, (c.ambient_abs_kpa + pressure_kpa) * PA_PER_KPA
    )
    s.now_least_c = c.floor_c if math.isnan(driest_c) else max(driest_c + c.margin_k, c.floor_c)
    s.run_last_t = t
    s.run_last_c = temp_c
    s.run_readings += 1.0
    s.run_peak_c = max(s.run_peak_c, temp_c)
    s.now_dew_c = dew_c
    s.now_required_c = required_c
    if not dew_c <= s.run_dew_c:
        s.run_dew_c = dew_c
    s.run_required_c = max(s.run_required_c, required_c)
    if s.pressure_trusted < 1.0:
        s.run_distrust_s += dt
    alive = s.pressure_kpa > c.on_kpa and t - s.anchor_t < runs.ALIVE_S
    if alive or s.peak_t == s.temp_t:
        _sure(s)
    if temp_c < required_c or pressure_kpa < c.working_kpa:
        s.now_hot = 0.0
        return False
    s.now_hot = 1.0
    s.run_hot_s += dt
    if flow >= FLOWING:
        s.run_dry_s += dt
    if math.isnan(s.run_to_hot_t):
        s.run_to_hot_t = t
        return True
    return False


@kernel
def _close_run(s: Record, c: Record, t: float, end_t: float, row: Record) -> bool:
    """Close the run in hand at `end_t`; False when it turns out to have been none."""
    if math.isnan(s.pending_t):
        s.floor_kpa = s.pressure_kpa
        s.water_g = s.sure_water_g
        s.water_low_g = s.sure_low_g
        s.water_high_g = s.sure_high_g
    s.running = 0.0
    s.pending_t = math.nan
    s.now_hot = 0.0
    s.valley_c = s.smooth_c
    s.valley_t = t
    phantom = s.confirmed == 0.0 or (s.confirmed < 1.0 and s.run_readings <= 1.0)
    if phantom:
        s.water_g = s.start_water_g
        s.water_low_g = s.start_low_g
        s.water_high_g = s.start_high_g
        return False
    s.stop_t = end_t
    s.stop_temp_c = s.run_last_c
    lasted_s = end_t - s.start_t
    gain_g = s.water_g - s.run_water_start_g
    wet = lasted_s < c.short_run_s and s.run_hot_s < c.wet_hot_s and gain_g >= c.wet_gain_g
    if wet:
        for i in range(15, 0, -1):
            s.wet_t[i] = s.wet_t[i - 1]
        s.wet_t[0] = end_t
        s.wet_runs += 1.0
        if math.isnan(s.first_wet_t):
            s.first_wet_t = s.start_t
    if s.run_hot_s >= 60.0:
        s.never_hot_runs = 0.0
        took_min = (s.run_to_hot_t - s.start_t) / 60.0
        if s.start_temp_c - s.ambient_c < 15.0:
            known = not math.isnan(s.own_to_hot_min)
            s.own_to_hot_min = s.own_to_hot_min + 0.3 * (took_min - s.own_to_hot_min) if known else took_min
    elif lasted_s >= c.short_run_s:
        s.never_hot_runs += 1.0
    row.start_t = s.start_t
    row.end_t = end_t
    row.wet = 1.0 if wet else 0.0
    row.decided_t = t
    describe_run(s, row)
    return True


@kernel
def describe_run(s: Record, row: Record) -> None:
    """Write the run in hand, or the one just closed, into a row."""
    row.last_t = s.run_last_t
    row.start_temp_c = s.start_temp_c
    row.peak_c = s.run_peak_c
    row.end_temp_c = s.run_last_c
    row.ambient_c = s.ambient_c
    row.ambient_error_k = math.sqrt(s.ambient_var)
    row.dew_c = s.run_dew_c
    row.required_c = s.run_required_c
    row.hot_s = s.run_hot_s
    row.dry_s = s.run_dry_s
    row.to_hot_t = s.run_to_hot_t
    row.air_m3 = s.run_air_m3
    row.in_g = s.run_in_g
    row.out_g = s.run_out_g
    row.water_start_g = s.run_water_start_g
    row.water_end_g = s.water_g
    row.trusted = 1.0 if s.run_distrust_s == 0.0 else 0.0
    row.confidence = 0.99 if s.confirmed >= 1.0 else 0.8


@kernel
def _forget_wetness(s: Record, t: float) -> None:
    s.last_dry_t = t
    s.first_wet_t = math.nan
    s.wet_runs = 0.0
    for i in range(16):
        s.wet_t[i] = math.nan


@kernel
def _breathe(s: Record, c: Record, t: float, dt: float, temp_new: bool, ambient_c: float) -> None:
    """Keep the ambient estimate and the vapour of the intake air."""
    if math.isnan(s.ambient_t):
        ambient.first_guess(s, t)
        s.rh_smooth = s.rh_pct
        ambient.take_vapour(s, c)
    fresh = t - s.ambient_t >= ambient.STEP_S
    if fresh:
        ambient.drift(s, c, t)
        if not math.isnan(ambient_c):
            ambient.hear_sensor(s, t, ambient_c)
    if dt > c.gap_s and temp_new:
        ambient.after_silence(s, c, t, dt)
        ambient.restart_soak(s, t)
        fresh = True
    if fresh:
        ambient.cap(s)
        ambient.take_vapour(s, c)


@kernel
def _meter_keeps_silent(s: Record, dt: float, gained_h: float) -> None:
    """A meter that does not step through a run that pressure and warming both show is not to be believed."""
    if gained_h > 0.0:
        s.meter_silent_s = 0.0
    elif s.pressure_up > 0.0 and s.confirmed > 0.0 and math.isnan(s.pending_t):
        s.meter_silent_s += dt
        if s.meter_silent_s > 3.0 * s.step_h * 3600.0 + 900.0 and s.smooth_c > s.start_temp_c + 2.0:
            s.meter_belief = 0.0


@kernel
def fold(
    state: Record,
    const: Record,
    at_s: FloatArray,
    temp_c: FloatArray,
    pressure_kpa: FloatArray,
    hours: FloatArray,
    rh_pct: FloatArray,
    ambient_c: FloatArray,
    from_row: int,
    run_rows: Record,
    decision_rows: Record,
    columns: FloatArray,
) -> tuple[int, int, int]:
    """Fold readings from `from_row` on, until they or the room for rows run out.

    Parameters
    ----------
    state, const : record arrays, shape (1,)
        `STATE` (changed in place) and `CONSTANTS`.
    at_s, temp_c, pressure_kpa, hours, rh_pct, ambient_c : arrays, shape (n,)
        Readings in order of `at_s` [Unix s]; NaN where a signal is missing or not to be used.
    run_rows, decision_rows : record arrays
        `RUN_ROW` and `DECISION_ROW`, filled from the start.
    columns : array, shape (10, n) or (10, 0)
        What a `Trace` shows, written when there is room for it.

    Returns
    -------
    tuple of int
        Rows folded up to, runs written, decisions written.
    """
    s = state[0]
    c = const[0]
    n_runs = 0
    n_rows = 0
    traced = columns.shape[1] > 0
    for i in range(from_row, at_s.shape[0]):
        if n_rows > decision_rows.shape[0] - ROOM or n_runs >= run_rows.shape[0]:
            return i, n_runs, n_rows
        t = at_s[i]
        first = math.isnan(s.t)
        dt = 0.0 if first else t - s.t
        if first:
            s.first_t = t
            s.day = math.floor(t / S_PER_DAY)
            s.cooling_s = c.cooling_s
            s.top_kpa = c.max_kpa
        s.t = t
        if math.floor(t / S_PER_DAY) > s.day:
            row = decision_rows[n_rows]
            row.kind = DAY_ENDED
            row.t = t
            row.since_t = s.day
            row.run_start_t = math.floor(t / S_PER_DAY)
            row.features[0] = s.water_g
            row.features[1] = s.water_low_g
            row.features[2] = s.water_high_g
            n_rows += 1
            s.day = math.floor(t / S_PER_DAY)
        temp_new = not math.isnan(temp_c[i])
        if s.running > 0.0 and signals.repeats(s, t, temp_c[i], pressure_kpa[i], hours[i], rh_pct[i]):
            continue
        stood_s = signals.stale_s(s, t, temp_c[i], pressure_kpa[i], hours[i], rh_pct[i])
        if stood_s > c.gap_s:
            dt = max(dt, stood_s)
            signals.forget(s)
        pressure_new = not math.isnan(pressure_kpa[i])
        if not math.isnan(rh_pct[i]):
            s.rh_pct = rh_pct[i]
        before_kpa = s.pressure_kpa
        if pressure_new:
            signals.take_pressure(s, t, pressure_kpa[i])
        gained_h = 0.0 if math.isnan(hours[i]) else signals.take_hours(s, t, hours[i])
        if temp_new:
            signals.take_temp(s, t, signals.without_spike(s, t, temp_c[i]))
        if math.isnan(s.temp_c):
            continue
        _breathe(s, c, t, dt, temp_new, ambient_c[i])

        if s.running > 0.0:
            end_t = math.nan
            if dt > c.gap_s and not runs.bridged(s, c, dt, gained_h, pressure_new):
                end_t = s.run_last_t
                if not math.isnan(s.pending_t):
                    end_t = s.pending_t
            else:
                runs.confirm(s, gained_h)
                end_t = runs.find_stop(s, c, t, dt, gained_h, pressure_new)
            if not math.isnan(end_t):
                if _close_run(s, c, t, end_t, run_rows[n_runs]):
                    run_row(s, c, t, end_t, run_rows[n_runs].wet > 0.0, decision_rows[n_rows])
                    n_runs += 1
                    n_rows += 1
                ambient.restart_soak(s, t)
        if s.running == 0.0:
            if runs.find_start(s, c, t, dt, gained_h, pressure_new):
                s.before_start_kpa = before_kpa
                _open_run(s, c)
                s.run_last_t = s.start_t
                s.run_last_c = s.start_temp_c
            elif temp_new:
                ambient.watch_cooling(s, t)
        if s.running > 0.0 and math.isnan(s.pending_t):
            _meter_keeps_silent(s, dt, gained_h)
            if _turn(s, c, t, t - s.run_last_t):
                row = decision_rows[n_rows]
                row.kind = GOT_HOT
                row.t = t
                row.run_start_t = s.start_t
                row.since_t = s.start_t
                n_rows += 1
            elapsed_min = math.floor((t - s.start_t) / 60.0)
            if (
                math.isnan(s.run_to_hot_t)
                and t - s.start_t >= EARLIEST_FORECAST_S
                and elapsed_min > s.run_decided_min
                and (elapsed_min <= 45.0 or elapsed_min >= s.run_decided_min + 5.0)
            ):
                warming_row(s, c, t, decision_rows[n_rows])
                s.run_decided_min = elapsed_min
                n_rows += 1
        if s.water_g <= c.dry_g and not math.isnan(s.first_wet_t) and s.water_g < s.start_water_g:
            row = decision_rows[n_rows]
            row.kind = DRIED
            row.t = t
            row.run_start_t = s.start_t
            row.since_t = s.first_wet_t
            n_rows += 1
            _forget_wetness(s, t)
        verdict = watch_pressure(s, c, t, min(dt, c.gap_s), pressure_new)
        if verdict > 0.0:
            pressure_row(s, c, t, PRESSURE_DOUBT if verdict == 1.0 else PRESSURE_SOUND, decision_rows[n_rows])
            n_rows += 1
            if verdict == 2.0:
                s.conflict_kind = 0.0
                s.conflict_s = 0.0
        if traced:
            _write_trace(s, c, i, columns)
    return at_s.shape[0], n_runs, n_rows


@kernel
def _write_trace(s: Record, c: Record, i: int, columns: FloatArray) -> None:
    on = s.running > 0.0 and math.isnan(s.pending_t)
    if on:
        dew_c = s.now_dew_c
        required_c = s.now_required_c
    else:
        dew_c = pressure_dew_point_c(
            s.vapour_pa,
            c.ambient_abs_kpa * PA_PER_KPA,
            (c.ambient_abs_kpa + c.assumed_kpa) * PA_PER_KPA,
        )
        required_c = c.floor_c if math.isnan(dew_c) else max(dew_c + c.margin_k, c.floor_c)
    columns[0, i] = 1.0 if on else 0.0
    columns[1, i] = s.now_hot if on else 0.0
    columns[2, i] = s.pressure_trusted
    columns[3, i] = s.ambient_c
    columns[4, i] = dew_c
    columns[5, i] = required_c
    columns[6, i] = s.water_g
    columns[7, i] = s.water_low_g
    columns[8, i] = s.water_high_g
    columns[9, i] = s.temp_c
