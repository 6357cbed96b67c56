"""The air around the truck, when no sensor reports its temperature.

What a standing unit's own temperature tells is in `models.soak`. Between two such moments the estimate
follows the daily swing, whose size is learnt site by site, and relative humidity, since the
air's water changes more slowly than its temperature (`models.air_filter`). A garage's air is what a unit
parked in it breathes until it leaves, which only humidity shows. The variance says how far all that can be
off. Compiled.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import S_PER_H
from models import air_filter
from models.air_filter import AIR, SWING, VAPOUR
from models.compiled import kernel
from models.day_shape import cosine, day_shape, soaked_lag
from models.humidity import vapour_pressure_pa
from models.saturation import saturation_pressure_pa
from models.state import N_AIR, Record
from models.verdicts import RH, SOUND

STEP_S = 60.0
NIGHT_K2_PER_S, DAY_K2_PER_S = 0.5 / S_PER_H, 1.0 / S_PER_H
"""Weather beside the daily cycle: all day long, and more at noon, when sun and cloud take turns. Together 4 K
in a day, as between one day and the next in typical years of two stations."""
ENGINE_K, ENGINE_S = 3.0, 900.0
"""The truck's engine warms the air that a running machine breathes by a few kelvins, or not (assumption):
within about a quarter of an hour, and for as long after it has stopped."""
VAPOUR_PER_S = 0.003 / S_PER_H
"""Of the logarithm: 5 % in an hour, 27 % in a day; typical years of two stations have 6 % and 23 to 41 %."""
DEW_PER_S = 0.012 / S_PER_H
"""In the hours after fog or dew, which comes back into the air by nobody knows how much: 11 % in an hour."""
NOON_HOUR = 12.0
MEAN_SUN = 1.0 / math.pi
"""Of a sun that shines as the positive half of a cosine, on average over a day. [-]"""
LONG_S = 6.0 * S_PER_H
"""A silence that spans day and night, or part of both."""
LEAST_RH_PCT = 3.0
"""Drier air than this no capacitive sensor tells apart; its logarithm would run away."""
SENSOR_VAR_K2 = 1.0
"""Of a discharge sensor's error, which no number of readings takes away: 1 K."""
MEASURED_VAR_K2 = 0.25
"""The same of an ambient sensor."""
FIRST_VAR_K2 = 25.0
DEFAULT_RH_PCT, UNKNOWN_RH_ERROR_PCT = 60.0, 20.0
"""Where no humidity is known, and its standard deviation (assumption: temperate and coastal climates have 40
to 80 % on average). Deserts are drier: what is told there is too wet, and asks for more heat than needed."""
HIGHEST_DEW_POINT_C = 35.0
"""Of any air on record (WMO climate archive, from memory): no assumed humidity makes more vapour."""
RH_FRESH_S, RH_FADES_S = S_PER_H, 4.0 * S_PER_H
"""So long a humidity stands for the air of now; then what it told of the vapour loses weight against what is
assumed without any, for fronts and dew come within hours (assumption)."""
SMOOTHING_S = 900.0
"""Over which humidity is smoothed."""
RH_ERROR_PCT = 3.0
"""Of a capacitive sensor in the field (common practice)."""
RH_USUAL_S, RH_ERROR_LASTS_S = 12.0 * S_PER_H, 6.0 * S_PER_H
"""Over which the usual humidity is taken; how long a dry or a damp part of the day lasts."""
FOG_PCT = 96.0
"""From here on water falls out of the air, and humidity no longer tells its temperature."""
DEWY_S = 6.0 * S_PER_H
"""How long a night's dew takes to come back into the air."""
SUDDEN = 0.25
"""More of the humidity's logarithm in an hour (4 K) is a change of place, out of a garage or into one."""
COLDEST_C, HOTTEST_C = -60.0, 80.0
"""No truck stands in colder air, nor in hotter beside its engine, whatever its sensors say (assumption)."""
BOUNDS = 1.5
"""Standard deviations of the intake's vapour that the bounds of the ledger allow for."""


@kernel
def tell(s: Record) -> None:
    """What others see: the temperature kept possible, and the variance with what does not wander: the
    sensor's own error, and what the engine adds to the air near it."""
    s.ambient_c = min(max(s.ambient_c, COLDEST_C), HOTTEST_C)
    near_k = ENGINE_K * s.near_part
    s.ambient_var = s.air_p[AIR, AIR] + s.air_bias_k2 + near_k * near_k


