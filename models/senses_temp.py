"""Temperatures that come in degF under a name that says degC, and back: told by leaps and impossible levels.

A leap that no machine can make and that the conversion explains to within a few kelvin is a swap. A start
leaps too where readings are far apart, so a smaller leap counts only in a unit that stands, before and after.
Where no leap shows it, a soaked unit far from the air it stands in tells, or one that has come through run
after run far hotter than any machine does. What may be an overheat is never hidden: one that is converted by
mistake costs a machine, one that is told by mistake costs a look. Compiled; called by `models.senses`.
"""

from __future__ import annotations

import math

from ingest.quality import RANGES
from ingest.reading import FloatArray
from ingest.units_of_measure import FAHRENHEIT_AT_ZERO_C, FAHRENHEIT_PER_KELVIN
from models.compiled import kernel
from models.run_account import begin_marks
from models.runs import FINE_STEP_H
from models.senses_pressure import NO_ICE_C
from models.signals import CLOSE_S, leaps
from models.state import N_BINS, Record

LOWEST_C, DOOR_HIGHEST_C = RANGES["discharge_temp_c"]
HIGHEST_C = 180.0
"""Far above any shutdown setting (published trade figures: 110 to 120 degC)."""
RISE_K, RISE_K_PER_S = 14.0, 0.45
"""More than the lightest machine that turns already warms between two readings."""
TURNING_S = 90.0
"""Further apart, two readings of a machine that turns show nothing impossible: without oil it heats fast."""
STARTED_F = 6.0
"""A machine that has started goes on warming by more; one that stands in another unit does not."""
FALL_K, FALL_K_PER_S = 12.0, 0.12
"""More than oil and iron cool between two readings."""
FIT_K, FIT_K_PER_S, FIT_MOST_K = 2.5, 0.05, 8.0
TREND_K_PER_S = 0.25
"""The lightest machines warm up by some 10 K a minute. [K/s]"""
SURE_N = 2.0
"""Readings that must go on as converted, after the leap, before a swap is believed."""
PROVEN = 2.0
"""Sure of degF beyond what a leap tells: the numbers have been such as no machine shows in degC."""
STEADY_N = 3.0
"""Readings without a leap before one that may be a swap: a sensor gone mad leaps all the time."""
HOLD_S = 30.0
"""For so long none of them is taken; where readings are further apart, that would blind a warm-up."""
GAP_S = 600.0
"""What was read longer ago than this tells too little of what is read now."""
BURNING_C = 145.0
"""Oil burns at such discharge temperatures, long after every shutdown; as degF it is a machine at work."""
BURNING_S, BURNING_N = 120.0, 3
SURVIVED_RUNS = 2.0
"""Runs at such numbers that a machine must have come through before the next is believed to be in degF."""
AT_WORK_LOW, AT_WORK_HIGH = 75.0, 110.0
"""Where a machine at work stays; as degF it would be 24 to 43 degC, which it only passes."""
COUNTED_S = 60.0
"""Most that one reading counts for."""
AT_WORK_S, AT_WORK_LONG_S = 900.0, 1800.0
"""How long it takes to outweigh what the air told, and what a leap told."""
SOAKED_S = 21_600.0
AWAY_K, NEAR_K = 8.0, 4.0
AWAY_SD, NEAR_SD = 3.0, 1.5
"""Of the doubt about the air: surely not in it, and likely in it."""
AIR_GROWTH_K2_PER_S = 0.4 / 3600.0
"""As fast as the estimate of the air grows doubtful (`models.ambient`)."""
SETTLING_S, SETTLING_F = 600.0, 1.5
"""A stopped unit that is warm cools by more than this; one that is as cold as the air does not."""


@kernel
def celsius(raw: float, in_f: bool) -> float:
    """A temperature in degC; `in_f` says what it was given in."""
    return (raw - FAHRENHEIT_AT_ZERO_C) / FAHRENHEIT_PER_KELVIN if in_f else raw


