"""When the air end turns, from fused evidence: hour-meter steps, temperature and pressure.

Pressure gives the sharpest edges, but ice makes it lie, so it never decides against the other two: a rise
starts a run and a blowdown ends it, yet a run that only pressure claims is dropped, a run that pressure
denies is found from warming and meter steps, and a sump that stays charged after the stop does not keep a run
open. Nor does the meter alone start one that is watched: some count the truck engine's hours. Where in time
an edge lies is for `models.run_edges`. Compiled; called by the fold once a reading.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import S_PER_H
from models import run_edges
from models.compiled import kernel
from models.run_edges import meter_counts
from models.run_evidence import BLEW_DOWN, COOLED, FILLED, FOUND, GOES_ON, KEPT_HOT, SILENT, WARMED
from models.senses_pressure import NO_ICE_C
from models.signals import FORGET_S, recent_mean_c
from models.state import Record

RISE_KPA = 60.0
"""A sump that fills rises by more within a second; its sensor's drift and noise do not."""
CLIMB_S = 180.0
"""A pressure that has climbed for longer than this does not tell when it began: no sump fills so slowly."""
GLITCH_S = 45.0
"""No sump blows down and fills again faster than this; a shorter dip is the sensor's."""
STOP_CONFIRM_S = 60.0
"""The same with room for a slow blowdown: a start within it is the same run after a dip, or a new one."""
SETTLED_K = 1.5
"""A fall of the oil's temperature beyond the sensor's noise: with the sump empty it says that nothing
turns."""
SETTLE_AT_LATEST_S = 600.0
"""Longer than a stop is put off for want of cooling: heat soak lasts about ten minutes."""
LATE_STEP_S = 90.0
"""A meter's step may reach the telemetry this late: buses repeat hours about once a minute."""
WARMING_K = 4.0
WARMING_WITHIN_S = 420.0
WARMING_K_PER_S = 0.8 / 60.0
"""Least warming of an air end that turns: unloaded power, a quarter of 19.5 kW, into the heaviest loop, 160
kJ/K, is 1.8 K/min before losses. Below it lie sunshine and the warmth of the truck's own engine."""
WARMING_SURE_K = 12.0
"""Without a meter's step: more than a day or an engine bay brings in seven minutes."""
FAST_K, FAST_K_PER_S = 6.0, 2.0 / 60.0
"""Neither the sun nor the truck's own engine warms a parked unit this fast."""
FINE_STEP_H = 0.11
"""A meter no coarser than this would have stepped in a run that is told by its warming."""
HEAT_SOAK_S = 600.0
"""After a stop the discharge sensor may rise by itself, as hot metal heats oil that no longer flows."""
SOAK_BEGINS_S = 90.0
"""Heat soak sets in at the stop; oil that has first cooled for longer than this is warmed by a new run."""
STEADY_OVER_AIR_K = 25.0
"""Oil this much warmer than the air that does not cool is being heated: standing, it would lose a tenth of it
in the ten minutes that are looked at (cooling time constants of 25 to 250 min)."""
STEADY_FALL_K = 0.3
FRESH_S = 120.0
"""A meter's step sooner after a stop than this may still belong to the run before."""
COOLED_K = 3.0
COOLED_ALIVE_K = 12.0
"""A pressure that still moves like a running sump's is doubted only for a fall that no change of load
makes."""
COOLED_NO_METER_K = 8.0
COOLED_S = 150.0
COOLED_NO_METER_S = 480.0
"""A thermal valve and changing load make the oil swing by several kelvin over minutes; a stop goes on
cooling."""
ALIVE_S = 120.0
UNCONFIRMED_S = 300.0
WARM_C = 45.0
"""A cold air end that turns warms by more than the sensor's noise within five minutes."""
SILENT_STEPS = 1.4
"""A meter that works steps once in its step; this leaves room for a stop and start between two steps."""
BRIDGED_S = 3600.0
"""A silence longer than this is not bridged without a meter."""
ROUNDED_S = 1.0
"""Instants are told in whole seconds, by the truck and by the run."""
FALL_SHARE = 0.5
"""Half of the time from the last level pressure to the empty sump: the stop lies within it."""
KNEE_S = 120.0
"""A bend of the temperature is told from half-minute means, two on either side at least."""
STOPPED_SHARE = 0.1
"""A meter may lag behind the wall clock by this part over a silence in which nothing stopped: a controller
that was off for a restart counts nothing. [-]"""


