"""Where the discharge temperature is heading: minutes left to the shutdown region, from slope and bend.

A failed fan heats a unit by ten kelvin a minute and leaves no time for a threshold. So the last minutes'
curve is carried on as an approach that slows down as it has begun to, once for slow and once for fast
changes, and a warning is given when even the doubtful side of that curve ends in the region. Only a unit
that is hotter than its own usual is asked. Compiled; called by the fold once a reading of a run.
"""

from __future__ import annotations

import math

import numpy as np

from ingest.reading import FloatArray
from models.compiled import kernel
from models.state import BIN_S, HEAT_CALM, HEAT_RISING, HEAT_UNREAL, N_BINS, Record

REGION_C = 110.0
"""Lowest setting of a high-temperature shutdown (published trade figures: 110 to 120 degC)."""
NEAR_K = 5.0
"""So close to the region nothing is left to wait for (published figures: alarm from 100 to 110 degC)."""
NEAR_S = 120.0
WATCH_ABOVE_K = 4.0
"""Above the unit's own usual hottest: more than load and weather change from run to run."""
WATCH_SPREADS = 3.0
"""The same in robust standard deviations, for a unit whose runs differ more than that."""
WATCH_UNKNOWN_C = 103.0
"""Where nothing is usual yet: just above the warning level of 100 degC (published trade figure)."""
SOUND_RISE_K = 58.0
"""Above the air at full load, where nothing is usual yet (published trade figures: 98 degC in air of 40)."""
WATCH_C = (90.0, 103.0)
"""The level from which it is watched lies in here: above the middle of the normal band, and where a unit that
is usually at the warning level of 100 degC (published trade figure) is watched just above it."""
CHECK_S = 30.0
HORIZON_MIN = 15.0
"""Further ahead the load changes anyway."""
URGENT_MIN = 4.0
SURE_CHECKS = 3.0
"""What leaves more time than that must be seen over the slow windows, in so many checks in a row: the oil
takes some minutes to show that after a step of load it levels off."""
FAST_S, SLOW_S = 90.0, 180.0
BOUND = 2.33
"""One-sided 99 % of a normal error: a hot day in a hot yard brings hundreds of checks."""
LEAST_ERROR_K = 0.1
"""Of a half minute's mean temperature: what quantisation leaves."""
FIRST_NOISE_K2 = 0.09
MOST_NOISE_K2 = 4.0
NOISE_READINGS = 60.0
"""The sensor's noise is a mean over so many readings."""
STEADIEST, STEEPEST = 0.98, 0.02
"""Least and most that a rise slows down from one window to the next."""
SENSOR_ERROR_K = 1.0
"""Of a sound discharge sensor (common practice)."""
TOLD_EVERY_S = 300.0
SETTLED_S = 900.0
LONG_S = 1200.0
WARMED_UP_S = 600.0
CALM_S = 900.0
CALM_K = 2.0
N_USUAL = 8
ENOUGH_RUNS = 3

COLUMNS = (
    "temp_c",
    "slope_k_min",
    "end_c",
    "to_region_min",
    "soonest_min",
    "latest_min",
    "usual_hot_c",
    "ambient_c",
    "region_c",
    "near_min",
    "run_min",
    "foreseen",
    "watch_c",
    "certainty",
)


@kernel
def expected_c(s: Record) -> float:
    """Discharge temperature up to which load and weather explain a sound unit's heat. [degC]

    In hotter air than usual it runs hotter by no more than the air is.
    """
    if math.isnan(s.usual_hot_c):
        return float(max(WATCH_UNKNOWN_C, s.ambient_c + SOUND_RISE_K + WATCH_ABOVE_K))
    level_c = s.usual_hot_c + max(s.ambient_c - s.usual_hot_air_c, 0.0)
    return float(level_c + max(WATCH_ABOVE_K, WATCH_SPREADS * s.usual_hot_spread_k))


@kernel
def watch_c(s: Record) -> float:
    """Discharge temperature from which a running unit is watched. [degC]"""
    return float(min(max(expected_c(s), WATCH_C[0]), WATCH_C[1]))


