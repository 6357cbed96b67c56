"""When the air end turns, from fused evidence: hour-meter steps, temperature and pressure.

Pressure gives the sharpest edges, but ice makes it lie, so it never decides against the other two: a rise
starts a run and a blowdown ends it at once, yet a run that only pressure claims is dropped, a run that
pressure denies is found from warming and meter steps, and a sump that stays charged after the stop does not
keep a run open. Compiled; called by the fold once a reading.
"""

from __future__ import annotations

import math

from models.compiled import kernel
from models.state import Record

NOTHING, STARTED, ENDED, RESTARTED = 0, 1, 2, 3

RISE_KPA = 60.0
GLITCH_S = 45.0
"""No sump blows down and fills again faster than this; a shorter dip is the sensor's."""
STOP_CONFIRM_S = 60.0
WARMING_K = 4.0
WARMING_K_PER_S = 0.8 / 60.0
WARMING_SURE_K = 12.0
FAST_K_PER_S = 2.0 / 60.0
"""Neither the sun nor the truck's own engine warms a parked unit this fast."""
HEAT_SOAK_S = 600.0
"""After a stop the discharge sensor may rise by itself, as hot metal heats oil that no longer flows."""
COOLED_K = 3.0
COOLED_NO_METER_K = 8.0
COOLED_S = 150.0
COOLED_NO_METER_S = 480.0
ALIVE_S = 120.0
UNCONFIRMED_S = 300.0
WARM_C = 45.0
"""A cold air end that turns warms by more than the sensor's noise within five minutes."""


@kernel
def meter_silent(s: Record, t: float, dt: float) -> bool:
    """Whether a meter that works would have stepped by now if the air end were turning."""
    if s.meter_belief < 0.5 or math.isnan(s.hours_t):
        return False
    since = s.start_t if math.isnan(s.step_t) else max(s.step_t, s.start_t)
    return t - since > 1.4 * s.step_h * 3600.0 + 60.0 + dt


@kernel
def _begin(s: Record, start_t: float, confirmed: float) -> None:
    s.running = 1.0
    s.start_t = start_t
    s.confirmed = confirmed
    s.pressure_up = 0.0
    s.pending_t = math.nan
    s.run_readings = 0.0
    s.peak_c = s.smooth_c
    s.peak_t = s.temp_t


@kernel
def find_start(s: Record, c: Record, t: float, dt: float, gained_h: float, pressure_new: bool) -> bool:
    """Start a run when this reading shows that one has begun."""
    first = math.isnan(s.stop_t) and math.isnan(s.start_t)
    if pressure_new and s.pressure_kpa > c.on_kpa:
        if s.pressure_kpa >= s.floor_kpa + RISE_KPA:
            _begin(s, t, 0.5)
            s.pressure_up = 1.0
            return True
        if (first or dt > c.gap_s) and s.conflict_kind == 0.0:
            _begin(s, t, 0.0)
            s.pressure_up = 1.0
            return True
    rise_k = s.smooth_c - s.valley_c
    age_s = t - s.valley_t
    stepped = not math.isnan(s.step_t) and s.step_t > s.valley_t
    meter_due = s.meter_belief >= 0.5 and not math.isnan(s.hours_t) and s.step_h < 0.11
    soaking = not math.isnan(s.stop_t) and t - s.stop_t < HEAT_SOAK_S
    if rise_k >= WARMING_K and age_s <= 420.0 and rise_k >= WARMING_K_PER_S * age_s:
        fast = rise_k >= 6.0 and rise_k >= FAST_K_PER_S * age_s
        sure = stepped or (not soaking and (fast or not meter_due or rise_k >= WARMING_SURE_K))
        if sure:
            _begin(s, s.valley_t, 1.0)
            return True
    if gained_h > 0.0 and not math.isnan(s.step_before_t):
        apart_s = t - s.step_before_t
        fresh = math.isnan(s.stop_t) or s.step_before_t > s.stop_t + 120.0
        if fresh and apart_s <= 1.5 * s.step_h * 3600.0 + dt:
            _begin(s, s.step_before_t, 1.0)
            return True
    return False


@kernel
def confirm(s: Record, gained_h: float) -> None:
    """Take up what speaks for the run in hand: a meter step inside it, or oil that warms."""
    if gained_h > 0.0:
        s.peak_c = s.smooth_c
        s.peak_t = s.temp_t
        s.confirmed = 1.0
        s.meter_belief = 1.0
    elif s.smooth_c - s.start_temp_c >= 2.0:
        s.confirmed = 1.0


@kernel
def find_stop(s: Record, c: Record, t: float, dt: float, gained_h: float, pressure_new: bool) -> float:
    """When the run in hand ended, if this reading shows that it has; else NaN. [Unix s]"""
    if not math.isnan(s.pending_t):
        if pressure_new and s.pressure_kpa > c.on_kpa:
            if t - s.pending_t > GLITCH_S:
                return s.pending_t
            s.pending_t = math.nan
        elif gained_h > 0.0 and s.meter_belief >= 0.5 and t - s.pending_t > GLITCH_S + dt + 3600.0 * s.step_h:
            s.pending_t = math.nan
            s.pressure_up = 0.0
        elif t - s.pending_t > STOP_CONFIRM_S:
            return s.pending_t
        return math.nan
    if pressure_new and s.pressure_kpa > c.on_kpa:
        s.pressure_up = 1.0
    if pressure_new and s.pressure_up > 0.0 and s.pressure_kpa < c.off_kpa:
        s.pending_t = max(min(s.hold_t, s.run_last_t), s.start_t)
        return s.pending_t if t - s.pending_t > STOP_CONFIRM_S else math.nan
    if s.confirmed < 1.0 and t - s.start_t > UNCONFIRMED_S and s.smooth_c < WARM_C:
        s.confirmed = 0.0
        return t
    return _cooled(s, c, t, dt)


@kernel
def _cooled(s: Record, c: Record, t: float, dt: float) -> float:
    drop_k = s.peak_c - s.smooth_c
    falling_s = t - s.peak_t
    silent = meter_silent(s, t, dt)
    alive = s.pressure_kpa > c.on_kpa and t - s.anchor_t < ALIVE_S
    if s.meter_belief >= 0.5 and not math.isnan(s.step_t):
        needed_k = 12.0 if alive else (COOLED_K if s.pressure_kpa > c.on_kpa else 0.0)
        if silent and falling_s >= COOLED_S and drop_k >= needed_k:
            return max(s.peak_t, s.start_t)
        return math.nan
    if not alive and drop_k >= COOLED_NO_METER_K and falling_s >= COOLED_NO_METER_S:
        return max(s.peak_t, s.start_t)
    return math.nan


@kernel
def bridged(s: Record, c: Record, dt: float, gained_h: float, pressure_new: bool) -> bool:
    """Whether a run went on through a silence of `dt` seconds."""
    if gained_h < 0.0 or math.isnan(s.hours_t) or s.meter_belief < 0.5:
        return (
            pressure_new and s.pressure_kpa > c.on_kpa and dt < 3600.0 and s.temp_c > s.run_required_c - 10.0
        )
    return gained_h * 3600.0 >= 0.8 * dt - 3600.0 * s.step_h and gained_h > 0.0
