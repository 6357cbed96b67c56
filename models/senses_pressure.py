"""Pressures that come in psi or bar under a name that says kPa, and bus codes that look like a pressure.

A swap shows when a charged sump seems to fall to just the converted figure and stays there while the machine
goes on running, or when a start ends on a plateau that is the unit's rating in another unit. Back again is
plain: no sump holds seven times its rating. At 4 kPa a bit the bus's "error" and "not available" read 1016
and 1020 kPa (SAE J1939 codes 0xFE and 0xFF, from memory): kept only where a running machine explains them.
Compiled; called by `models.senses`.
"""

from __future__ import annotations

import math

from ingest.quality import RANGES
from ingest.reading import FloatArray
from ingest.units_of_measure import KPA_PER_BAR, KPA_PER_PSI, S_PER_H
from models.compiled import kernel
from models.state import Record

PLAIN, IN_PSI, IN_BAR, CODE, TOO_HIGH = 0, 1, 2, 3, 4
"""What was found of a pressure."""

LOWEST_KPA, HIGHEST_KPA = RANGES["pressure_kpa"]
RELIEF_RATIO = 1.4
"""The relief valve opens near 200 psi on a unit rated 150 (common practice): no sump holds more than this."""
ERROR_KPA, NOT_AVAILABLE_KPA, CODE_KPA_STEP = 1016.0, 1020.0, 4.0
ROUNDED_KPA = 0.4
"""Half the last digit of senders that convert before they send, as at the door."""
NEAR_CODE_KPA = 150.0
RECENT_S = 120.0
FOURS_N = 20
"""Pressures in a row that are multiples of four: the bus's coarse scaling..."""
FOURS_TOP_KPA, NEVER_N = 1000.0, -10_000.0
"""...which ends here; a sensor that goes beyond has another."""
CHARGED_RATIO = 0.3
FIT_RATIO = 0.12
FALLEN_RATIO = 0.5
HOLD_S = 60.0
"""While a swap to psi is weighed nothing is taken for so long, to bar until the hour meter has told. [s]"""
REST_KPA = 4.0
"""A sensor's offset at rest can be ten kilopascals, which in bar would be a charged sump."""
TRY_S = 1800.0
TRY_N_PSI, TRY_N_BAR = 3.0, 5.0
BLED_RATIO = 0.85
"""A sump that blows down loses more than this within a minute; one that works does not. [-]"""
COOLED_K = 3.0
PLATEAU_LOW, PLATEAU_HIGH = 0.75, 1.1
RATED_LOW, RATED_HIGH = 0.93, 1.06
REST_RATIO, REST_S = 0.07, 7200.0
"""Where a sensor rests follows it down at once, and up so slowly that a start is over before it counts."""
PROMPT_S = 120.0
PLATEAU_S, PLATEAU_ALONE_S = 60.0, 600.0
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
        _compare(s, t, raw, v[2], temp_swapped)
    if s.kpa_unit == 0.0:
        _watch_plateau(s, c, t, raw)
    value_kpa = raw * _scale(s.kpa_unit)
    if s.kpa_try == 2.0 or (s.kpa_try == 1.0 and t - s.try_kpa_t <= HOLD_S):
        return PLAIN
    if not LOWEST_KPA <= value_kpa <= top_kpa:
        return PLAIN if value_kpa < LOWEST_KPA else TOO_HIGH
    if s.kpa_unit == 0.0:
        if _is_code(s, c, t, raw):
            return CODE
        if not _equals_code(raw):
            s.real_kpa = value_kpa
            s.real_kpa_t = t
    s.took_kpa = value_kpa
    s.took_kpa_t = t
    v[1] = value_kpa
    return int(s.kpa_unit)


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
def _compare(s: Record, t: float, raw: float, hours: float, temp_swapped: bool) -> None:
    """Look for a unit of measure in which a sump that seems to have fallen has not."""
    if raw * _scale(s.kpa_unit) > FALLEN_RATIO * s.took_kpa:
        return
    for unit in (1.0, 2.0):
        at_rest = unit == 2.0 and not abs(raw * _scale(s.kpa_unit) - s.before_start_kpa) > REST_KPA
        if at_rest or unit == s.kpa_unit:
            continue
        if abs(raw * _scale(unit) - s.took_kpa) <= FIT_RATIO * s.took_kpa:
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
def _believe(s: Record) -> None:
    s.kpa_unit = s.kpa_try
    s.kpa_try = 0.0
    s.plateau_unit = 0.0
    s.unload_belief = 0.0


@kernel
def _go_on_trying(s: Record, c: Record, t: float, raw: float, hours: float, temp_swapped: bool) -> None:
    """A charged sump that stays at the converted figure while the machine turns is a swap, else none."""
    value_kpa = raw * _scale(s.kpa_try)
    lost = raw < BLED_RATIO * s.try_kpa or value_kpa > RELIEF_RATIO * c.max_kpa
    if lost or t - s.try_kpa_t > TRY_S or s.running == 0.0 or s.smooth_c < s.try_kpa_c - COOLED_K:
        s.kpa_try = 0.0
        return
    s.try_kpa_n += 1.0
    if raw != s.try_kpa:
        s.try_kpa_moved = 1.0
    gained_h = hours - s.try_kpa_h
    stood_s = t - s.try_kpa_t
    if s.kpa_try == 1.0:
        alive = s.try_kpa_moved > 0.0 or gained_h > 0.0
        sure = s.try_kpa_n >= TRY_N_PSI and stood_s >= HOLD_S and alive
    else:
        sure = s.try_kpa_n >= TRY_N_BAR and gained_h >= 1.5 * s.step_h
        if s.meter_belief < 0.5 or (gained_h <= 0.0 and stood_s > 1.4 * S_PER_H * s.step_h + HOLD_S):
            s.kpa_try = 0.0
            return
    if sure or temp_swapped:
        _believe(s)


