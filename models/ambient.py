"""The air around the truck, when no sensor reports its temperature.

A unit that has stood for hours reads ambient at its discharge sensor. Sooner than that the cooling curve
tells: a body that cools as dT/dt = -(T - Ta)/tau stands tau * dT/dt above the air. Between two such moments
the estimate follows relative humidity (the air's water changes slowly, so humidity falls about 6.5 % for each
kelvin of warming) and part of the usual daily swing, for where humidity says too little; its variance grows
with age. Compiled.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import S_PER_H
from models.compiled import kernel
from models.humidity import vapour_pressure_pa
from models.state import N_SOAK, SOAK_BIN_S, Record

STEP_S = 60.0
WARMEST_HOUR = 15.0
"""Local solar time of the warmest hour (common knowledge of climate tables)."""
RH_PER_K = 0.065
"""Relative change of saturation pressure per kelvin, near 15 degC."""
GROWTH_K2_PER_S = 0.4 / S_PER_H
"""A day without news doubts the estimate by about 3 K."""
WIDEST_VAR_K2 = 49.0
MEASURED_VAR_K2 = 1.0
DEFAULT_RH_PCT = 60.0
COLDEST_C = -60.0
HUMID_SHARE = 0.75
DAY_SHARE = 0.4
"""Together a little more than the whole: each is blind to part of the day's swing (fog, changing air)."""
SLOWEST_COOLING = 2.0
"""A boxed-in unit may cool this much more slowly than the time constant says. [-]"""
LAG_K = 4.0
"""A morning that warms by 2.5 K an hour, over a time constant of an hour and a half."""


@kernel
def _shape(c: Record, t: float) -> float:
    hour = ((t + c.solar_offset_s) / S_PER_H) % 24.0
    return math.cos(2.0 * math.pi * (hour - WARMEST_HOUR) / 24.0)


@kernel
def soaked_lag_k(s: Record, c: Record, t: float) -> float:
    """How far a body that only follows the day's swing stands below the air at `t`, on average. [K]

    First-order response to a cosine: amplitude times cos(phi), late by phi = atan(omega tau).
    """
    phase = math.atan(2.0 * math.pi / (24.0 * S_PER_H) * s.cooling_s)
    late_t = t - phase * 24.0 * S_PER_H / (2.0 * math.pi)
    return c.swing_k * (_shape(c, t) - math.cos(phase) * _shape(c, late_t))


@kernel
def _observe(s: Record, ambient_c: float, var_k2: float) -> None:
    gain = s.ambient_var / (s.ambient_var + var_k2)
    s.ambient_c = max(s.ambient_c + gain * (ambient_c - s.ambient_c), COLDEST_C)
    s.ambient_var = max((1.0 - gain) * s.ambient_var, 0.25)


@kernel
def drift(s: Record, c: Record, t: float) -> None:
    """Carry the estimate forward to `t`."""
    since_s = t - s.ambient_t
    day_k = DAY_SHARE * c.swing_k * (_shape(c, t) - _shape(c, s.ambient_t))
    humid_k = 0.0
    if not math.isnan(s.rh_pct):
        before = s.rh_smooth
        part = 1.0 - math.exp(-since_s / 900.0)
        s.rh_smooth = s.rh_pct if math.isnan(before) else before + part * (s.rh_pct - before)
        if not math.isnan(before):
            humid_k = -HUMID_SHARE * math.log(max(s.rh_smooth, 5.0) / max(before, 5.0)) / RH_PER_K
    else:
        day_k /= DAY_SHARE
    s.ambient_c = max(s.ambient_c + day_k + humid_k, COLDEST_C)
    s.ambient_var = min(s.ambient_var + GROWTH_K2_PER_S * since_s, WIDEST_VAR_K2)
    s.ambient_t = t
    if s.ambient_c <= 1.0:
        s.cold_s = min(s.cold_s + since_s, 48.0 * S_PER_H)
        s.cold_low_c = s.ambient_c if math.isnan(s.cold_low_c) else min(s.cold_low_c, s.ambient_c)
    else:
        s.cold_s = max(s.cold_s - since_s * min(s.ambient_c - 1.0, 6.0), 0.0)
        if s.cold_s == 0.0:
            s.cold_low_c = math.nan


@kernel
def first_guess(s: Record, t: float) -> None:
    """Take the first temperature as a hint: a cool unit is near ambient, a warm one says little."""
    s.ambient_c = s.temp_c if s.temp_c < 35.0 else 15.0
    s.ambient_var = 25.0 if s.temp_c < 35.0 else WIDEST_VAR_K2
    s.ambient_t = t


