"""The compiled fold: one reading after another through every step, in the order that DEVELOPERS.md draws.

Because each reading is folded alone, the result can't depend on where chunks are cut. Nothing here looks
ahead.
"""

from __future__ import annotations

import math

import numpy as np

from ingest.quality import Quality
from ingest.reading import SIGNALS, FloatArray, IntArray
from ingest.units_of_measure import PA_PER_KPA
from models import (
    ambient,
    clock_steps,
    doubts,
    hidden_run,
    moisture,
    overheat,
    run_account,
    run_edges,
    runs,
    senses,
    signals,
    soak,
)
from models.compiled import kernel
from models.conflict import RESOLVED, watch_pressure
from models.features import S_PER_DAY, pressure_row, run_row, warming_row
from models.humidity import pressure_dew_point_c, required_temp_c
from models.machine_watch import at_rest, begin_run, end_run, watch_run
from models.run_evidence import SILENT
from models.silence import limit_s, note_gap, silence_row
from models.soundness import sensors_row, watch_sensors
from models.staleness import MOVED, MOVED_UNSEEN, STANDING, begin_again, still_row, watch_still
from models.state import (
    DAY_ENDED,
    DRIED,
    GOT_HOT,
    MOVED_AGAIN,
    PRESSURE_DOUBT,
    PRESSURE_SOUND,
    SENSORS,
    SILENCE_ENDED,
    STILL,
    Record,
)

ROOM = 16
"""Most decision rows that one reading can bring."""
EARLIEST_FORECAST_S = 480.0
EVERY_MINUTE_UNTIL_MIN = 45.0
LATER_EVERY_MIN = 5.0
N_SIGNALS = len(SIGNALS)
N_COLUMNS = 12
"""What a trace shows of a reading."""
REPEATED, METER_RESET = int(Quality.REPEATED), int(Quality.METER_RESET)
CLOCK_WRONG, STEPPED = int(Quality.CLOCK_WRONG), int(Quality.SENSOR_STEPPED)


@kernel
def _begin_life(s: Record, c: Record, t: float) -> None:
    s.first_t = t
    s.day = math.floor(t / S_PER_DAY)
    soak.restart_soak(s, t)
    s.top_kpa = c.max_kpa
    s.water_high_g = moisture.UNSEEN_FRACTION * c.harmful_g


@kernel
def mark(s: Record, t: float, kind: float, since_t: float, row: Record) -> None:
    """Begin a decision row."""
    row.kind = kind
    row.t = t
    row.run_start_t = s.start_t
    row.since_t = since_t


@kernel
def end_day(s: Record, t: float, row: Record) -> None:
    """Hand out the water as it stood before `t`, for every day that has ended since the last one."""
    mark(s, t, DAY_ENDED, s.day, row)
    row.run_start_t = math.floor(t / S_PER_DAY)
    row.features[0] = s.water_g
    row.features[1] = s.water_low_g
    row.features[2] = s.water_high_g
    s.day = math.floor(t / S_PER_DAY)


@kernel
def _breathe(
    s: Record, c: Record, t: float, dt: float, gained_h: float, temp_new: bool, ambient_c: float
) -> None:
    """Keep the ambient estimate and the vapour of the intake air."""
    if math.isnan(s.ambient_t):
        ambient.first_guess(s, c, t)
        if not math.isnan(ambient_c):
            ambient.hear_sensor(s, ambient_c)
        ambient.take_vapour(s, c)
    fresh = t - s.ambient_t >= ambient.STEP_S
    if fresh:
        ambient.drift(s, c, t)
        if not math.isnan(ambient_c):
            ambient.hear_sensor(s, ambient_c)
    if dt > c.gap_s and temp_new:
        soak.after_silence(s, c, t, dt, gained_h > 0.0)
        soak.resume_soak(s, t)
        fresh = True
    if fresh:
        soak.cap(s, c)
        ambient.take_vapour(s, c)