@kernel
def take(s: Record, c: Record, t: float, v: FloatArray, flagged: bool) -> bool:
    """Take the discharge temperature `v[0]`, converted or out; whether it was converted.

    `flagged`: the door, or whoever sent it, says that it can't be right. Sets `temp_refused` when a value in
    the door's range is taken out, and `temp_swap_t` at the reading that makes a swap sure.
    """
    raw = v[0]
    s.temp_refused = 0.0
    if math.isnan(raw):
        return False
    v[0] = math.nan
    if math.isinf(raw) or (flagged and LOWEST_C <= raw <= DOOR_HIGHEST_C):
        return False
    dt = t - s.took_c_t
    if dt <= GAP_S:
        _follow(s, t, dt, raw, _stands(s, c, v), _other_time(s, c, dt, v))
    else:
        _after_gap(s, t, dt, raw, _stands(s, c, v))
    _dwell(s, t, dt, raw)
    in_f = s.temp_f > 0.0
    value_c = celsius(raw, in_f)
    climbed = dt <= GAP_S and s.took_c >= AT_WORK_HIGH and not leaps(s.took_c, value_c, dt)
    if not LOWEST_C <= value_c <= (DOOR_HIGHEST_C if climbed else HIGHEST_C):
        s.temp_refused = 1.0
        return False
    if not in_f and value_c >= BURNING_C:
        if _burning(s, t, raw):
            in_f = True
            value_c = celsius(raw, in_f)
            start_over(s, value_c)
        elif not climbed and not _holds_on(s, t, raw):
            s.temp_refused = 1.0
            return False
    s.took_k_s = (value_c - s.took_c) / dt if dt <= GAP_S else 0.0
    s.took_c = value_c
    s.took_c_t = t
    if s.temp_tries > 0.0 and (t - s.try_t < HOLD_S or s.temp_sure == 0.0):
        s.temp_refused = 1.0
        return False
    v[0] = value_c
    return bool(in_f)


@kernel
def _swap(s: Record, t: float, raw: float, tries: float, sure: float) -> None:
    s.temp_f = 1.0 - s.temp_f
    s.temp_tries = tries
    s.temp_sure = sure
    s.try_raw = raw
    s.try_t = t
    s.try_steep = 0.0
    s.at_work_s = 0.0
    s.burning_n = 0.0


@kernel
def _stands(s: Record, c: Record, v: FloatArray) -> bool:
    """Whether meter or pressure say, at this reading too, that nothing turns; of a pressure, ice may lie."""
    charged = v[1] >= c.on_kpa
    if s.running > 0.0 or charged or v[2] > s.hours:
        return False
    metered = v[2] == s.hours and s.step_h <= FINE_STEP_H
    return bool(metered or (v[1] < c.on_kpa and s.ambient_c > NO_ICE_C))


@kernel
def _other_time(s: Record, c: Record, dt: float, v: FloatArray) -> bool:
    """Whether a reading tells of another time than its neighbour's: a clock was set between the two."""
    filled = dt <= CLOSE_S and s.took_kpa < c.off_kpa and v[1] >= c.on_kpa
    return bool(s.time_broke > 0.0 or filled)


@kernel
def _follow(s: Record, t: float, dt: float, raw: float, stands: bool, other_time: bool) -> None:
    """Compare a reading with the one before it; `stands`: nothing turns, before it and now.

    Of a reading from another time (`other_time`) a leap tells nothing.
    """
    in_f = s.temp_f > 0.0
    change_k = celsius(raw, in_f) - s.took_c
    turned = s.running > 0.0 and dt <= TURNING_S
    risen = change_k > RISE_K + RISE_K_PER_S * dt and (turned or (stands and dt <= TURNING_S))
    leapt = risen or leaps(0.0, max(change_k, 0.0), dt) or change_k < -FALL_K - FALL_K_PER_S * dt
    steep = stands and change_k > FALL_K + FALL_K_PER_S * dt and not other_time
    leapt = leapt and not other_time
    if s.temp_tries > 0.0:
        cooled = s.running == 0.0 and t - s.try_t <= SETTLING_S and raw < s.try_raw - SETTLING_F
        warming = s.try_steep > 0.0 and (raw > s.try_raw + STARTED_F or not stands)
        if leapt or warming or (cooled and in_f and (s.temp_sure == 0.0 or s.try_steep > 0.0)):
            _swap(s, t, raw, 0.0, 1.0)
        elif s.temp_sure > 0.0 or t - s.try_t > SETTLING_S or s.running > 0.0:
            s.temp_tries += 1.0
            if s.temp_tries > SURE_N:
                s.temp_tries = 0.0
                s.temp_swap_t = t
    elif leapt or steep:
        if s.temp_steady_n >= STEADY_N and _goes_on(s, celsius(raw, not in_f), dt):
            # Between readings far apart a short run fits unseen: what it has warmed cools again, and soon.
            unseen = not leapt and dt > TURNING_S and raw < AT_WORK_HIGH
            _swap(s, t, raw, 1.0, 0.0 if unseen else 1.0)
            s.try_steep = 0.0 if leapt else 1.0
        elif leapt and in_f and s.temp_sure == 0.0:
            _swap(s, t, raw, 0.0, 1.0)
        s.temp_open = 1.0
        s.temp_steady_n = 0.0
    else:
        s.temp_steady_n += 1.0


@kernel
def _goes_on(s: Record, value_c: float, dt: float) -> bool:
    """Whether a value lies between standing still and going on as before, give or take what sensors do."""
    apart_k = value_c - s.took_c
    trend_k = min(max(s.took_k_s, -TREND_K_PER_S), TREND_K_PER_S) * dt
    room_k = min(FIT_K + FIT_K_PER_S * dt, FIT_MOST_K)
    return bool(min(trend_k, 0.0) - room_k <= apart_k <= max(trend_k, 0.0) + room_k)


