"""Pressures that come in psi or bar under a name that says kPa, and back.

A swap shows when a charged sump seems to fall to just the converted figure and stays there while the machine
goes on running, or when a start ends on a plateau that is the unit's rating in another unit. Back again is
plain: no sump holds seven times its rating. Compiled; called by `models.senses`.
"""

from __future__ import annotations

import math

from ingest.quality import RANGES
from ingest.reading import FloatArray
from ingest.units_of_measure import KPA_PER_BAR, KPA_PER_PSI, S_PER_H
from models.compiled import kernel
from models.senses_codes import RECENT_S, equals_code, is_code
from models.state import Record

PLAIN, IN_PSI, IN_BAR, CODE, TOO_HIGH = 0, 1, 2, 3, 4
"""What was found of a pressure."""

LOWEST_KPA, HIGHEST_KPA = RANGES["pressure_kpa"]
RELIEF_RATIO = 1.4
"""The relief valve opens near 200 psi on a unit rated 150 (common practice): no sump holds more than this."""
CHARGED_RATIO = 0.3
"""Of the rated pressure: the minimum-pressure valve keeps a sump at work above it (common practice). [-]"""
FIT_RATIO = 0.12
"""As far as a converted figure may be off the last one: load and unload are 7 to 10 % apart (common
practice), and a little for noise. [-]"""
FALLEN_RATIO = 0.5
"""A fall to less than half is no change of load; psi is a seventh, bar a hundredth. [-]"""
HOLD_S = 60.0
"""While a swap to psi is weighed nothing is taken for so long, to bar until the hour meter has told. [s]"""
REST_KPA, REST_PSI_KPA = 4.0, 20.0
"""How near to what a sensor read before the start is where it rests: an offset can be ten kilopascals, in bar
a charged sump, or sixty, in psi a working one. The wider takes in the coarsest step, 16 kPa a bit (from
memory), and noise. [kPa]"""
TRY_S = 1800.0
"""A trial that has come to nothing by then is given up: two meter steps of 0.1 h take 12 min."""
TRY_N_PSI, TRY_N_BAR = 4.0, 5.0
STEPPED, NOT_STEPPED = 1.5, 1.4
"""Meter steps that a trial must see, and by which, and `HOLD_S` more, one at least must have come."""
BLED_RATIO = 0.85
"""A sump that blows down loses more than this within a minute; one that works does not. [-]"""
COOLED_K = 3.0
WORKING_LOW, WORKING_HIGH = 0.3, 1.22
"""What a running sump shows, of the top that the unit works at: from the minimum-pressure valve on, up to
that top, pulsation, and a zero that has drifted by 100 kPa. [-]"""
PLATEAU_TOP, USUAL_S = 1.1, 72_000.0
REST_RATIO, REST_S = 0.11, 36_000.0
"""As far as a zero drifts (100 kPa of 1034), and noise; where a sensor rests follows it down at once, and up
only while the unit stands, so slowly that a start is over before it counts. [-, s]"""
PROMPT_S = 120.0
SOON_S, ALONE_S, WAIT_S = 60.0, 180.0, 300.0
TOP_LOW, TOP_HIGH = 0.9, 1.2
"""A start's top, of the top that the unit is used to reach, with room for a drifted zero. [-]"""
RUNS_N = 2.0
LEAST_BAR = 8.0
NO_ICE_C = 5.0


@kernel
def _scale(unit: float) -> float:
    return KPA_PER_PSI if unit == 1.0 else KPA_PER_BAR if unit == 2.0 else 1.0


@kernel
def take(s: Record, c: Record, t: float, v: FloatArray, flagged: bool, temp_swapped: bool) -> int:
    """Take the pressure `v[1]`, converted or out; what was found of it.

    `flagged`: the door, or whoever sent it, says that it can't be right.
    """
    raw = v[1]
    if math.isnan(raw):
        return PLAIN
    v[1] = math.nan
    if math.isinf(raw) or (flagged and LOWEST_KPA <= raw <= HIGHEST_KPA):
        return PLAIN
    top_kpa = RELIEF_RATIO * c.max_kpa
    _leave_unit(s, c, t, raw, top_kpa)
    if s.kpa_try > 0.0:
        _go_on_trying(s, c, t, raw, v[2], temp_swapped)
    elif t - s.took_kpa_t <= RECENT_S and s.took_kpa >= CHARGED_RATIO * c.max_kpa:
        _compare(s, c, t, raw, v[2], temp_swapped)
    waiting = s.kpa_unit == 0.0 and _watch_start(s, c, t, raw)
    value_kpa = raw * _scale(s.kpa_unit)
    if waiting and s.kpa_unit == 0.0:
        v[1] = raw * KPA_PER_PSI
        return PLAIN
    if s.kpa_try == 2.0 or (s.kpa_try == 1.0 and t - s.try_kpa_t <= WAIT_S):
        return PLAIN
    if not LOWEST_KPA <= value_kpa <= top_kpa:
        return PLAIN if value_kpa < LOWEST_KPA else TOO_HIGH
    if s.kpa_unit == 0.0:
        if is_code(s, c, t, raw):
            return CODE
        if not equals_code(raw):
            s.real_kpa = value_kpa
            s.real_kpa_t = t
    s.took_kpa = value_kpa
    s.took_kpa_t = t
    if s.confirmed >= 1.0 and value_kpa >= CHARGED_RATIO * c.max_kpa and s.running > 0.0:
        _learn_usual(s, c, t, value_kpa)
    v[1] = value_kpa
    return int(s.kpa_unit)