@kernel
def meter_silent(s: Record, t: float, dt: float) -> bool:
    """Whether a meter that works would have stepped by now if the air end were turning."""
    if not meter_counts(s):
        return False
    since = s.start_t if math.isnan(s.step_t) else max(s.step_t, s.start_t)
    return t - since > SILENT_STEPS * s.step_h * S_PER_H + STOP_CONFIRM_S + dt


@kernel
def _begin(s: Record, t: float, start_t: float, error_s: float, confirmed: float, how: float) -> None:
    s.running = 1.0
    whole_t = run_edges.whole(start_t, t)
    s.start_t = whole_t if math.isnan(s.stop_t) else max(whole_t, s.stop_t)
    s.start_error_s = error_s + ROUNDED_S
    s.end_error_s = 0.0
    s.start_how, s.end_how = how, GOES_ON
    s.confirmed = confirmed
    s.pressure_up = 0.0
    s.pending_t = s.under_t = math.nan
    s.run_readings = 0.0
    s.peak_c = s.smooth_c
    s.peak_t = s.temp_t


@kernel
def find_start(
    s: Record, c: Record, t: float, dt: float, gained_h: float, pressure_new: bool, before_kpa: float
) -> bool:
    """Start a run when this reading shows that one has begun."""
    if pressure_new and s.pressure_kpa > c.on_kpa and _charged(s, c, t, dt, gained_h, before_kpa):
        s.pressure_up = 1.0
        return True
    return _warms(s, c, t, dt) or (gained_h > 0.0 and _kept_hot(s, c, t, dt))


@kernel
def _charged(s: Record, c: Record, t: float, dt: float, gained_h: float, before_kpa: float) -> bool:
    """A sump under pressure: filled while it was watched, or found so."""
    if dt > c.gap_s:
        if s.conflict_kind != 0.0:
            return False
        s.run_rose = 1.0 if before_kpa < c.off_kpa else 0.0
        start_t, error_s = run_edges.start_in_silence(s, c, t, dt, gained_h)
        _begin(s, t, start_t, error_s, 0.5 * s.run_rose, SILENT)
        return True
    if s.pressure_kpa >= s.floor_kpa + RISE_KPA:
        s.run_rose = 1.0
        from_t, to_t = s.foot_t, s.climb_t
        if not to_t >= t - CLIMB_S:
            from_t, to_t = s.pressure_before_t, t
        # Long silent while the rest is told: a pressure that is sent when it changes, or refused at nothing.
        from_t = max(from_t, t - dt if t - dt > from_t + STOP_CONFIRM_S else to_t - c.gap_s)
        least_s, most_s = run_edges.turned_s(s, min(from_t, to_t), to_t, gained_h)
        _begin(s, t, to_t - 0.5 * (least_s + most_s), 0.5 * (most_s - least_s), 0.5, FILLED)
        return True
    if math.isnan(s.stop_t) and math.isnan(s.start_t) and s.conflict_kind == 0.0:
        s.run_rose = 0.0
        _begin(s, t, t, math.nan, 0.0, FOUND)
        return True
    return False


@kernel
def _warms(s: Record, c: Record, t: float, dt: float) -> bool:
    """Oil that warms as only a turning air end warms it."""
    rise_k = s.smooth_c - s.valley_c
    age_s = t - s.valley_t
    if rise_k < WARMING_K or age_s > WARMING_WITHIN_S or rise_k < WARMING_K_PER_S * age_s:
        return False
    stopped = not math.isnan(s.stop_t)
    counts = meter_counts(s)
    stepped = counts and s.step_t > s.valley_t and not (stopped and s.step_t < s.stop_t + FRESH_S)
    soaking = stopped and t - s.stop_t < HEAT_SOAK_S and s.valley_t - s.stop_t < SOAK_BEGINS_S
    fast = rise_k >= FAST_K and rise_k >= FAST_K_PER_S * age_s
    quiet = counts and s.step_h < FINE_STEP_H
    denied = s.pressure_kpa < c.off_kpa and s.pressure_trusted > 0.0 and s.run_rose > 0.0
    if not (stepped or (not soaking and (fast or rise_k >= WARMING_SURE_K or not (quiet or denied)))):
        return False
    s.run_rose = 0.0
    seen_s = min(dt, age_s)
    # What began as a step and went on was the start after all.
    foot_t = s.step_last_t if s.valley_t - s.step_began_t <= dt else s.valley_t
    start_t = foot_t + (0.5 * seen_s if dt > GLITCH_S else 0.0)
    _begin(s, t, run_edges.start_by_meter(s, start_t), max(seen_s, STOP_CONFIRM_S), 1.0, WARMED)
    return True