@kernel
def drift(s: Record, c: Record, t: float) -> None:
    """Carry the estimate forward to `t`."""
    since_s = t - s.ambient_t
    # A silence of days has its nights too: on average a third of full daylight.
    sun = MEAN_SUN if since_s > LONG_S else max(cosine(c, t, NOON_HOUR, 1.0), 0.0)
    wander_k2_s = NIGHT_K2_PER_S + DAY_K2_PER_S * sun
    s.near_part += (1.0 - math.exp(-since_s / ENGINE_S)) * ((s.running > 0.0) - s.near_part)
    vapour_s = DEW_PER_S if t - s.fog_t < DEWY_S else VAPOUR_PER_S
    air_filter.carry(s, day_shape(c, t) - day_shape(c, s.ambient_t), wander_k2_s, vapour_s, since_s)
    if rh_stands(s, t):
        _smooth_humidity(s, t)
        _hear_humidity(s, c, t - s.rh_told_t)
        s.rh_told_t = t
    elif s.sensor_fault[RH] != SOUND:
        # What a sensor that is not sound has told of the vapour is worth nothing.
        s.vapour_ln = s.rh_smooth = s.rh_vapour_ln = math.nan
    tell(s)
    s.ambient_t = t
    if s.ambient_c <= 1.0:
        s.cold_s = min(s.cold_s + since_s, 48.0 * S_PER_H)
        s.cold_low_c = s.ambient_c if math.isnan(s.cold_low_c) else min(s.cold_low_c, s.ambient_c)
    else:
        s.cold_s = max(s.cold_s - since_s * min(s.ambient_c - 1.0, 6.0), 0.0)
        if s.cold_s == 0.0:
            s.cold_low_c = math.nan


@kernel
def rh_stands(s: Record, t: float) -> bool:
    """Whether the newest humidity is one of now, from a sensor that is taken to be sound."""
    return bool(t - s.rh_t <= RH_FRESH_S and s.sensor_fault[RH] == SOUND)


@kernel
def _smooth_humidity(s: Record, t: float) -> None:
    if math.isnan(s.rh_smooth) or math.isnan(s.rh_told_t):
        s.rh_smooth, s.rh_told_t = s.rh_pct, s.ambient_t
        return
    s.rh_smooth += (1.0 - math.exp(-(t - s.rh_told_t) / SMOOTHING_S)) * (s.rh_pct - s.rh_smooth)


@kernel
def _hear_humidity(s: Record, c: Record, since_s: float) -> None:
    """Humidity less what the vapour kept in mind makes of the air's temperature."""
    rh_pct = max(s.rh_smooth, LEAST_RH_PCT)
    over_water = c.rh_over_water > 0.0
    expected_ln = math.log(vapour_pressure_pa(s.ambient_c, rh_pct, over_water))
    warmer_ln = math.log(vapour_pressure_pa(s.ambient_c + 1.0, rh_pct, over_water))
    per_k = warmer_ln - expected_ln
    p = s.air_p
    if math.isnan(s.vapour_ln) or rh_pct >= FOG_PCT:
        error = RH_ERROR_PCT / rh_pct
        s.vapour_ln = expected_ln
        s.place_ln = math.log(rh_pct)
        s.rh_part = 1.0 / rh_pct
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
    noise = error * error * max(SMOOTHING_S / max(since_s, STEP_S), 1.0)
    # A sensor that reads some percent too high does so by a larger part of dry air than of damp air: what the
    # vapour took in at the usual humidity is off by the difference, for as long as the air stays so.
    s.rh_part += (1.0 - math.exp(-since_s / RH_USUAL_S)) * (1.0 / rh_pct - s.rh_part)
    offset = RH_ERROR_PCT * (1.0 / rh_pct - s.rh_part)
    noise += offset * offset * max(RH_ERROR_LASTS_S / max(since_s, STEP_S), 1.0)
    offset_k = offset / per_k
    if abs(moved) > SUDDEN:
        moved_k = moved / per_k
        # A humidity that has leapt to nonsense tells of no place that differs by more than any two do.
        p[AIR, AIR] = max(p[AIR, AIR], min(moved_k * moved_k, air_filter.AT_FIRST[AIR]))
    air_filter.observe(s, -per_k, 0.0, 1.0, 0.0, off, noise, offset_k * offset_k)