@kernel
def _line(s: Record, from_t: float, to_t: float, at_t: float) -> tuple[float, float, float]:
    """Straight line through the half-minute means in [from_t, to_t): value at `at_t`, slope and its error.

    NaN with fewer than two means. [degC, K/min, K/min]
    """
    n = sum_x = sum_y = sum_xx = sum_xy = sum_yy = readings = 0.0
    for i in range(N_BINS):
        # A mean of several readings tells of the middle of its half minute.
        mid_t = s.bin_t[i] + (0.5 * BIN_S if s.bin_n[i] > 1.0 else 0.0)
        if s.bin_n[i] > 0.0 and s.bin_t[i] >= s.start_t and from_t <= mid_t < to_t:
            x, y = (mid_t - at_t) / 60.0, s.bin_sum[i] / s.bin_n[i]
            n += 1.0
            readings += s.bin_n[i]
            sum_x += x
            sum_y += y
            sum_xx += x * x
            sum_xy += x * y
            sum_yy += y * y
    if n < 2.0:
        return math.nan, math.nan, math.nan
    spread = sum_xx - sum_x * sum_x / n
    slope = (sum_xy - sum_x * sum_y / n) / spread
    around = sum_yy - sum_y * sum_y / n - slope * slope * spread
    variance = max(around, 0.0) / (n - 2.0) if n > 2.0 else 0.0
    noise = max(s.heat_noise_k2 * n / readings, LEAST_ERROR_K * LEAST_ERROR_K)
    error = math.sqrt(max(variance, noise) / spread)
    return (sum_y - slope * sum_x) / n, slope, error


@kernel
def _minutes_to(short_k: float, slope: float, before: float, window_min: float) -> tuple[float, float]:
    """Minutes until the rise has made up `short_k`, infinite if it never does, and all that is left to rise.

    The slope falls by the same factor from one window to the next for ever. [min, K]
    """
    if not slope > 0.0:
        return math.inf, 0.0
    slowing = slope / before if before > slope else 1.0
    slowing = min(max(slowing, STEEPEST), STEADIEST)
    rate = -math.log(slowing) / window_min
    left_k = slope * math.sqrt(slowing) / rate
    if left_k <= short_k:
        return math.inf, left_k
    return -math.log(1.0 - max(short_k, 0.0) / left_k) / rate, left_k


@kernel
def _foresee(s: Record, t: float, window_s: float, f: FloatArray) -> bool:
    """Carry the curve of two windows on; True, and the features filled, if it surely ends in the region."""
    now_c, slope, error = _line(s, t - window_s, t + 1.0, t)
    _, before, before_error = _line(s, t - 2.0 * window_s, t - window_s, t)
    if not slope > 0.0 or math.isnan(before):
        return False
    window_min, short_k = window_s / 60.0, REGION_C - now_c
    best_min, left_k = _minutes_to(short_k, slope, before, window_min)
    latest_min, _ = _minutes_to(short_k, slope - BOUND * error, before + BOUND * before_error, window_min)
    if not latest_min <= HORIZON_MIN:
        return False
    soonest_min, _ = _minutes_to(short_k, slope + BOUND * error, before - BOUND * before_error, window_min)
    f[1] = slope
    f[2] = min(now_c + left_k, 200.0)
    f[3] = best_min
    f[4] = soonest_min
    f[5] = latest_min
    # How far the slope lies above the one that would just reach it, in standard errors.
    needed = slope * max(short_k, 0.0) / left_k
    f[13] = 0.5 * (1.0 + math.erf((slope - needed) / (error * math.sqrt(2.0))))
    return True


@kernel
def _tell(s: Record, t: float, kind: float, level_c: float, f: FloatArray, row: Record) -> None:
    row.kind = kind
    row.t = t
    row.run_start_t = s.start_t
    row.since_t = s.heat_since_t
    for i in range(f.shape[0]):
        row.features[i] = f[i]
    row.features[0] = s.smooth_c
    row.features[6] = s.usual_hot_c
    row.features[7] = s.ambient_c
    row.features[8] = REGION_C
    row.features[9] = s.heat_near_s / 60.0
    row.features[10] = (t - s.start_t) / 60.0
    row.features[12] = level_c


@kernel
def begin_run(s: Record) -> None:
    """A run has begun: nothing is known of its heat yet."""
    s.heat_top_c = math.nan
    s.heat_near_s = 0.0
    s.heat_warned = 0.0
    s.heat_check_t = math.nan
    s.heat_seen_n = 0.0
    s.heat_last_c = math.nan
    s.heat_step_k = math.nan
    if math.isnan(s.heat_noise_k2):
        s.heat_noise_k2 = FIRST_NOISE_K2
    if s.heat_on == 0.0:
        s.heat_since_t = math.nan