@kernel
def hear_sensor(s: Record, ambient_c: float) -> None:
    """A measured ambient temperature outweighs what was inferred."""
    _observe(s, ambient_c, MEASURED_VAR_K2)


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
    _observe(s, s.temp_c - left_k + soaked_lag_k(s, c, t), 2.0 + 0.25 * doubt_k * doubt_k)


@kernel
def cap(s: Record) -> None:
    """No part of the unit stays colder than the air by more than it lags behind a warming day."""
    if s.ambient_c > s.smooth_c + LAG_K:
        s.ambient_c = s.smooth_c + LAG_K
        s.ambient_var = min(s.ambient_var, 9.0)


@kernel
def restart_soak(s: Record, t: float) -> None:
    """Forget the cooling curve: the air end turns, or nobody watched it cool."""
    s.soak_count = 0
    s.soak_t = t
    s.soak_sum[0] = 0.0
    s.soak_n[0] = 0.0
    s.mark1_c = math.nan
    s.mark2_c = math.nan


@kernel
def watch_cooling(s: Record, t: float) -> None:
    """Gather ten-minute means of a stopped unit and read the air's temperature off their slope."""
    if t - s.soak_t >= SOAK_BIN_S:
        if s.soak_n[0] > 0.0:
            for i in range(N_SOAK - 1, 0, -1):
                s.soak_sum[i] = s.soak_sum[i - 1]
                s.soak_n[i] = s.soak_n[i - 1]
            s.soak_count = min(s.soak_count + 1, N_SOAK)
            if s.soak_count >= 4:
                _read_curve(s, t)
        s.soak_t = t
        s.soak_sum[0] = 0.0
        s.soak_n[0] = 0.0
    s.soak_sum[0] += s.temp_c
    s.soak_n[0] += 1.0


@kernel
def _read_curve(s: Record, t: float) -> None:
    last = min(s.soak_count, N_SOAK - 1)
    newest_c = s.soak_sum[1] / s.soak_n[1]
    oldest_c = s.soak_sum[last] / s.soak_n[last]
    slope_k_s = (newest_c - oldest_c) / (SOAK_BIN_S * (last - 1))
    above_k = -slope_k_s * s.cooling_s
    stood_s = 0.0 if math.isnan(s.stop_t) else t - s.stop_t
    # The first half hour also evens out oil and casing, which the single time constant can't tell from
    # cooling.
    settle = 1.0 + 3.0 * math.exp(-max(stood_s - 1800.0, 0.0) / 3600.0)
    # A heavy unit hardly cools in its first hour: a flat curve far above the last estimate is not yet the
    # air.
    flat_k = 0.35 * max(newest_c - s.ambient_c, 0.0)
    _observe(s, newest_c - above_k, 4.0 + settle * (0.16 * above_k * above_k + flat_k * flat_k))
    _learn_cooling(s, stood_s, newest_c, above_k)


@kernel
def _learn_cooling(s: Record, stood_s: float, newest_c: float, above_k: float) -> None:
    if math.isnan(s.mark1_c) and stood_s >= 3600.0:
        s.mark1_c = newest_c
    if math.isnan(s.mark2_c) and stood_s >= 9000.0:
        s.mark2_c = newest_c
    if stood_s > 8.0 * S_PER_H and abs(above_k) < 2.0 and not math.isnan(s.mark2_c):
        over1_k = s.mark1_c - newest_c
        over2_k = s.mark2_c - newest_c
        if over1_k > 12.0 and over2_k > 3.0 and over1_k > over2_k:
            learnt_s = min(max(5400.0 / math.log(over1_k / over2_k), 1500.0), 15000.0)
            s.cooling_s += 0.3 * (learnt_s - s.cooling_s)
        s.mark1_c = math.nan


@kernel
def take_vapour(s: Record, c: Record) -> None:
    """Vapour pressure of the intake air, and the bounds that one standard deviation leaves."""
    rh_pct = DEFAULT_RH_PCT if math.isnan(s.rh_smooth) else min(max(s.rh_smooth, 1.0), 100.0)
    over_water = c.rh_over_water > 0.0
    error_k = math.sqrt(s.ambient_var)
    s.vapour_pa = vapour_pressure_pa(s.ambient_c, rh_pct, over_water)
    s.vapour_low_pa = vapour_pressure_pa(s.ambient_c - error_k, max(rh_pct - 4.0, 1.0), over_water)
    s.vapour_high_pa = vapour_pressure_pa(s.ambient_c + error_k, min(rh_pct + 4.0, 100.0), over_water)
