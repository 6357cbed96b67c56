"""What a standing unit's own temperature tells of the air: the cooling curve, and the soaked sensor.

A unit that has stood for hours reads ambient at its discharge sensor, but for what it lags behind the day.
Sooner than that the cooling curve tells: a body that cools as dT/dt = -(T - Ta)/tau stands tau * -dT/dt above
the air. Compiled.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import S_PER_H
from models import air_filter
from models.air_filter import AIR, COOLING
from models.ambient import SENSOR_VAR_K2, tell
from models.compiled import kernel
from models.day_shape import day_shape, soaked_lag
from models.state import N_SOAK, SOAK_BIN_S, Record

SOAKED_VAR_K2 = 1.3
"""Between the air that a parked unit stands in and what its sump has become, however long one watches."""
SLOWEST_COOLING = 2.0
"""A boxed-in unit may cool this much more slowly than the time constant says. [-]"""
LAG_K = 2.0
"""Beside what the daily swing explains."""
SLOPE_NOISE_K_H, SLOPE_NOISE_OF_ONE_K_H = 0.5, 1.3
"""Of the slope between ten-minute means, at least and with one reading in each."""
CLEAR_OF_NOISE = 6.0
FAR_OFF = 16.0
UNSEEN_RUN = 9.0
"""A unit met so much warmer than it should be, in variances, has run for minutes that its meter hides."""
GIVES_WAY_K2 = 4.0
"""What one observation that can't be believed adds to the air's variance: two kelvins (assumption)."""
HOTTEST_SOAKED_C = 58.0
"""Warmer than the hottest air on record, 56.7 degC (WMO climate archive, from memory), no soaked unit is
but for a kelvin of its sensor."""
WARM_C, OVERNIGHT_S = 45.0, 10.0 * S_PER_H
"""A unit this warm may be one that cools still; after a night it is as warm as its air (assumption)."""
LITTLE_KNOWN = 0.5
"""Of the variance where nothing is known: from here on the air has not been learnt yet. [-]"""
LEFT_OVER_VAR = 0.06
"""Variance of what a run has left, in parts of its square at the slowest cooling: a quarter. [-]"""
SHARED_HALF = 0.5
"""Of a soak's doubt that the next one shares: the place stays, the weather does not (assumption). [-]"""
MODEL_ERROR = 0.2
"""Part of what a unit stands above its air that one time constant does not explain. [-]"""
FLAT_SHARE = 0.25


@kernel
def _observe(
    s: Record, on_swing: float, on_cooling: float, off_k: float, noise_k2: float, lasting_k2: float
) -> None:
    gain = air_filter.observe(s, 1.0, on_swing, 0.0, on_cooling, off_k, noise_k2, lasting_k2 + SOAKED_VAR_K2)
    s.air_bias_k2 += gain * (SENSOR_VAR_K2 - s.air_bias_k2)
    tell(s)


@kernel
def after_silence(s: Record, c: Record, t: float, silent_s: float, ran: bool) -> None:
    """The first temperature after hours of silence: soaked, but for what the cooling curve leaves.

    A run that nobody saw (`ran`: the meter shows one) may have left it warmer, and nothing makes it colder.
    """
    if silent_s < (OVERNIGHT_S if s.temp_c > WARM_C else 2.0 * S_PER_H) or s.temp_c > HOTTEST_SOAKED_C:
        return
    left_k = 0.0
    doubt_k = 0.0
    if not math.isnan(s.stop_temp_c):
        over_k = max(s.stop_temp_c - s.ambient_c, 0.0)
        left_k = over_k * math.exp(-(t - s.stop_t) / s.cooling_s)
        doubt_k = over_k * math.exp(-(t - s.stop_t) / (SLOWEST_COOLING * s.cooling_s))
    lag = soaked_lag(s, c, t)
    lag_k = lag * s.swing_k
    # The lag grows about as the time constant does; what is left of the heat as it is long.
    on_cooling = left_k * (t - s.stop_t) / s.cooling_s - lag_k if left_k > 0.0 else -lag_k
    shared_k2 = MODEL_ERROR * MODEL_ERROR * lag_k * lag_k + LEFT_OVER_VAR * doubt_k * doubt_k
    off_k = s.temp_c - left_k + lag_k - s.ambient_c
    noise_k2 = 1.0 + shared_k2
    warmer = off_k > 0.0 and (ran or off_k * off_k > UNSEEN_RUN * (s.ambient_var + noise_k2))
    if warmer and (ran or s.ambient_var < LITTLE_KNOWN * air_filter.AT_FIRST[AIR]):
        s.air_p[AIR, AIR] += GIVES_WAY_K2
        return
    if warmer:
        # Nothing is known yet that it could contradict: a desert's air is more than three deviations from the
        # first guess. Taken as no surprise, so that the next soak can still correct it.
        noise_k2 = max(off_k * off_k / UNSEEN_RUN, noise_k2)
    _observe(s, -lag, on_cooling, off_k, noise_k2, SHARED_HALF * shared_k2)


