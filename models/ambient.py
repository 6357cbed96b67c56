"""The air around the truck, when no sensor reports its temperature.

A unit that has stood for hours reads ambient at its discharge sensor. Sooner than that the cooling curve
tells: a body that cools as dT/dt = -(T - Ta)/tau stands tau * -dT/dt above the air. Between two such moments
the estimate follows the daily swing, whose size is learnt site by site, and relative humidity, since the
air's water changes more slowly than its temperature (`models.air_filter`). A garage's air is what a unit
parked in it breathes until it leaves, which only humidity shows. The variance says how far all that can be
off. Compiled.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import S_PER_H
from models import air_filter
from models.air_filter import AIR, COOLING, SWING, VAPOUR
from models.compiled import kernel
from models.humidity import vapour_pressure_pa
from models.state import N_AIR, N_SOAK, SOAK_BIN_S, Record

STEP_S = 60.0
NIGHT_K2_PER_S, DAY_K2_PER_S = 0.5 / S_PER_H, 1.0 / S_PER_H
"""Weather beside the daily cycle: all day long, and more at noon, when sun and cloud take turns. Together 4 K
in a day, as between one day and the next in typical years of two stations."""
ENGINE_K2_PER_S = 2.0 / S_PER_H
"""The truck's engine warms the air round a running machine by a few kelvins, or not."""
VAPOUR_PER_S = 0.003 / S_PER_H
"""Of the logarithm: 5 % in an hour, 27 % in a day; typical years of two stations have 6 % and 23 to 41 %."""
DEW_PER_S = 0.012 / S_PER_H
"""In the hours after fog or dew, which comes back into the air by nobody knows how much: 11 % in an hour."""
NOON_HOUR = 12.0
FIRST_PEAK_HOUR, SECOND_PEAK_HOUR = 15.0, 1.1
SECOND_SHARE = 0.18
"""Two harmonics of a clear day, within 0.04 of the hourly fractions of the daily range that the ASHRAE
Handbook - Fundamentals tabulates in chapter 14 (from memory). Mornings warm faster than evenings cool."""
SENSOR_VAR_K2 = 1.0
"""Of a discharge sensor's error, which no number of readings takes away: 1 K."""
SOAKED_VAR_K2 = 1.3
"""Between the air that a parked unit stands in and what its sump has become, however long one watches."""
MEASURED_VAR_K2 = 0.25
"""The same of an ambient sensor."""
FIRST_VAR_K2 = 25.0
DEFAULT_RH_PCT = 60.0
RH_ERROR_PCT = 3.0
"""Of a capacitive sensor in the field (common practice)."""
UNKNOWN_RH_ERROR_PCT = 20.0
FOG_PCT = 96.0
"""From here on water falls out of the air, and humidity no longer tells its temperature."""
DEWY_S = 6.0 * S_PER_H
"""How long a night's dew takes to come back into the air."""
SUDDEN = 0.25
"""More of the humidity's logarithm in an hour (4 K) is a change of place, out of a garage or into one."""
COLDEST_C = -60.0
SLOWEST_COOLING = 2.0
"""A boxed-in unit may cool this much more slowly than the time constant says. [-]"""
LAG_K = 2.0
"""Beside what the daily swing explains."""
SLOPE_NOISE_K_H, SLOPE_NOISE_OF_ONE_K_H = 0.5, 1.3
"""Of the slope between ten-minute means, at least and with one reading in each."""
CLEAR_OF_NOISE = 6.0
FAR_OFF = 16.0
GIVES_WAY_K2 = 4.0
MODEL_ERROR = 0.2
"""Part of what a unit stands above its air that one time constant does not explain. [-]"""
FLAT_SHARE = 0.25
BOUNDS = 1.5
"""Standard deviations of the intake's vapour that the bounds of the ledger allow for."""


@kernel
def _cosine(c: Record, t: float, peak_hour: float, times_a_day: float) -> float:
    hour = ((t + c.solar_offset_s) / S_PER_H) % 24.0
    return math.cos(2.0 * math.pi * times_a_day * (hour - peak_hour) / 24.0)