@kernel
def _kept_hot(s: Record, c: Record, t: float, dt: float) -> bool:
    """Meter steps without a break, and oil far above the air that does not cool."""
    if not meter_counts(s) or not s.step_before_t >= s.series_t:
        return False
    fresh = math.isnan(s.stop_t) or s.series_t > s.stop_t + FRESH_S
    if not fresh or not steadily_hot(s, t, dt):
        return False
    s.run_rose = 0.0
    half_s = 0.5 * s.step_h * S_PER_H
    _begin(s, t, s.series_t - half_s, half_s, 1.0, KEPT_HOT)
    return True


@kernel
def steadily_hot(s: Record, t: float, dt: float) -> bool:
    """Whether the oil stands far above the air and has not cooled over the last minutes."""
    now_c = recent_mean_c(s, t - STOP_CONFIRM_S - dt, t + 1.0)
    then_c = recent_mean_c(s, t - HEAT_SOAK_S - dt, t - 0.5 * HEAT_SOAK_S)
    if math.isnan(now_c) or math.isnan(then_c):
        return False
    return now_c - s.ambient_c >= STEADY_OVER_AIR_K and now_c >= then_c - STEADY_FALL_K


@kernel
def note_idle_hours(s: Record, t: float, dt: float, gained_h: float) -> None:
    """Take down hours that the meter gained while the air end was seen to stand: the truck engine's."""
    if gained_h > 0.0 and not math.isnan(s.stop_t) and t - s.stop_t < FRESH_S:
        return
    warming = s.smooth_c - s.valley_c >= 0.5 * WARMING_K
    # One step alone may be what many a short run has left: an engine's hours come step upon step.
    goes_on = s.step_before_t >= s.series_t
    if gained_h > 0.0 and goes_on and not warming and not steadily_hot(s, t, dt):
        s.idle_h += gained_h


@kernel
def confirm(s: Record, gained_h: float) -> None:
    """Take up what speaks for the run in hand: a meter step inside it, or oil that warms."""
    if gained_h > 0.0:
        s.meter_belief = 1.0
    if gained_h > 0.0 and meter_counts(s):
        s.peak_c = s.smooth_c
        s.peak_t = s.temp_t
        s.confirmed = 1.0
        s.run_steps += 1.0
    elif s.smooth_c - s.start_temp_c >= 0.5 * WARMING_K:
        s.confirmed = 1.0


@kernel
def find_stop(s: Record, c: Record, t: float, dt: float, gained_h: float, pressure_new: bool) -> float:
    """When the run in hand ended, if this reading shows that it has; else NaN. [Unix s]"""
    if not math.isnan(s.pending_t):
        return _settled(s, c, t, dt, gained_h, pressure_new)
    if pressure_new and s.pressure_kpa > c.on_kpa:
        s.pressure_up = 1.0
    if pressure_new and s.pressure_up > 0.0 and _blown(s, c, t):
        _blown_down(s, t, gained_h)
        return _settled(s, c, t, dt, 0.0, pressure_new)
    if s.confirmed < 1.0 and t - s.start_t > UNCONFIRMED_S and s.smooth_c < WARM_C:
        s.confirmed = 0.0
        return t
    return _cooled(s, c, t, dt)


@kernel
def _blown(s: Record, c: Record, t: float) -> bool:
    """Whether the sump is empty: by its pressure, by a blowdown that was watched, or by staying uncharged."""
    if not s.pressure_kpa < c.on_kpa:
        s.under_t = math.nan
        return False
    if math.isnan(s.under_t):
        s.under_t = t
    falling = t > s.fall_t and s.fall_kpa > run_edges.STEEP_RATIO * s.pressure_kpa
    return s.pressure_kpa < c.off_kpa or falling or t - s.under_t > 2.0 * GLITCH_S


@kernel
def _blown_down(s: Record, t: float, gained_h: float) -> None:
    """Note when the pressure began to fall, to be settled as the stop by what follows."""
    from_t = max(min(s.hold_t, s.run_last_t), s.start_t)
    low_t = to_t = t
    if s.hold_t <= s.run_last_t and s.fall_t > from_t:
        to_t = s.fall_t
    if s.pressure_before_t < s.try_kpa_t < t:
        # A fall that was held back, for it might have been another unit of measure: the sump was low by then.
        from_t = max(min(from_t, s.pressure_before_t), s.start_t)
        low_t = max(s.try_kpa_t, from_t)
        to_t = min(to_t, low_t)
    least_s, most_s = run_edges.turned_s(s, from_t, to_t, gained_h)
    s.pending_t = from_t + 0.5 * (least_s + most_s)
    # Tools that draw the sump down, and an unloader's bleed, blur where within the fall it stopped.
    s.end_error_s = max(0.5 * (most_s - least_s), FALL_SHARE * (low_t - from_t)) + ROUNDED_S
    fell_t = run_edges.fall_began(s, t)
    if not math.isnan(fell_t):
        s.pending_t = min(max(fell_t, from_t), to_t)
    s.end_how = BLEW_DOWN
    s.pending_c = s.smooth_c
    s.low_t = t
    s.low_dt = t - s.pressure_before_t