@kernel
def _watch_plateau(s: Record, c: Record, t: float, raw: float) -> None:
    """Look for a start that ends, at once and for long, on the unit's rating in psi or bar.

    Until that is sure the pressure is not trusted, so that the ledger reckons with any flow of air.
    """
    rise = (raw - s.rest_raw) * min((t - s.t) / REST_S, 1.0)
    s.rest_raw = raw if math.isnan(rise) else min(raw, s.rest_raw + rise)
    unit = _plateau(s, c, raw) if s.running > 0.0 and s.kpa_try == 0.0 else 0.0
    if unit == 0.0 or unit != s.plateau_unit or s.plateau_t < s.start_t - PROMPT_S:
        if s.plateau_unit > 0.0 and s.conflict_kind == 0.0:
            s.pressure_trusted = 1.0
        rested = s.rest_raw <= REST_RATIO * c.max_kpa / _scale(unit)
        s.plateau_unit = unit if rested else 0.0
        s.plateau_t = t
        s.plateau_top = raw
        s.plateau_low = raw
        return
    if s.plateau_t - s.start_t > PROMPT_S:
        return
    s.pressure_trusted = 0.0
    s.plateau_top = max(s.plateau_top, raw)
    s.plateau_low = min(s.plateau_low, raw)
    stood_s = t - s.plateau_t
    in_psi_too = s.temp_f > 0.0 and unit == 1.0 and stood_s >= PLATEAU_S
    if in_psi_too or (stood_s >= PLATEAU_ALONE_S and _plateau_tells(s, c, unit)):
        s.kpa_try = unit
        _believe(s)
        if s.conflict_kind == 0.0:
            s.pressure_trusted = 1.0


@kernel
def _plateau(s: Record, c: Record, raw: float) -> float:
    """In which unit of measure a pressure would be a working one; 0 for none."""
    for unit in (1.0, 2.0):
        rated = c.max_kpa / _scale(unit)
        if PLATEAU_LOW * rated <= raw <= PLATEAU_HIGH * rated:
            return unit
    return 0.0


@kernel
def _plateau_tells(s: Record, c: Record, unit: float) -> bool:
    """Whether the plateau speaks for itself: the very rating, alive, in a run, with no ice about."""
    top_ratio = s.plateau_top * _scale(unit) / c.max_kpa
    rated = RATED_LOW <= top_ratio <= RATED_HIGH
    return bool(rated and s.plateau_top > s.plateau_low and s.confirmed >= 1.0 and s.ambient_c > NO_ICE_C)


@kernel
def _equals_code(raw: float) -> bool:
    return abs(raw - ERROR_KPA) <= ROUNDED_KPA or abs(raw - NOT_AVAILABLE_KPA) <= ROUNDED_KPA


@kernel
def _is_code(s: Record, c: Record, t: float, raw: float) -> bool:
    """Whether a value is a bus code rather than a pressure; learns the sensor's scaling and liveliness."""
    code = _equals_code(raw)
    if raw == s.still_kpa:
        s.still_kpa_n += 1.0
    else:
        _learn_scaling(s, raw, code)
        s.still_kpa = raw
        s.still_kpa_t = t
        s.still_kpa_n = 1.0
    if not code:
        if raw > c.on_kpa and s.running > 0.0:
            s.still_kpa_most = max(s.still_kpa_most, s.still_kpa_n)
        return False
    if s.fours_n < 0.0 and _on_own_grid(s, raw):
        return False
    if s.fours_n >= FOURS_N or s.still_kpa_n > 3.0 * s.still_kpa_most + 5.0:
        return True
    dt = t - s.t
    reached = t - s.real_kpa_t <= RECENT_S + dt and abs(s.real_kpa - raw) <= NEAR_CODE_KPA
    turning = s.running > 0.0 and s.confirmed >= 1.0 and math.isnan(s.pending_t)
    return not (reached or turning)


@kernel
def _learn_scaling(s: Record, raw: float, code: bool) -> None:
    if code or raw <= 2.0 * CODE_KPA_STEP:
        return
    s.eights_n = s.eights_n + 1.0 if _is_multiple(raw, 8.0) else 0.0
    s.tens_n = s.tens_n + 1.0 if _is_multiple(raw, 10.0) else 0.0
    if raw > FOURS_TOP_KPA + ROUNDED_KPA:
        s.fours_n = NEVER_N
    else:
        s.fours_n = s.fours_n + 1.0 if _is_multiple(raw, CODE_KPA_STEP) or s.fours_n < 0.0 else 0.0


@kernel
def _is_multiple(raw: float, step: float) -> bool:
    return bool(abs(raw - step * math.floor(raw / step + 0.5)) <= ROUNDED_KPA)


@kernel
def _on_own_grid(s: Record, raw: float) -> bool:
    """Whether a sensor of coarse steps, which goes beyond the bus's 1000 kPa, shows such values of itself."""
    return bool(
        (s.eights_n >= FOURS_N and _is_multiple(raw, 8.0))
        or (s.tens_n >= FOURS_N and _is_multiple(raw, 10.0))
    )
