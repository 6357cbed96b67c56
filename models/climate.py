"""Invented weather: hourly air temperature and vapour pressure with seasons, days and passing fronts.

Relative humidity is taken over water at every temperature, as capacitive sensors report it.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, replace

import numpy as np

from ingest.reading import FloatArray
from models.atmosphere import standard_pressure_kpa
from models.plant import Weather
from models.saturation import saturation_pressure_over_water_pa

HOUR_S = 3600.0
DAY_H = 24.0
YEAR_D = 365.25


@dataclass(frozen=True, kw_only=True)
class Climate:
    """A site's weather as a few figures; northern seasons."""

    name: str
    annual_mean_c: float
    annual_swing_k: float
    """Half the difference between the warmest and the coldest month."""
    daily_swing_k: float
    """Half the difference between afternoon and dawn."""
    front_k: float
    """Standard deviation of what passing fronts add."""
    front_days: float
    """How long a front's effect lasts."""
    rh_mean_frac: float
    """Daily mean relative humidity, over water."""
    rh_front_frac: float
    """Standard deviation of the daily mean."""

    def january_c(self) -> float:
        """Mean of the coldest month."""
        return self.annual_mean_c - self.annual_swing_k


PRESETS = {
    climate.name: climate
    for climate in (
        Climate(
            name="humid_warm",
            annual_mean_c=21.0,
            annual_swing_k=8.0,
            daily_swing_k=5.0,
            front_k=2.5,
            front_days=3.0,
            rh_mean_frac=0.76,
            rh_front_frac=0.09,
        ),
        Climate(
            name="temperate",
            annual_mean_c=11.0,
            annual_swing_k=10.0,
            daily_swing_k=5.0,
            front_k=3.5,
            front_days=3.0,
            rh_mean_frac=0.72,
            rh_front_frac=0.10,
        ),
        Climate(
            name="cold",
            annual_mean_c=1.0,
            annual_swing_k=17.0,
            daily_swing_k=4.5,
            front_k=5.5,
            front_days=4.0,
            rh_mean_frac=0.74,
            rh_front_frac=0.09,
        ),
        Climate(
            name="hot_dry",
            annual_mean_c=22.0,
            annual_swing_k=11.0,
            daily_swing_k=8.5,
            front_k=2.5,
            front_days=4.0,
            rh_mean_frac=0.32,
            rh_front_frac=0.10,
        ),
        Climate(
            name="marine",
            annual_mean_c=10.5,
            annual_swing_k=5.5,
            daily_swing_k=3.0,
            front_k=2.5,
            front_days=2.5,
            rh_mean_frac=0.83,
            rh_front_frac=0.07,
        ),
        Climate(
            name="mountain",
            annual_mean_c=4.0,
            annual_swing_k=11.0,
            daily_swing_k=8.0,
            front_k=4.0,
            front_days=3.0,
            rh_mean_frac=0.56,
            rh_front_frac=0.12,
        ),
        Climate(
            name="continental",
            annual_mean_c=8.0,
            annual_swing_k=15.0,
            daily_swing_k=6.0,
            front_k=5.0,
            front_days=3.5,
            rh_mean_frac=0.68,
            rh_front_frac=0.11,
        ),
    )
}


def varied(climate: Climate, rng: np.random.Generator) -> Climate:
    """A site of that kind, not the same as any other."""
    return replace(
        climate,
        annual_mean_c=climate.annual_mean_c + rng.normal(0.0, 2.5),
        annual_swing_k=climate.annual_swing_k * rng.uniform(0.8, 1.2),
        daily_swing_k=climate.daily_swing_k * rng.uniform(0.7, 1.4),
        front_k=climate.front_k * rng.uniform(0.7, 1.4),
        front_days=climate.front_days * rng.uniform(0.6, 1.6),
        rh_mean_frac=float(np.clip(climate.rh_mean_frac + rng.normal(0.0, 0.05), 0.15, 0.95)),
    )