@kernel
def cap(s: Record, c: Record) -> None:
    """No part of the unit stays colder than the air by more than it lags behind a warming day."""
    warmest_c = s.smooth_c + LAG_K + max(soaked_lag(s, c, s.ambient_t), 0.0) * s.swing_k
    if s.ambient_c > warmest_c:
        _observe(s, 0.0, 0.0, warmest_c - s.ambient_c, 0.25 * LAG_K * LAG_K, 0.25 * LAG_K * LAG_K)


@kernel
def restart_soak(s: Record, t: float) -> None:
    """Forget the cooling curve: the air end turns, or nobody watched it cool."""
    s.soak_count = 0
    s.soak_t = t
    s.soak_sum[0] = 0.0
    s.soak_n[0] = 0.0


@kernel
def resume_soak(s: Record, t: float) -> None:
    """Go on with the cooling curve after readings that told nothing new, unless it breaks off there."""
    known = s.soak_n[0] > 0.0
    if t - s.soak_t > 2.0 * SOAK_BIN_S or not known or abs(s.temp_c - s.soak_sum[0] / s.soak_n[0]) > 3.0:
        restart_soak(s, t)


@kernel
def watch_cooling(s: Record, c: Record, t: float) -> None:
    """Gather ten-minute means of a stopped unit and read the air's temperature off their slope."""
    if t - s.soak_t >= SOAK_BIN_S:
        if s.soak_n[0] > 0.0:
            for i in range(N_SOAK - 1, 0, -1):
                s.soak_sum[i] = s.soak_sum[i - 1]
                s.soak_n[i] = s.soak_n[i - 1]
            s.soak_count = min(s.soak_count + 1, N_SOAK)
            # Where nothing at all has changed for two of them, an old message may be coming over again.
            if s.soak_count >= 4 and t - s.changed_t < 2.0 * SOAK_BIN_S:
                _read_curve(s, c, t)
        s.soak_t = t
        s.soak_sum[0] = 0.0
        s.soak_n[0] = 0.0
    s.soak_sum[0] += s.temp_c
    s.soak_n[0] += 1.0


@kernel
def _read_curve(s: Record, c: Record, t: float) -> None:
    last = min(s.soak_count, N_SOAK - 1)
    slope_k_s = (s.soak_sum[1] / s.soak_n[1] - s.soak_sum[last] / s.soak_n[last]) / (SOAK_BIN_S * (last - 1))
    middle_c = 0.0
    for i in range(1, last + 1):
        middle_c += s.soak_sum[i] / s.soak_n[i] / last
    middle_t = t - 0.5 * SOAK_BIN_S * last
    stood_s = t - (s.first_t if math.isnan(s.stop_t) else s.stop_t)
    above_k = -slope_k_s * s.cooling_s
    # The first half hour also evens out oil and casing, which the single time constant can't tell from
    # cooling.
    settle = 1.0 + 3.0 * math.exp(-max(stood_s - 1800.0, 0.0) / 3600.0)
    model_k = MODEL_ERROR * above_k
    n_least = min(s.soak_n[1], s.soak_n[last])
    noise_k = max(SLOPE_NOISE_K_H, SLOPE_NOISE_OF_ONE_K_H / math.sqrt(n_least)) * s.cooling_s / S_PER_H
    # A heavy unit hardly cools in its first hour: a flat curve far above the last estimate is not yet the
    # air.
    soaked = math.exp(-max(stood_s - 7200.0, 0.0) / s.cooling_s)
    flat_k = FLAT_SHARE * soaked * max(middle_c - s.ambient_c, 0.0)
    shared_k2 = settle * (model_k * model_k + flat_k * flat_k)
    noise_k2 = 0.5 + noise_k * noise_k + shared_k2
    moved = day_shape(c, t) - day_shape(c, middle_t)
    off_k = middle_c - above_k + s.swing_k * moved - s.ambient_c
    on_cooling = above_k
    if abs(above_k) < CLEAR_OF_NOISE * noise_k:
        # A noisy slope would teach too short a time constant: what it may be wrong by is noise as well.
        on_cooling = 0.0
        noise_k2 += s.air_p[COOLING, COOLING] * above_k * above_k
    if off_k * off_k > FAR_OFF * (air_filter.expected_var(s, 1.0, -moved, 0.0, on_cooling) + noise_k2):
        # An old message over again, or another place: only if it lasts does the estimate give way.
        s.air_p[AIR, AIR] += GIVES_WAY_K2
        return
    _observe(s, -moved, on_cooling, off_k, noise_k2, shared_k2)