@kernel
def _meter_keeps_silent(s: Record, c: Record, t: float, dt: float, gained_h: float) -> None:
    """A meter that does not step through a run that pressure and warming both show is not to be believed."""
    if gained_h > 0.0:
        return
    if s.pressure_up > 0.0 and t == s.pressure_t and s.confirmed > 0.0 and math.isnan(s.pending_t):
        # Only what was seen to turn: the first reading of a run may come after a night's silence.
        s.meter_silent_s += min(dt, t - s.start_t, c.gap_s)
        if s.meter_silent_s > 3.0 * s.step_h * 3600.0 + 900.0 and s.smooth_c > s.start_temp_c + 2.0:
            s.meter_belief = 0.0


@kernel
def _stopping_t(s: Record, c: Record, t: float, dt: float, gained_h: float, pressure_new: bool) -> float:
    """When the run in hand ended, if this reading shows it; else NaN."""
    if dt > c.gap_s and not runs.bridged(s, c, t, dt, gained_h, pressure_new):
        if not math.isnan(s.pending_t):
            return s.pending_t
        s.end_how = SILENT
        end_t = run_edges.end_in_silence(s, t, dt, gained_h, s.pressure_kpa > c.on_kpa)
        return max(end_t, s.start_t)
    runs.confirm(s, gained_h)
    return runs.find_stop(s, c, t, dt, gained_h, pressure_new)


@kernel
def _forecast_due(s: Record, t: float) -> bool:
    if not math.isnan(s.run_to_hot_t) or t - s.start_t < EARLIEST_FORECAST_S:
        return False
    elapsed_min = math.floor((t - s.start_t) / 60.0)
    step_min = 1.0 if elapsed_min <= EVERY_MINUTE_UNTIL_MIN else LATER_EVERY_MIN
    return elapsed_min >= s.run_decided_min + step_min


@kernel
def _run_on(s: Record, c: Record, t: float, dt: float, gained_h: float, rows: Record, n_rows: int) -> int:
    """Carry the run in hand over this reading; the number of decision rows written so far."""
    _meter_keeps_silent(s, c, t, dt, gained_h)
    if run_account.turn(s, c, t, t - s.run_last_t):
        mark(s, t, GOT_HOT, s.start_t, rows[n_rows])
        n_rows += 1
    if _forecast_due(s, t):
        warming_row(s, c, t, rows[n_rows])
        s.run_decided_min = math.floor((t - s.start_t) / 60.0)
        n_rows += 1
    return n_rows


@kernel
def _stand(
    s: Record, c: Record, t: float, dt: float, gained_h: float, run_rows: Record, rows: Record, n: IntArray
) -> None:
    """A reading of a unit that stands: was there a run that nobody saw, does the meter count the engine's?"""
    if not hidden_run.shows(s, c, t, dt, gained_h):
        runs.note_idle_hours(s, t, dt, gained_h)
        return
    if hidden_run.credit(s, c, t, dt, gained_h, run_rows[n[0]]):
        run_row(s, c, t, run_rows[n[0]].end_t, run_rows[n[0]].wet > 0.0, rows[n[1]])
        n[0] += 1
        n[1] += 1
    soak.restart_soak(s, t)


@kernel
def _runs_step(
    s: Record,
    c: Record,
    t: float,
    dt: float,
    gained_h: float,
    pressure_new: bool,
    temp_new: bool,
    before_kpa: float,
    run_rows: Record,
    rows: Record,
    n: IntArray,
) -> None:
    """Stop, start and carry on runs; `n` counts the run rows and decision rows written."""
    unseen_h = gained_h
    if s.running > 0.0:
        end_t = _stopping_t(s, c, t, dt, gained_h, pressure_new)
        if not math.isnan(end_t):
            # What the meter gained is the old run's; in a silence, half of it a new one's too.
            unseen_h = 0.5 * gained_h if dt > c.gap_s else 0.0
            if run_account.close_run(s, c, t, end_t, run_rows[n[0]]):
                run_row(s, c, t, end_t, run_rows[n[0]].wet > 0.0, rows[n[1]])
                n[0] += 1
                n[1] += 1
                if end_run(s, c, t, end_t, rows[n[1]]):
                    n[1] += 1
            soak.restart_soak(s, t)
    if s.running == 0.0:
        over = pressure_new and hidden_run.began_and_ended(s, c, t, dt, unseen_h)
        if not over and runs.find_start(s, c, t, dt, unseen_h, pressure_new, before_kpa):
            run_account.open_run(s, c, before_kpa)
            begin_run(s, c, t)
            if dt > runs.GLITCH_S:
                # Between readings this far apart the start's own reading already brings news of the run.
                runs.confirm(s, unseen_h)
        else:
            _stand(s, c, t, dt, unseen_h if unseen_h == gained_h else 0.0, run_rows, rows, n)
            if temp_new:
                soak.watch_cooling(s, c, t)
    if s.running > 0.0 and math.isnan(s.pending_t):
        n[1] = _run_on(s, c, t, dt, gained_h, rows, n[1])