def _wandering(rng: np.random.Generator, n: int, sd: float, memory_h: float) -> FloatArray:
    """First-order autoregressive noise, hourly."""
    keep = math.exp(-1.0 / memory_h)
    shocks = rng.normal(0.0, sd * math.sqrt(1.0 - keep * keep), n)
    shocks[0] = rng.normal(0.0, sd)
    out = np.empty(n)
    level = 0.0
    for i, shock in enumerate(shocks.tolist()):
        level = keep * level + shock
        out[i] = level
    return out


def weather(
    climate: Climate,
    *,
    start_at_ms: int,
    days: int,
    altitude_m: float,
    utc_offset_h: float,
    rng: np.random.Generator,
) -> Weather:
    """Hourly weather outside, `days` days and a little more.

    Clouds and humid air damp the daily swing; the dew point follows slowly, so relative humidity peaks
    before dawn.
    """
    n = int(days * DAY_H) + 3
    start = dt.datetime.fromtimestamp(start_at_ms / 1000.0, dt.UTC)
    hours = np.arange(n, dtype=np.float64)
    local_h = (start.hour + start.minute / 60.0 + utc_offset_h + hours) % DAY_H
    day_of_year = start.timetuple().tm_yday + hours / DAY_H
    # Coldest about 20 January, coldest hour about an hour before sunrise.
    season_c = climate.annual_mean_c - climate.annual_swing_k * np.cos(
        2 * np.pi * (day_of_year - 20.0) / YEAR_D
    )
    slow_c = season_c + _wandering(rng, n, climate.front_k, climate.front_days * DAY_H)
    rh_day_frac = climate.rh_mean_frac + _wandering(rng, n, climate.rh_front_frac, climate.front_days * DAY_H)
    rh_day_frac = np.clip(rh_day_frac, 0.08, 0.99)
    swing_k = climate.daily_swing_k * np.clip(1.6 - rh_day_frac, 0.4, 1.5)
    temp_c = slow_c + swing_k * np.cos(2 * np.pi * (local_h - 15.0) / DAY_H) + _wandering(rng, n, 0.5, 3.0)
    vapour_pa = rh_day_frac * saturation_pressure_over_water_pa(slow_c)
    vapour_pa = np.minimum(vapour_pa, 0.995 * saturation_pressure_over_water_pa(temp_c))
    return Weather(
        step_s=HOUR_S, temp_c=temp_c, vapour_pa=vapour_pa, atm_kpa=standard_pressure_kpa(altitude_m)
    )


def parked_in_garage(
    outside: Weather,
    *,
    start_at_ms: int,
    utc_offset_h: float,
    garage_c: float,
    out_from_h: float = 6.5,
    back_at_h: float = 17.5,
) -> Weather:
    """The air a truck meets that spends its nights and weekends in a garage kept at `garage_c` or warmer."""
    start = dt.datetime.fromtimestamp(start_at_ms / 1000.0, dt.UTC)
    hours = np.arange(len(outside.temp_c), dtype=np.float64) + start.hour + start.minute / 60.0 + utc_offset_h
    local_h = hours % DAY_H
    weekday = (start.weekday() + np.floor_divide(hours, DAY_H)) % 7
    away = (local_h >= out_from_h) & (local_h < back_at_h) & (weekday < 5)
    temp_c = np.where(away, outside.temp_c, np.maximum(outside.temp_c, garage_c))
    return replace(outside, temp_c=temp_c)


def in_the_sun(outside: Weather, *, start_at_ms: int, utc_offset_h: float, rise_k: float) -> Weather:
    """The air a truck meets that stands in the open: up to `rise_k` warmer about one in the afternoon."""
    start = dt.datetime.fromtimestamp(start_at_ms / 1000.0, dt.UTC)
    local_h = start.hour + start.minute / 60.0 + utc_offset_h + np.arange(len(outside.temp_c))
    sun_frac = np.maximum(0.0, np.cos(2 * np.pi * (local_h - 13.0) / DAY_H))
    return replace(outside, temp_c=outside.temp_c + rise_k * sun_frac)


def relative_humidity_pct(temp_c: FloatArray, vapour_pa: FloatArray) -> FloatArray:
    """Relative humidity over water. [%]"""
    return np.minimum(100.0 * vapour_pa / saturation_pressure_over_water_pa(temp_c), 100.0)