@kernel
def first_guess(s: Record, c: Record, t: float) -> None:
    """Take the first temperature as a hint: a cool unit is near ambient, a warm one says little."""
    cool = s.temp_c < 35.0
    guess_k2 = FIRST_VAR_K2 if cool else air_filter.AT_FIRST[AIR]
    air_filter.begin(s, s.temp_c if cool else 15.0, guess_k2, c.swing_k, c.cooling_s)
    s.air_bias_k2 = SENSOR_VAR_K2
    s.near_part = 0.0
    s.ambient_t = t
    if cool:
        # Soaked, it follows the day's swing from behind; how large that is, is a guess as well.
        lag = soaked_lag(s, c, t)
        s.ambient_c += lag * s.swing_k
        s.air_p[AIR, SWING] = s.air_p[SWING, AIR] = lag * s.air_p[SWING, SWING]
        s.air_p[AIR, AIR] += lag * s.air_p[AIR, SWING]
    tell(s)


@kernel
def hear_sensor(s: Record, ambient_c: float) -> None:
    """A measured ambient temperature outweighs what was inferred."""
    gain = air_filter.observe(s, 1.0, 0.0, 0.0, 0.0, ambient_c - s.ambient_c, MEASURED_VAR_K2, 0.0)
    s.air_bias_k2 += gain * (MEASURED_VAR_K2 - s.air_bias_k2)
    # It stands in the air that the machine breathes.
    s.near_part = 0.0
    tell(s)


@kernel
def take_vapour(s: Record, c: Record) -> None:
    """Vapour pressure of the intake air, and the bounds that `BOUNDS` standard deviations leave.

    A humidity that has grown old is a mixture: of the vapour that it told, and of what is assumed without.
    """
    over_water = c.rh_over_water > 0.0
    t = s.ambient_t
    if rh_stands(s, t):
        if math.isnan(s.rh_smooth):
            s.rh_smooth = s.rh_pct
        rh_pct = min(max(s.rh_smooth, 1.0), 100.0)
        s.vapour_pa = vapour_pressure_pa(s.ambient_c, rh_pct, over_water)
        s.rh_vapour_ln = math.log(s.vapour_pa)
        off = math.exp(
            BOUNDS
            * math.sqrt(_vapour_var(s, over_water, rh_pct, s.vapour_pa, RH_ERROR_PCT / max(rh_pct, 5.0)))
        )
        s.vapour_high_pa = s.vapour_pa * off
    else:
        wettest_pa = saturation_pressure_pa(HIGHEST_DEW_POINT_C)
        assumed_pa = vapour_pressure_pa(s.ambient_c, DEFAULT_RH_PCT, over_water)
        var = _vapour_var(s, over_water, DEFAULT_RH_PCT, assumed_pa, UNKNOWN_RH_ERROR_PCT / DEFAULT_RH_PCT)
        assumed_ln = math.log(min(assumed_pa, wettest_pa))
        told_ln, weight = s.rh_vapour_ln, 0.0
        if not math.isnan(told_ln):
            old_s = max(t - s.rh_t - RH_FRESH_S, 0.0)
            weight = math.exp(-old_s / RH_FADES_S)
            apart = told_ln - assumed_ln
            told_var = s.air_p[VAPOUR, VAPOUR] + VAPOUR_PER_S * old_s
            var = weight * told_var + (1.0 - weight) * (var + weight * apart * apart)
            assumed_ln += weight * apart
        s.vapour_pa = math.exp(assumed_ln)
        off = math.exp(BOUNDS * math.sqrt(var))
        s.vapour_high_pa = min(s.vapour_pa * off, max(s.vapour_pa, wettest_pa))
    s.vapour_low_pa = s.vapour_pa / off


@kernel
def _vapour_var(s: Record, over_water: bool, rh_pct: float, vapour_pa: float, from_rh: float) -> float:
    """Of the logarithm of the vapour pressure that a humidity and the air's temperature make."""
    per_k = math.log(vapour_pressure_pa(s.ambient_c + 1.0, rh_pct, over_water) / vapour_pa)
    return float(per_k * per_k * s.ambient_var + from_rh * from_rh)