@kernel
def _settled(s: Record, c: Record, t: float, dt: float, gained_h: float, pressure_new: bool) -> float:
    """The end that a blowdown proposed, once oil or meter agree; a dip of the sensor is dropped."""
    since_s = t - s.pending_t
    if pressure_new and s.pressure_kpa > c.on_kpa:
        # After a silence nobody knows how long the dip was but from its first low reading on.
        unseen = s.low_dt > GLITCH_S and s.low_dt > 3.0 * dt
        if (t - s.low_t + dt if unseen else since_s) > GLITCH_S:
            return s.pending_t
        s.pending_t = math.nan
        return math.nan
    counts = meter_counts(s)
    if gained_h > 0.0 and counts and t - s.low_t > LATE_STEP_S + dt and _goes_on(s, t, dt):
        s.pending_t = math.nan
        s.pressure_up = 0.0
        return math.nan
    if since_s <= STOP_CONFIRM_S:
        return math.nan
    due_s = min(SILENT_STEPS * s.step_h * S_PER_H + STOP_CONFIRM_S, SETTLE_AT_LATEST_S)
    cooled = s.pending_c - s.smooth_c >= SETTLED_K
    return s.pending_t if cooled or not counts or since_s > due_s + dt else math.nan


@kernel
def _goes_on(s: Record, t: float, dt: float) -> bool:
    """Whether the oil says that the air end still turns, though the pressure has gone."""
    rises = s.smooth_c - s.pending_c >= SETTLED_K
    level = s.smooth_c - s.pending_c >= -0.5 * SETTLED_K
    return rises or (level and s.smooth_c - s.ambient_c >= STEADY_OVER_AIR_K)


@kernel
def _cooled(s: Record, c: Record, t: float, dt: float) -> float:
    """The stop of a run that no pressure ends: oil that goes on cooling, and a meter that keeps silent."""
    drop_k = s.peak_c - s.smooth_c
    falling_s = t - s.peak_t
    charged = s.pressure_kpa > c.on_kpa and t - s.pressure_t <= FORGET_S
    alive = charged and t - s.anchor_t < ALIVE_S
    if meter_counts(s):
        # How finely it steps is not known before its first step.
        needed_k = COOLED_K if charged or math.isnan(s.step_t) else 0.0
        needed_k = COOLED_ALIVE_K if alive else needed_k
        over = meter_silent(s, t, dt) and falling_s >= COOLED_S and drop_k >= needed_k
    else:
        # Oil that is hardly warmer than its air has not so far to fall.
        needed_k = min(max(0.5 * (s.peak_c - s.ambient_c), SETTLED_K), COOLED_NO_METER_K)
        over = not alive and drop_k >= needed_k and falling_s >= COOLED_NO_METER_S
    empty = s.pressure_up == 0.0 and s.pressure_kpa < c.off_kpa and s.pressure_trusted > 0.0
    if empty and s.ambient_c > NO_ICE_C:
        over = over or (falling_s >= COOLED_S and drop_k >= SETTLED_K)
    if not over:
        return math.nan
    bent_t = run_edges.knee_t(s, s.start_t, t)
    end_t = s.peak_t if math.isnan(bent_t) else bent_t
    s.end_error_s = max(dt, KNEE_S)
    s.end_how = COOLED
    return min(max(run_edges.end_by_meter(s, end_t), s.start_t), t)


@kernel
def bridged(s: Record, c: Record, t: float, dt: float, gained_h: float, pressure_new: bool) -> bool:
    """Whether a run went on through a silence of `dt` seconds."""
    least_s, most_s = run_edges.turned_s(s, t - dt, t, gained_h)
    if most_s - least_s < dt:
        return most_s >= (1.0 - STOPPED_SHARE) * dt
    if gained_h > 0.0 and meter_counts(s) and gained_h * S_PER_H >= (1.0 - STOPPED_SHARE) * dt:
        return True
    stayed_warm = s.temp_c >= s.temp_before_c - COOLED_K or s.temp_c > s.run_required_c - COOLED_NO_METER_K
    return pressure_new and s.pressure_kpa > c.on_kpa and dt < BRIDGED_S and stayed_warm