@kernel
def _patterns_step(
    s: Record, c: Record, t: float, dt: float, pressure_new: bool, rows: Record, n_rows: int
) -> int:
    """Hand out what the patterns ask for beside runs: heat, a dried sump, a pressure sensor in doubt."""
    if overheat.undo_heat(s, t, rows[n_rows]):
        n_rows += 1
    if s.running == 0.0:
        at_rest(s, c, t, pressure_new)
    elif math.isnan(s.pending_t):
        n_rows = watch_run(s, c, t, dt, pressure_new, rows, n_rows)
    if not math.isnan(s.first_wet_t) and s.water_g < s.start_water_g and moisture.has_dried(s, c):
        mark(s, t, DRIED, s.first_wet_t, rows[n_rows])
        n_rows += 1
        moisture.forget_wetness(s, t)
    verdict = watch_pressure(s, c, t, min(dt, c.gap_s), pressure_new)
    if verdict > 0.0:
        pressure_row(s, c, t, PRESSURE_SOUND if verdict == RESOLVED else PRESSURE_DOUBT, rows[n_rows])
        n_rows += 1
        if verdict == RESOLVED:
            s.conflict_kind = 0.0
            s.conflict_s = 0.0
    return n_rows


@kernel
def _still_step(
    s: Record, c: Record, t: float, dt: float, same: bool, hours: float, rows: Record, n_rows: int
) -> int:
    """Hand out when an old message has been repeated for too long, and when that is over."""
    stands = watch_still(s, c, t, dt, same, hours)
    if stands in (STANDING, MOVED_UNSEEN):
        still_row(s, t, STILL, hours, rows[n_rows])
        n_rows += 1
    if stands in (MOVED, MOVED_UNSEEN):
        still_row(s, t, MOVED_AGAIN, hours, rows[n_rows])
        n_rows += 1
    if not same:
        begin_again(s)
    return n_rows


@kernel
def _time_passes(s: Record, c: Record, t: float, dt: float, rows: Record, n_rows: int) -> int:
    """Hand out what a reading's instant alone brings: a silence that was too long, days that have ended."""
    if dt > limit_s(s, c):
        silence_row(s, c, t, SILENCE_ENDED, rows[n_rows])
        n_rows += 1
    note_gap(s, c, t, dt)
    s.t = t
    if math.floor(t / S_PER_DAY) > s.day:
        end_day(s, t, rows[n_rows])
        n_rows += 1
    return n_rows


@kernel
def _worth(s: Record, c: Record, t: float, v: FloatArray, door: int, seq: int, received_t: float) -> int:
    """Leave in `v` what is to be taken of a reading's signals; its flags."""
    if clock_steps.told_again(s, t, received_t):
        v[:] = math.nan
        return door | CLOCK_WRONG
    return senses.judge(s, c, t, v, door, seq)