@kernel
def _after_gap(s: Record, t: float, dt: float, raw: float, stands: bool) -> None:
    """Judge the first reading after a silence, which may have hidden a swap: of a soaked unit by the air."""
    s.temp_open = 1.0
    s.temp_sure = min(s.temp_sure, 1.0)
    s.temp_tries = 0.0
    s.at_work_s = 0.0
    s.burning_n = 0.0
    if dt < SOAKED_S or not stands or math.isnan(s.ambient_t):
        return
    in_f = s.temp_f > 0.0
    error_k = math.sqrt(s.ambient_var + AIR_GROWTH_K2_PER_S * (t - s.ambient_t))
    away = abs(celsius(raw, in_f) - s.ambient_c) > AWAY_K + AWAY_SD * error_k
    if away and abs(celsius(raw, not in_f) - s.ambient_c) <= NEAR_K + NEAR_SD * error_k:
        _swap(s, t, raw, 1.0, 0.0)


@kernel
def _dwell(s: Record, t: float, dt: float, raw: float) -> None:
    """A machine that goes on running at numbers usual in degC reads degC, unless more speaks for degF."""
    in_f = s.temp_f > 0.0
    if in_f and raw >= BURNING_C and s.temp_tries == 0.0:
        s.temp_sure = PROVEN
    if not AT_WORK_LOW <= raw <= AT_WORK_HIGH or s.running == 0.0 or s.confirmed < 1.0:
        s.at_work_s = 0.0
        return
    s.at_work_s += min(dt, COUNTED_S) if dt <= GAP_S else 0.0
    if in_f and s.temp_sure < PROVEN and s.at_work_s >= (AT_WORK_LONG_S if s.temp_sure > 0.0 else AT_WORK_S):
        _swap(s, t, raw, 0.0, 1.0)
        start_over(s, raw)
    elif not in_f and s.at_work_s >= AT_WORK_S:
        s.temp_open = s.burnt_runs = 0.0


@kernel
def _burning(s: Record, t: float, raw: float) -> bool:
    """Whether a machine that reads hotter than any that works has come through too many such runs for degC.

    The first of them are told as the overheats that they may be.
    """
    turning = s.running > 0.0 and (s.confirmed >= 1.0 or s.pressure_up > 0.0)
    if s.burning_n == 0.0 or not turning or t - s.burning_t > GAP_S:
        s.burning_n = 0.0
        s.burning_t = t
        s.burning_raw = raw
    s.burning_n += 1.0
    if s.burning_n <= BURNING_N or t - s.burning_t < BURNING_S or raw == s.burning_raw:
        return False
    if s.temp_open > 0.0 and s.burnt_runs >= SURVIVED_RUNS and s.start_t > s.burnt_start_t:
        _swap(s, t, raw, 0.0, 0.0)
        s.burnt_unreal = 1.0
        return True
    if not s.start_t <= s.burnt_start_t:
        s.burnt_start_t = s.start_t
        s.burnt_runs += 1.0
    return False


@kernel
def _holds_on(s: Record, t: float, raw: float) -> bool:
    """Whether heat that no reading led up to has gone on for some readings, and moved as a real one does."""
    if not t - s.hot_raw_t <= GAP_S or leaps(s.hot_raw, raw, t - s.hot_raw_t):
        s.hot_raw_n = s.hot_raw_moved = 0.0
    elif raw != s.hot_raw:
        s.hot_raw_moved = 1.0
    s.hot_raw_n += 1.0
    s.hot_raw = raw
    s.hot_raw_t = t
    return bool(s.hot_raw_n > BURNING_N and s.hot_raw_moved > 0.0)


@kernel
def start_over(s: Record, temp_c: float) -> None:
    """Take back what temperatures in the wrong unit have done: to the air, and to the run in hand."""
    s.raw_c = math.nan
    s.raw_before_c = math.nan
    s.temp_t = -math.inf
    s.ambient_t = math.nan
    for i in range(N_BINS):
        s.bin_n[i] = 0.0
    if s.running == 0.0:
        return
    s.start_temp_c = celsius(s.start_temp_c, s.temp_f > 0.0)
    s.run_peak_c = temp_c
    s.run_last_c = temp_c
    s.run_hot_s = 0.0
    s.run_dry_s = 0.0
    s.run_to_hot_t = math.nan
    s.run_dew_c = math.nan
    s.run_in_g = 0.0
    s.run_out_g = 0.0
    s.run_over_g = 0.0
    s.water_g = s.run_water_start_g
    s.water_low_g = min(s.start_low_g, s.water_low_g)
    s.water_high_g = max(s.start_high_g, s.water_high_g)
    begin_marks(s)
