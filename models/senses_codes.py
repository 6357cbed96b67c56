"""Bus codes that look like a pressure, told from 147 psi by what the machine does and how still they stand.

At 4 kPa a bit the bus's "error" and "not available" read 1016 and 1020 kPa (SAE J1939 codes 0xFE and 0xFF,
from memory): kept only where a running machine explains them. Compiled; called by `models.senses_pressure`.
"""

from __future__ import annotations

import math

from models.compiled import kernel
from models.state import Record

ERROR_KPA, NOT_AVAILABLE_KPA, CODE_KPA_STEP = 1016.0, 1020.0, 4.0
ROUNDED_KPA = 0.4
"""Half the last digit of senders that convert before they send, as at the door."""
NEAR_CODE_KPA = 150.0
"""More than a sump at work moves within `RECENT_S`: control bands are 70 kPa wide (common practice)."""
STILL_RATIO, STILL_N = 3.0, 5.0
"""A code stands still for so many times more readings than this sensor ever did under pressure... [-, -]"""
STILL_LONG_RATIO, STILL_LONG_N, STILL_LONG_S = 2.0, 2.0, 300.0
"""...or for so many and so long: minutes apart each reading that is the same says more. [-, -, s]"""
STILL_NEW_S = 600.0
"""As long where nothing is known yet of how still this sensor stands under pressure. [s]"""
RECENT_S = 120.0
"""A pressure not older than this tells of now."""
FOURS_N = 12
"""Changes in a row to multiples of four: the bus's coarse scaling..."""
FOURS_TOP_KPA, NEVER_N = 1000.0, -10_000.0
"""...which ends here; a sensor that goes beyond has another."""
EIGHT_KPA, TEN_KPA = 8.0, 10.0
"""Coarse steps of other scalings, in which the same figures are pressures."""


@kernel
def equals_code(raw: float) -> bool:
    """Whether a pressure is what a code reads at 4 kPa a bit."""
    return abs(raw - ERROR_KPA) <= ROUNDED_KPA or abs(raw - NOT_AVAILABLE_KPA) <= ROUNDED_KPA


@kernel
def is_code(s: Record, c: Record, t: float, raw: float) -> bool:
    """Whether a value is a bus code rather than a pressure; learns the sensor's scaling and liveliness."""
    code = equals_code(raw)
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
    if s.fours_n >= FOURS_N or _too_still(s, t):
        return True
    reached = t - s.real_kpa_t <= max(RECENT_S, t - s.t) and abs(s.real_kpa - raw) <= NEAR_CODE_KPA
    turning = s.running > 0.0 and s.confirmed >= 1.0 and math.isnan(s.pending_t)
    return not (reached or turning)


@kernel
def _too_still(s: Record, t: float) -> bool:
    """Whether a value that may be a code has stood still for longer than this sensor's pressures do."""
    stood_s = t - s.still_kpa_t
    if s.still_kpa_most == 0.0:
        return bool(stood_s >= STILL_NEW_S and s.still_kpa_n > STILL_N)
    if s.still_kpa_n > STILL_RATIO * s.still_kpa_most + STILL_N:
        return True
    return bool(
        stood_s >= STILL_LONG_S and s.still_kpa_n > STILL_LONG_RATIO * s.still_kpa_most + STILL_LONG_N
    )


@kernel
def _learn_scaling(s: Record, raw: float, code: bool) -> None:
    if code or raw <= 2.0 * CODE_KPA_STEP:
        return
    s.eights_n = s.eights_n + 1.0 if _is_multiple(raw, EIGHT_KPA) else 0.0
    s.tens_n = s.tens_n + 1.0 if _is_multiple(raw, TEN_KPA) else 0.0
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
        (s.eights_n >= FOURS_N and _is_multiple(raw, EIGHT_KPA))
        or (s.tens_n >= FOURS_N and _is_multiple(raw, TEN_KPA))
    )