@kernel
def _followed(c: Record, t: float, peak_hour: float, times_a_day: float, cooling_s: float) -> float:
    """What a first-order body makes of one harmonic: smaller by cos(phi), late by phi = atan(omega tau)."""
    omega = 2.0 * math.pi * times_a_day / (24.0 * S_PER_H)
    phase = math.atan(omega * cooling_s)
    return math.cos(phase) * _cosine(c, t - phase / omega, peak_hour, times_a_day)


@kernel
def day_shape(c: Record, t: float) -> float:
    """Air over the day, in parts of the swing: about 1 in the early afternoon and -1 before dawn. [-]"""
    return _cosine(c, t, FIRST_PEAK_HOUR, 1.0) + SECOND_SHARE * _cosine(c, t, SECOND_PEAK_HOUR, 2.0)


@kernel
def soaked_lag(s: Record, c: Record, t: float) -> float:
    """How far a body that only follows the day's swing stands below the air, in parts of the swing. [-]"""
    first = _followed(c, t, FIRST_PEAK_HOUR, 1.0, s.cooling_s)
    return day_shape(c, t) - first - SECOND_SHARE * _followed(c, t, SECOND_PEAK_HOUR, 2.0, s.cooling_s)


@kernel
def _tell(s: Record) -> None:
    """What others see: the temperature kept possible, and the variance with the sensor's own error."""
    s.ambient_c = max(s.ambient_c, COLDEST_C)
    s.ambient_var = s.air_p[AIR, AIR] + s.air_bias_k2


@kernel
def _observe(
    s: Record, on_swing: float, on_cooling: float, off_k: float, noise_k2: float, lasting_k2: float
) -> None:
    gain = air_filter.observe(s, 1.0, on_swing, 0.0, on_cooling, off_k, noise_k2, lasting_k2 + SOAKED_VAR_K2)
    s.air_bias_k2 += gain * (SENSOR_VAR_K2 - s.air_bias_k2)
    _tell(s)


@kernel
def drift(s: Record, c: Record, t: float) -> None:
    """Carry the estimate forward to `t`."""
    since_s = t - s.ambient_t
    # A silence of days has its nights too: on average a third of full daylight.
    sun = 0.32 if since_s > 6.0 * S_PER_H else max(_cosine(c, t, NOON_HOUR, 1.0), 0.0)
    wander_k2_s = NIGHT_K2_PER_S + DAY_K2_PER_S * sun + (ENGINE_K2_PER_S if s.running > 0.0 else 0.0)
    vapour_s = DEW_PER_S if t - s.fog_t < DEWY_S else VAPOUR_PER_S
    air_filter.carry(s, day_shape(c, t) - day_shape(c, s.ambient_t), wander_k2_s, vapour_s, since_s)
    if not math.isnan(s.rh_pct):
        before = s.rh_smooth
        part = 1.0 - math.exp(-since_s / 900.0)
        s.rh_smooth = s.rh_pct if math.isnan(before) else before + part * (s.rh_pct - before)
        _hear_humidity(s, c, since_s)
    _tell(s)
    s.ambient_t = t
    if s.ambient_c <= 1.0:
        s.cold_s = min(s.cold_s + since_s, 48.0 * S_PER_H)
        s.cold_low_c = s.ambient_c if math.isnan(s.cold_low_c) else min(s.cold_low_c, s.ambient_c)
    else:
        s.cold_s = max(s.cold_s - since_s * min(s.ambient_c - 1.0, 6.0), 0.0)
        if s.cold_s == 0.0:
            s.cold_low_c = math.nan


