"""Air temperatures that come in degF under a name that says degC, and back: told by leaps and impossible air.

Compiled; called by `models.senses`.
"""

from __future__ import annotations

import math

from ingest.quality import RANGES
from ingest.reading import FloatArray
from models.compiled import kernel
from models.senses_temp import FIT_K, GAP_S, STEADY_N, SURE_N, celsius
from models.state import Record

LOWEST_AIR_C, HIGHEST_AIR_C = RANGES["ambient_temp_c"]
AIR_LEAP_K = 10.0
"""More than air changes between two readings ten minutes apart at most."""
AIR_FIT_K_PER_S = 0.005
"""Air at its quickest, as where a front passes: 3 K in ten minutes (assumption)."""
AIR_TOO_HOT_C, AIR_HOT_C = 75.0, 45.0
"""No air on earth; hardly any air on earth (record 56.7 degC, WMO archive)."""


@kernel
def take(s: Record, t: float, v: FloatArray, flagged: bool, temp_swapped: bool) -> bool:
    """Take the ambient temperature `v[4]`, converted or out; whether it was converted."""
    raw = v[4]
    if math.isnan(raw):
        return False
    v[4] = math.nan
    if math.isinf(raw) or (flagged and LOWEST_AIR_C <= raw <= HIGHEST_AIR_C):
        return False
    in_f = s.air_f > 0.0
    dt = t - s.took_air_t
    here_k = abs(celsius(raw, in_f) - s.took_air_c)
    there_k = abs(celsius(raw, not in_f) - s.took_air_c)
    swapped = False
    if dt <= GAP_S:
        leapt = here_k > AIR_LEAP_K
        fits = there_k <= FIT_K + AIR_FIT_K_PER_S * dt
        if s.air_tries > 0.0:
            swapped = leapt
            s.air_tries = 0.0 if leapt or s.air_tries >= SURE_N else s.air_tries + 1.0
        else:
            steady = s.air_steady_n >= STEADY_N
            swapped = fits and there_k < here_k and ((leapt and steady) or temp_swapped)
            s.air_tries = 1.0 if swapped else 0.0
        s.air_steady_n = 0.0 if leapt else s.air_steady_n + 1.0
    hot = not in_f and (raw >= AIR_TOO_HOT_C or (raw >= AIR_HOT_C and s.temp_f > 0.0))
    s.air_hot_n = s.air_hot_n + 1.0 if hot and not here_k > AIR_LEAP_K else 0.0
    if s.air_hot_n > SURE_N and raw != s.took_air_c:
        swapped = True
        s.air_hot_n = 0.0
    if swapped:
        s.air_f = 1.0 - s.air_f
        in_f = not in_f
    value_c = celsius(raw, in_f)
    if not LOWEST_AIR_C <= value_c <= HIGHEST_AIR_C:
        return False
    s.took_air_c = value_c
    s.took_air_t = t
    if s.air_hot_n > 0.0 or s.air_tries > 0.0:
        return False
    v[4] = value_c
    return bool(in_f)