@kernel
def _fold_one(
    s: Record,
    c: Record,
    t: float,
    v: FloatArray,
    door: int,
    seq: int,
    received_t: float,
    run_rows: Record,
    rows: Record,
    n: IntArray,
) -> int:
    """Fold one reading of signals `v`, which is left with what was taken of it; its flags."""
    flags = _worth(s, c, t, v, door, seq, received_t)
    temp_c, pressure_kpa, hours, rh_pct, ambient_c = v[0], v[1], v[2], v[3], v[4]
    dt = t - s.t
    if math.isnan(s.t):
        dt = 0.0
        _begin_life(s, c, t)
    n[1] = _time_passes(s, c, t, dt, rows, n[1])
    if flags & CLOCK_WRONG:
        return flags
    same = signals.repeated(s, temp_c, pressure_kpa, hours, rh_pct)
    n[1] = _still_step(s, c, t, dt, same, hours, rows, n[1])
    if s.running > 0.0 and signals.repeats(s, t, dt, temp_c, pressure_kpa, hours, rh_pct):
        return flags | REPEATED
    since_last_s = dt
    stood_s = signals.stale_s(s, t, temp_c, pressure_kpa, hours, rh_pct)
    if stood_s > c.gap_s:
        dt = max(dt, stood_s)
        signals.forget(s)
    temp_new, pressure_new = not math.isnan(temp_c), not math.isnan(pressure_kpa)
    before_kpa = s.pressure_kpa
    gained_h = 0.0
    if not math.isnan(rh_pct):
        s.rh_pct, s.rh_t = rh_pct, t
    if pressure_new:
        signals.take_pressure(s, t, pressure_kpa)
    if not math.isnan(hours):
        gained_h = signals.take_hours(s, t, hours)
        if gained_h < 0.0:
            flags |= METER_RESET
    if temp_new:
        heard = gained_h > 0.0 or s.pressure_kpa > c.on_kpa
        signals.take_temp(s, t, signals.without_spike(s, t, temp_c, heard), heard)
        if signals.step_stays(s, t):
            flags |= STEPPED
    if watch_sensors(s, c, t, since_last_s, v, flags, not same):
        sensors_row(s, t, SENSORS, rows[n[1]])
        n[1] += 1
    if math.isnan(s.temp_c):
        hidden_run.note_unwatched(s, c, gained_h)
        return flags
    _breathe(s, c, t, dt, gained_h, temp_new, ambient_c)
    _runs_step(s, c, t, dt, gained_h, pressure_new, temp_new, before_kpa, run_rows, rows, n)
    n[1] = _patterns_step(s, c, t, dt, pressure_new, rows, n[1])
    return flags


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
    seq: IntArray,
    received_s: FloatArray,
    quality: IntArray,
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
        Readings in order of `at_s` [Unix s], as they came; NaN where a signal is missing.
    seq : array, shape (n,)
        The controller's message counters, -1 for none.
    received_s : array, shape (n,)
        When each was received. [Unix s]
    quality : array, shape (n,)
        The door's flags; those that are found here are added.
    run_rows, decision_rows : record arrays
        `RUN_ROW` and `DECISION_ROW`, filled from the start.
    columns : array, shape (N_COLUMNS, n) or (N_COLUMNS, 0)
        What a `Trace` shows, written when there is room for it.

    Returns
    -------
    tuple of int
        Rows folded up to, runs written, decisions written.
    """
    s = state[0]
    c = const[0]
    n = np.zeros(2, np.int64)
    v = np.empty(N_SIGNALS)
    for i in range(from_row, at_s.shape[0]):
        if n[1] > decision_rows.shape[0] - ROOM or n[0] > run_rows.shape[0] - ROOM:
            return i, n[0], n[1]
        v[0] = temp_c[i]
        v[1] = pressure_kpa[i]
        v[2] = hours[i]
        v[3] = rh_pct[i]
        v[4] = ambient_c[i]
        flags = _fold_one(s, c, at_s[i], v, quality[i], seq[i], received_s[i], run_rows, decision_rows, n)
        if flags != 0:
            doubts.count_flags(s, at_s[i], flags)
            quality[i] = flags
        if columns.shape[1] > 0:
            columns[10, i] = v[0]
            columns[11, i] = v[1]
            if not math.isnan(s.temp_c):
                _write_trace(s, c, i, columns)
    return at_s.shape[0], n[0], n[1]


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
        required_c = required_temp_c(dew_c, c.margin_k, c.floor_c)
    columns[0, i] = 1.0 if on else 0.0
    columns[1, i] = s.now_hot if on else 0.0
    columns[2, i] = s.pressure_trusted
    columns[3, i] = s.ambient_c
    columns[4, i] = dew_c
    columns[5, i] = required_c
    columns[6, i] = s.water_g
    columns[7, i] = s.water_low_g
    columns[8, i] = s.water_high_g
    columns[9, i] = math.sqrt(s.ambient_var)