@kernel
def _hear_humidity(s: Record, c: Record, since_s: float) -> None:
    """Humidity less what the vapour kept in mind makes of the air's temperature."""
    rh_pct = max(s.rh_smooth, 3.0)
    over_water = c.rh_over_water > 0.0
    expected_ln = math.log(vapour_pressure_pa(s.ambient_c, rh_pct, over_water))
    warmer_ln = math.log(vapour_pressure_pa(s.ambient_c + 1.0, rh_pct, over_water))
    per_k = warmer_ln - expected_ln
    p = s.air_p
    if math.isnan(s.vapour_ln) or rh_pct >= FOG_PCT:
        error = RH_ERROR_PCT / rh_pct
        s.vapour_ln = expected_ln
        s.place_ln = math.log(rh_pct)
        for j in range(N_AIR):
            p[VAPOUR, j] = p[j, VAPOUR] = per_k * p[AIR, j]
        p[VAPOUR, VAPOUR] = per_k * per_k * p[AIR, AIR] + error * error
        if rh_pct >= FOG_PCT:
            s.fog_t = s.ambient_t
        return
    off = expected_ln - s.vapour_ln
    s.place_ln += (1.0 - math.exp(-since_s / S_PER_H)) * (math.log(rh_pct) - s.place_ln)
    moved = math.log(rh_pct) - s.place_ln
    # Smoothed over a quarter of an hour, minutes share their noise; steps of a percent are noise too.
    error = 1.0 / rh_pct
    noise = error * error * max(900.0 / max(since_s, 60.0), 1.0)
    if abs(moved) > SUDDEN:
        moved_k = moved / per_k
        p[AIR, AIR] = max(p[AIR, AIR], moved_k * moved_k)
    air_filter.observe(s, -per_k, 0.0, 1.0, 0.0, off, noise, 0.0)


@kernel
def first_guess(s: Record, c: Record, t: float) -> None:
    """Take the first temperature as a hint: a cool unit is near ambient, a warm one says little."""
    cool = s.temp_c < 35.0
    guess_k2 = FIRST_VAR_K2 if cool else air_filter.AT_FIRST[AIR]
    air_filter.begin(s, s.temp_c if cool else 15.0, guess_k2, c.swing_k, c.cooling_s)
    s.air_bias_k2 = SENSOR_VAR_K2
    s.ambient_t = t
    if cool:
        # Soaked, it follows the day's swing from behind; how large that is, is a guess as well.
        lag = soaked_lag(s, c, t)
        s.ambient_c += lag * s.swing_k
        s.air_p[AIR, SWING] = s.air_p[SWING, AIR] = lag * s.air_p[SWING, SWING]
        s.air_p[AIR, AIR] += lag * s.air_p[AIR, SWING]
    _tell(s)


@kernel
def hear_sensor(s: Record, ambient_c: float) -> None:
    """A measured ambient temperature outweighs what was inferred."""
    gain = air_filter.observe(s, 1.0, 0.0, 0.0, 0.0, ambient_c - s.ambient_c, MEASURED_VAR_K2, 0.0)
    s.air_bias_k2 += gain * (MEASURED_VAR_K2 - s.air_bias_k2)
    _tell(s)


@kernel
def after_silence(s: Record, c: Record, t: float, silent_s: float) -> None:
    """The first temperature after hours of silence: soaked, but for what the cooling curve leaves."""
    if silent_s < 2.0 * S_PER_H or s.temp_c > 45.0:
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
    shared_k2 = MODEL_ERROR * MODEL_ERROR * lag_k * lag_k + 0.06 * doubt_k * doubt_k
    off_k = s.temp_c - left_k + lag_k - s.ambient_c
    _observe(s, -lag, on_cooling, off_k, 1.0 + shared_k2, 0.5 * shared_k2)


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


@kernel
def take_vapour(s: Record, c: Record) -> None:
    """Vapour pressure of the intake air, and the bounds that `BOUNDS` standard deviations leave."""
    known = not math.isnan(s.rh_smooth)
    rh_pct = min(max(s.rh_smooth, 1.0), 100.0) if known else DEFAULT_RH_PCT
    rh_error_pct = RH_ERROR_PCT if known else UNKNOWN_RH_ERROR_PCT
    over_water = c.rh_over_water > 0.0
    s.vapour_pa = vapour_pressure_pa(s.ambient_c, rh_pct, over_water)
    warmer_ln = math.log(vapour_pressure_pa(s.ambient_c + 1.0, rh_pct, over_water) / s.vapour_pa)
    from_air = warmer_ln * math.sqrt(s.ambient_var)
    from_rh = rh_error_pct / max(rh_pct, 5.0)
    off = math.exp(BOUNDS * math.sqrt(from_air * from_air + from_rh * from_rh))
    s.vapour_low_pa = s.vapour_pa / off
    s.vapour_high_pa = s.vapour_pa * off