@kernel
def _learn_usual(s: Record, c: Record, t: float, value_kpa: float) -> None:
    """Keep the top of the pressures that the unit works at, forgetting over days of running."""
    top_kpa = min(value_kpa, PLATEAU_TOP * c.max_kpa)
    faded = s.usual_kpa - (s.usual_kpa - top_kpa) * min((t - s.t) / USUAL_S, 1.0)
    s.usual_kpa = top_kpa if math.isnan(faded) else max(top_kpa, faded)


@kernel
def _leave_unit(s: Record, c: Record, t: float, raw: float, top_kpa: float) -> None:
    """A converted pressure beyond what the sump can hold: the truck has gone back."""
    if s.kpa_unit == 0.0 or raw * _scale(s.kpa_unit) <= top_kpa:
        return
    in_bar = s.kpa_unit == 2.0
    recent = t - s.took_kpa_t <= RECENT_S and s.took_kpa >= CHARGED_RATIO * c.max_kpa
    fits_psi = abs(raw * KPA_PER_PSI - s.took_kpa) <= FIT_RATIO * s.took_kpa
    s.kpa_unit = 1.0 if in_bar and recent and fits_psi else 0.0
    s.kpa_try = 0.0


@kernel
def _compare(s: Record, c: Record, t: float, raw: float, hours: float, temp_swapped: bool) -> None:
    """Look for a unit of measure in which a sump that seems to have fallen has not."""
    if raw * _scale(s.kpa_unit) > FALLEN_RATIO * s.took_kpa:
        return
    for unit in (1.0, 2.0):
        if unit == s.kpa_unit or _at_rest(s, raw, unit):
            continue
        fits = abs(raw * _scale(unit) - s.took_kpa) <= FIT_RATIO * s.took_kpa
        if fits or (unit == 1.0 and _works(s, c, raw, unit)):
            s.kpa_try = unit
            s.try_kpa_t = t
            s.try_kpa_n = 1.0
            s.try_kpa = raw
            s.try_kpa_h = hours if not math.isnan(hours) else s.hours
            s.try_kpa_c = s.smooth_c
            s.try_kpa_moved = 0.0
            if temp_swapped:
                _believe(s)


@kernel
def _at_rest(s: Record, raw: float, unit: float) -> bool:
    """Whether the sump seems to have fallen to where the sensor rests, or to what no figure in bar is."""
    scale = _scale(s.kpa_unit)
    from_start_kpa = abs(raw * scale - s.before_start_kpa)
    if unit == 1.0:
        # A restart soon after a stop begins above where the sensor rests.
        return bool(min(from_start_kpa, abs(raw - s.rest_raw) * scale) <= REST_PSI_KPA)
    return bool(from_start_kpa <= REST_KPA or raw < LEAST_BAR)


@kernel
def _believe(s: Record) -> None:
    s.kpa_unit = s.kpa_try
    s.kpa_try = 0.0
    s.plateau_unit = 0.0
    s.unload_belief = 0.0


@kernel
def _go_on_trying(s: Record, c: Record, t: float, raw: float, hours: float, temp_swapped: bool) -> None:
    """A charged sump that stays at the converted figure while the machine turns is a swap, else none."""
    value_kpa = raw * _scale(s.kpa_try)
    bled = raw < BLED_RATIO * s.try_kpa if s.kpa_try == 2.0 else not _works(s, c, raw, 1.0)
    # A reading in the middle of a blowdown begins a trial that ends where the sensor rests.
    rests = s.kpa_try == 1.0 and _at_rest(s, raw, 1.0)
    lost = bled or rests or value_kpa > RELIEF_RATIO * c.max_kpa
    if lost or t - s.try_kpa_t > TRY_S or s.running == 0.0 or s.smooth_c < s.try_kpa_c - COOLED_K:
        s.kpa_try = 0.0
        return
    s.try_kpa_n += 1.0
    if raw != s.try_kpa:
        s.try_kpa_moved = 1.0
    gained_h = hours - s.try_kpa_h
    stood_s = t - s.try_kpa_t
    if s.kpa_try == 1.0 and not math.isnan(s.before_start_kpa):
        alive = s.try_kpa_moved > 0.0 or gained_h > 0.0
        sure = s.try_kpa_n >= TRY_N_PSI and stood_s >= HOLD_S and alive
    else:
        # Where it rests is not known, or too near to tell: the meter must show that the machine still turns.
        sure = s.try_kpa_n >= TRY_N_BAR and gained_h >= STEPPED * s.step_h
        if s.meter_belief < 0.5 or (gained_h <= 0.0 and stood_s > NOT_STEPPED * S_PER_H * s.step_h + HOLD_S):
            s.kpa_try = 0.0
            return
    if sure or temp_swapped:
        _believe(s)


