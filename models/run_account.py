"""What a run does: air delivered, temperature against required, water gained or driven off.

Opened at the start that `models.runs` found, carried on reading by reading, closed with the sums that a run
record shows. Compiled; called by the fold.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import PA_PER_KPA
from models import moisture, runs
from models.compiled import kernel
from models.delivered_air import (
    CONTROL_BAND_KPA,
    delivered_fraction,
    delivered_fraction_high,
    delivered_fraction_low,
    rise_fraction,
    valve_fraction,
)
from models.humidity import pressure_dew_point_c
from models.state import Record

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
    """A modulating inlet keeps the running sump above the valve's setting; an unloader does not."""
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
def open_run(s: Record, c: Record, before_kpa: float) -> None:
    """Open the run that `runs.find_start` has just found; `before_kpa` is the pressure read before it."""
    s.before_start_kpa = before_kpa
    s.run_last_t = s.start_t
    s.start_temp_c = s.valley_c if s.start_t < s.temp_t else s.temp_c
    s.run_last_c = s.start_temp_c
    s.run_peak_c = s.temp_c
    s.run_hot_s = 0.0
    s.run_dry_s = 0.0
    s.run_to_hot_t = math.nan
    s.run_dew_c = math.nan
    s.run_required_c = c.floor_c
    s.run_air_m3 = 0.0
    s.run_in_g = 0.0
    s.run_out_g = 0.0
    s.run_over_g = 0.0
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
    s.sure_in_g = s.run_in_g
    s.sure_out_g = s.run_out_g
    s.sure_over_g = s.run_over_g
    s.sure_hot_s = s.run_hot_s
    s.sure_dry_s = s.run_dry_s
    s.sure_air_m3 = s.run_air_m3


@kernel
def turn(s: Record, c: Record, t: float, dt: float) -> bool:
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
    got_hot = _count_hot(s, c, t, dt, required_c, pressure_kpa, flow)
    alive = s.pressure_kpa > c.on_kpa and t - s.anchor_t < runs.ALIVE_S
    if alive or s.peak_t == s.temp_t:
        _sure(s)
    return got_hot


@kernel
def _count_hot(
    s: Record, c: Record, t: float, dt: float, required_c: float, pressure_kpa: float, flow: float
) -> bool:
    """Add `dt` to the hot and drying time of the run; True when it has just got hot."""
    if s.temp_c < required_c or pressure_kpa < c.working_kpa:
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
def close_run(s: Record, c: Record, t: float, end_t: float, row: Record) -> bool:
    """Close the run in hand at `end_t`; False when it turns out to have been none."""
    if math.isnan(s.pending_t):
        s.floor_kpa = s.pressure_kpa
        s.water_g = s.sure_water_g
        s.water_low_g = s.sure_low_g
        s.water_high_g = s.sure_high_g
        s.run_in_g = s.sure_in_g
        s.run_out_g = s.sure_out_g
        s.run_over_g = s.sure_over_g
        s.run_hot_s = s.sure_hot_s
        s.run_dry_s = s.sure_dry_s
        s.run_air_m3 = s.sure_air_m3
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
    row.over_g = s.run_over_g
    row.water_start_g = s.run_water_start_g
    row.water_end_g = s.water_g
    row.trusted = 1.0 if s.run_distrust_s == 0.0 else 0.0
    row.confidence = 0.99 if s.confirmed >= 1.0 else 0.8