@kernel
def _learn_noise(s: Record) -> None:
    """The sensor's noise from how much each step differs from the one before: a steady rise has none."""
    step_k = s.temp_c - s.heat_last_c
    bend_k = step_k - s.heat_step_k
    if bend_k == bend_k:
        noise_k2 = min(bend_k * bend_k / 6.0, MOST_NOISE_K2)
        s.heat_noise_k2 += (noise_k2 - s.heat_noise_k2) / NOISE_READINGS
    s.heat_last_c = s.temp_c
    s.heat_step_k = step_k


@kernel
def watch_heat(s: Record, t: float, dt: float, row: Record) -> bool:
    """Look at the run's temperature; True when `row` tells of a rise, or of its end."""
    _learn_noise(s)
    if t - s.start_t >= SETTLED_S and not s.smooth_c <= s.heat_top_c:
        s.heat_top_c = s.smooth_c
    s.heat_near_s = s.heat_near_s + dt if s.smooth_c >= REGION_C - NEAR_K else 0.0
    if s.heat_on == 0.0 and s.smooth_c < WATCH_C[0]:
        return False
    level_c = watch_c(s)
    if s.smooth_c < level_c:
        return _calm_down(s, t, dt, level_c, row)
    s.heat_calm_s = 0.0
    if math.isnan(s.heat_since_t):
        s.heat_since_t = t
    if t - s.heat_check_t < CHECK_S:
        return False
    s.heat_check_t = t
    f = np.full(14, math.nan)
    urgent = _foresee(s, t, max(FAST_S, 2.0 * dt), f) and f[5] <= URGENT_MIN
    unusual = s.smooth_c >= expected_c(s)
    foreseen = urgent or (unusual and _foresee(s, t, max(SLOW_S, 3.0 * dt), f))
    s.heat_seen_n = s.heat_seen_n + 1.0 if foreseen else 0.0
    f[11] = 1.0 if urgent or s.heat_seen_n >= SURE_CHECKS else 0.0
    if f[11] == 0.0:
        if s.heat_near_s < NEAR_S or not (unusual or s.smooth_c >= REGION_C):
            return False
        over_k = s.smooth_c - (REGION_C - NEAR_K)
        f[13] = 0.5 * (1.0 + math.erf(over_k / (SENSOR_ERROR_K * math.sqrt(2.0))))
    s.heat_warned = 1.0
    if s.heat_on > 0.0 and t - s.heat_told_t < TOLD_EVERY_S:
        return False
    s.heat_on = 1.0
    s.heat_told_t = t
    _tell(s, t, HEAT_RISING, level_c, f, row)
    return True


@kernel
def _calm_down(s: Record, t: float, dt: float, level_c: float, row: Record) -> bool:
    """Count how long a warmed-up unit has run below the level; True when it is long enough."""
    if s.heat_on == 0.0:
        s.heat_since_t = math.nan
        return False
    if t - s.start_t < WARMED_UP_S or s.smooth_c >= level_c - CALM_K:
        return False
    s.heat_calm_s += dt
    if s.heat_calm_s < CALM_S:
        return False
    _tell(s, t, HEAT_CALM, level_c, np.full(14, math.nan), row)
    s.heat_on = 0.0
    s.heat_since_t = math.nan
    return True


@kernel
def undo_heat(s: Record, t: float, row: Record) -> bool:
    """Tell once that there was no heat in the runs before: their numbers were in degF. True when told."""
    if s.burnt_unreal == 0.0:
        return False
    s.burnt_unreal = s.heat_on = 0.0
    _tell(s, t, HEAT_UNREAL, math.nan, np.full(14, math.nan), row)
    s.heat_since_t = math.nan
    return True


@kernel
def end_run(s: Record, end_t: float) -> None:
    """Learn from a long run how hot the unit usually gets, and in what air.

    Unless it got into the region: then it was ill. A warning that did not come true is learnt from, or a unit
    that works close to the region by its build would be warned of in every run.
    """
    warned_rightly = s.heat_warned > 0.0 and s.heat_top_c >= REGION_C
    if end_t - s.start_t < LONG_S or warned_rightly or math.isnan(s.heat_top_c):
        return
    for i in range(N_USUAL - 1, 0, -1):
        s.hot_c[i] = s.hot_c[i - 1]
        s.hot_air_c[i] = s.hot_air_c[i - 1]
    s.hot_c[0] = s.heat_top_c
    s.hot_air_c[0] = s.ambient_c
    if not math.isnan(s.hot_c[ENOUGH_RUNS - 1]):
        s.usual_hot_c = np.nanmedian(s.hot_c)
        s.usual_hot_air_c = np.nanmedian(s.hot_air_c)
        s.usual_hot_spread_k = 1.4826 * np.nanmedian(np.abs(s.hot_c - s.usual_hot_c))