@kernel
def _usual_kpa(s: Record, c: Record) -> float:
    return float(c.max_kpa if math.isnan(s.usual_kpa) else s.usual_kpa)


@kernel
def _works(s: Record, c: Record, raw: float, unit: float) -> bool:
    """Whether a figure would be a working pressure of this unit in another unit of measure."""
    ratio = raw * _scale(unit) / _usual_kpa(s, c)
    return bool(WORKING_LOW <= ratio <= WORKING_HIGH)


@kernel
def _watch_start(s: Record, c: Record, t: float, raw: float) -> bool:
    """Look for a start after which the pressure works as ever, in psi or bar; whether to wait for more.

    From its second reading on the pressure is meanwhile taken as psi, unless there may be ice; a fill in kPa
    leaves the band in seconds.
    """
    standing = 1.0 - s.running
    rise = standing * (raw - s.rest_raw) * min((t - s.t) / REST_S, 1.0)
    s.rest_raw = raw if math.isnan(rise) else min(raw, s.rest_raw + rise)
    unit = s.plateau_unit
    if unit == 0.0:
        # One reading in the band is what a slow fill in kPa shows on its way up.
        _begin_watch(s, c, t, raw)
        return False
    if not _works(s, c, raw, unit):
        _end_watch(s, c, t, raw)
        return False
    s.plateau_top = max(s.plateau_top, raw)
    s.plateau_low = min(s.plateau_low, raw)
    if _is_told(s, c, t):
        s.kpa_try = unit
        _believe(s)
        return False
    return bool(_may_be_psi(s) and t - s.plateau_t <= WAIT_S)


@kernel
def _may_be_psi(s: Record) -> bool:
    return bool(s.plateau_unit == 1.0 and (s.temp_f > 0.0 or s.ambient_c > NO_ICE_C))


@kernel
def _begin_watch(s: Record, c: Record, t: float, raw: float) -> None:
    for unit in (1.0, 2.0):
        rest = REST_RATIO * c.max_kpa / _scale(unit)
        rested = s.rest_raw <= rest and not s.took_kpa > WORKING_LOW * c.max_kpa / _scale(unit)
        if rested and s.kpa_try == 0.0 and _works(s, c, raw, unit):
            s.plateau_unit = unit
            s.plateau_t = t
            s.plateau_top = raw
            s.plateau_low = raw
            return


@kernel
def _prompt(s: Record) -> bool:
    return bool(s.running > 0.0 and abs(s.plateau_t - s.start_t) <= PROMPT_S)


@kernel
def _end_watch(s: Record, c: Record, t: float, raw: float) -> None:
    """The pressure has left what would be working: down speaks for the other unit, up against it."""
    unit = s.plateau_unit
    if raw * _scale(unit) > WORKING_HIGH * _usual_kpa(s, c):
        s.plateau_runs = 0.0
    elif _prompt(s) and s.confirmed >= 1.0 and t - s.plateau_t >= SOON_S:
        s.plateau_runs += 1.0
    s.plateau_unit = 0.0


@kernel
def _is_told(s: Record, c: Record, t: float) -> bool:
    """Whether this start tells the unit of measure: with °F beside it, by its top, or as one of several."""
    stood_s = t - s.plateau_t
    if stood_s < SOON_S or not _prompt(s):
        return False
    if s.temp_f > 0.0 and s.plateau_unit == 1.0:
        return True
    if s.confirmed < 1.0 or s.plateau_top == s.plateau_low:
        return False
    if s.plateau_unit == 2.0 and s.plateau_top < LEAST_BAR:
        # So few kilopascals are where a sensor rests, iced or not.
        return False
    if s.plateau_runs >= RUNS_N:
        return True
    top_ratio = s.plateau_top * _scale(s.plateau_unit) / _usual_kpa(s, c)
    no_ice = s.ambient_c > NO_ICE_C or s.plateau_runs >= 1.0
    return bool(stood_s >= ALONE_S and TOP_LOW <= top_ratio <= TOP_HIGH and no_ice)
