"""Where a warm-up is heading: the approach to temperature, fitted while it happens.

A body heated by a steady load and cooled in proportion to its excess nears its end exponentially,
dT/dt = (T_end - T) / tau. Integrated once,

    T(t) - T0 = (T_end - T0) t / tau - 1 / tau * integral of (T - T0) dt,

which is linear in its unknowns: a least-squares fit in closed form, with no start value and no iteration. A
curve that has hardly bent yet can't tell tau, so a weak prior holds it near a quarter of an hour until the
curve speaks. Compiled.
"""

from __future__ import annotations

import math

from models.compiled import kernel
from models.state import N_BINS, Record

USUAL_TAU_MIN = 15.0
USUAL_RATE_PER_MIN = 1.0 / USUAL_TAU_MIN
"""Prior of 1/tau, and its standard deviation: thermal loops settle within minutes to an hour."""
NOISE_K = 0.5
"""Least scatter allowed for: sensor noise, quantisation and small changes of load."""
SHORTEST_TAU_MIN, LONGEST_TAU_MIN = 1.5, 120.0
FEWEST_BINS = 3
FURTHEST_K = 100.0
UNKNOWN = (math.nan, math.nan, math.nan, math.nan, math.nan)


@kernel
def approach(s: Record, from_t: float) -> tuple[float, float, float, float, float]:
    """Fit the exponential approach to the half-minute means since `from_t`.

    Returns
    -------
    tuple of float
        Rate at the newest mean [K/min], tau [min], what is left to the end [K], its standard deviation [K],
        scatter about the curve [K]; all NaN when there are fewer than three means.
    """
    n = 0
    first_t = math.inf
    first_c = 0.0
    last_t = -math.inf
    last_c = 0.0
    # Bins lie in a ring in order of time, the oldest after the head.
    sum_x = sum_z = sum_y = sum_xx = sum_xz = sum_zz = sum_xy = sum_zy = sum_yy = 0.0
    area = 0.0
    for i in range(N_BINS):
        k = (s.bin_head + 1 + i) % N_BINS
        if s.bin_n[k] == 0.0 or s.bin_t[k] < from_t:
            continue
        mean_c = s.bin_sum[k] / s.bin_n[k]
        if n == 0:
            first_t = s.bin_t[k]
            first_c = mean_c
        else:
            area += 0.5 * (mean_c + last_c - 2.0 * first_c) * (s.bin_t[k] - last_t) / 60.0
        last_t = s.bin_t[k]
        last_c = mean_c
        x = (last_t - first_t) / 60.0
        z = area
        y = mean_c - first_c
        n += 1
        sum_x += x
        sum_z += z
        sum_y += y
        sum_xx += x * x
        sum_xz += x * z
        sum_zz += z * z
        sum_xy += x * y
        sum_zy += z * y
        sum_yy += y * y
    if n < FEWEST_BINS or last_t <= first_t:
        return UNKNOWN
    xx = sum_xx - sum_x * sum_x / n
    xz = sum_xz - sum_x * sum_z / n
    zz = sum_zz - sum_z * sum_z / n
    xy = sum_xy - sum_x * sum_y / n
    zy = sum_zy - sum_z * sum_y / n
    yy = sum_yy - sum_y * sum_y / n
    weight = NOISE_K * NOISE_K / (USUAL_RATE_PER_MIN * USUAL_RATE_PER_MIN)
    zz += weight
    zy -= weight * USUAL_RATE_PER_MIN
    yy += weight * USUAL_RATE_PER_MIN * USUAL_RATE_PER_MIN
    det = xx * zz - xz * xz
    if det <= 0.0:
        return UNKNOWN
    slope = (xy * zz - zy * xz) / det
    bend = (zy * xx - xy * xz) / det
    scatter_k2 = max(yy - slope * xy - bend * zy, 0.0) / max(n - 2, 1)
    bend = min(max(bend, -1.0 / SHORTEST_TAU_MIN), -1.0 / LONGEST_TAU_MIN)
    rest = (sum_y - slope * sum_x - bend * sum_z) / n
    now_k = rest + slope * (last_t - first_t) / 60.0 + bend * area
    rate = slope + bend * now_k
    noise_k2 = max(scatter_k2, NOISE_K * NOISE_K)
    # left = -(slope + bend now) / bend = -slope / bend - now; its gradient in (slope, bend):
    by_slope = -1.0 / bend
    by_bend = slope / (bend * bend)
    var = noise_k2 * (by_slope * by_slope * zz - 2.0 * by_slope * by_bend * xz + by_bend * by_bend * xx) / det
    return (
        rate,
        -1.0 / bend,
        min(max(-rate / bend, -FURTHEST_K), FURTHEST_K),
        min(math.sqrt(max(var, 0.0)), FURTHEST_K),
        math.sqrt(scatter_k2),
    )
