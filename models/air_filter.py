"""Four unknowns of a parked truck's air, estimated together: temperature, daily swing, vapour, cooling.

An extended Kalman filter. The air's temperature follows half the daily swing times the shape of the day, and
wanders; the vapour pressure's logarithm only wanders; the logarithm of the time constant with which the unit
cools hardly changes. What is observed (a cooling curve, a soaked sensor, relative humidity) is close to a
straight line in the four: a soak at dawn and one at noon tell the swing, a cooling curve in known air the
time constant, and humidity the temperature once a soak has told the vapour. Compiled.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import S_PER_H
from models.compiled import kernel
from models.state import N_AIR, Record

SWING_K2_PER_S = 0.01 / S_PER_H
"""Clear and dull days differ: half a kelvin of swing in a day."""
COOLING_PER_S = 0.0002 / S_PER_H
"""Wind, doors open or shut: 7 % in a day. Variance of the logarithm."""
AT_FIRST = (81.0, 12.0, 1.0, 0.33)
"""Variances where nothing is known: of a climate and a season [K2], of the swing [K2], of logarithms."""
LEAST = (1e-4, 0.04, 1e-5, 0.03)
LEAST_SWING_K, MOST_SWING_K = 0.5, 16.0
FASTEST_S, SLOWEST_S = 900.0, 30000.0
AIR, SWING, VAPOUR, COOLING = 0, 1, 2, 3


@kernel
def begin(s: Record, ambient_c: float, var_k2: float, swing_k: float, cooling_s: float) -> None:
    """Forget all but a first guess of the air's temperature."""
    s.ambient_c = ambient_c
    s.swing_k = swing_k
    s.vapour_ln = math.nan
    s.cooling_s = cooling_s
    for i in range(N_AIR):
        for j in range(N_AIR):
            s.air_p[i, j] = AT_FIRST[i] if i == j else 0.0
    s.air_p[AIR, AIR] = var_k2


@kernel
def carry(s: Record, shape_change: float, wander_k2_s: float, vapour_s: float, dt_s: float) -> None:
    """Carry the estimate over `dt_s`, in which the daily cycle changes by `shape_change`.

    Air and the logarithm of its vapour wander by so much variance a second.
    """
    p = s.air_p
    s.ambient_c += s.swing_k * shape_change
    for j in range(N_AIR):
        p[AIR, j] += shape_change * p[SWING, j]
    for j in range(N_AIR):
        p[j, AIR] += shape_change * p[j, SWING]
    p[AIR, AIR] += wander_k2_s * dt_s
    p[SWING, SWING] += SWING_K2_PER_S * dt_s
    p[VAPOUR, VAPOUR] += vapour_s * dt_s
    p[COOLING, COOLING] += COOLING_PER_S * dt_s
    for i in range(N_AIR):
        if p[i, i] > AT_FIRST[i]:
            _scale(s, i, math.sqrt(AT_FIRST[i] / p[i, i]))


@kernel
def _scale(s: Record, i: int, factor: float) -> None:
    """Shrink or widen what is known of one unknown; correlations stay, so that it remains a covariance."""
    for j in range(N_AIR):
        s.air_p[i, j] *= factor
        s.air_p[j, i] *= factor


@kernel
def expected_var(s: Record, on_air: float, on_swing: float, on_vapour: float, on_cooling: float) -> float:
    """Variance of a line in the four before it is observed."""
    slopes = (on_air, on_swing, on_vapour, on_cooling)
    total = 0.0
    for i in range(N_AIR):
        for j in range(N_AIR):
            total += slopes[i] * slopes[j] * s.air_p[i, j]
    return total


@kernel
def observe(
    s: Record,
    on_air: float,
    on_swing: float,
    on_vapour: float,
    on_cooling: float,
    off: float,
    noise: float,
    lasting_k2: float,
) -> float:
    """Take in an observation of a line in the four; the gain on the air's temperature.

    Parameters
    ----------
    on_air, on_swing, on_vapour, on_cooling : float
        The line's slopes; the last two by the logarithms.
    off : float
        Observed less expected.
    noise : float
        Variance of the observation.
    lasting_k2 : float
        Part of the air's variance that more observations of the kind don't take away, because they share
        their error. [K2]
    """
    p = s.air_p
    total = expected_var(s, on_air, on_swing, on_vapour, on_cooling) + noise
    if not total > 0.0 or math.isnan(off):
        return 0.0
    g0 = on_air * p[0, 0] + on_swing * p[0, 1] + on_vapour * p[0, 2] + on_cooling * p[0, 3]
    g1 = on_air * p[1, 0] + on_swing * p[1, 1] + on_vapour * p[1, 2] + on_cooling * p[1, 3]
    g2 = on_air * p[2, 0] + on_swing * p[2, 1] + on_vapour * p[2, 2] + on_cooling * p[2, 3]
    g3 = on_air * p[3, 0] + on_swing * p[3, 1] + on_vapour * p[3, 2] + on_cooling * p[3, 3]
    gains = (g0 / total, g1 / total, g2 / total, g3 / total)
    least_k2 = min(p[AIR, AIR], lasting_k2)
    for i in range(N_AIR):
        for j in range(N_AIR):
            p[i, j] -= gains[i] * gains[j] * total
    for i in range(N_AIR):
        least = max(least_k2, LEAST[i]) if i == AIR else LEAST[i]
        if p[i, i] < least:
            # Only the variance grows: what is uncertain on its own leaves the covariances alone.
            p[i, i] = least
    s.ambient_c += gains[AIR] * off
    s.swing_k = min(max(s.swing_k + gains[SWING] * off, LEAST_SWING_K), MOST_SWING_K)
    s.vapour_ln += gains[VAPOUR] * off
    changed = min(max(gains[COOLING] * off, -0.5), 0.5)
    s.cooling_s = min(max(s.cooling_s * math.exp(changed), FASTEST_S), SLOWEST_S)
    return float(gains[AIR])
