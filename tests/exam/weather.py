"""Weather of the examination: fronts, clouds and air masses by the minute, from nothing but a seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .humid_air import dew_point_c, saturation_pa


@dataclass(frozen=True)
class Climate:
    """A place in one season. Temperatures in degC, spreads in K."""

    name: str
    tz: str
    mean_c: float
    synoptic_k: float
    daily_k: float
    depression_k: float
    """Mean gap between air temperature and dew point. [K]"""
    coldest_c: float
    warmest_c: float
    altitude_m: tuple[float, float]


CLIMATES = {
    "humid_coast": Climate("humid_coast", "America/Chicago", 27.0, 2.0, 4.0, 4.0, 15.0, 37.0, (0.0, 40.0)),
    "temperate": Climate("temperate", "Europe/Berlin", 11.0, 4.0, 4.5, 4.0, -3.0, 27.0, (50.0, 400.0)),
    "cold": Climate("cold", "America/Winnipeg", -9.0, 6.0, 3.5, 2.5, -27.0, 4.0, (200.0, 500.0)),
    "hot_dry": Climate("hot_dry", "America/Phoenix", 32.0, 3.0, 7.5, 27.0, 14.0, 46.0, (300.0, 700.0)),
    "altitude": Climate("altitude", "America/Denver", 9.0, 5.0, 7.0, 8.0, -9.0, 27.0, (1500.0, 2500.0)),
}


def drifting(rng: np.random.Generator, n: int, step_h: float, memory_h: float) -> np.ndarray:
    """Unit-variance noise with exponential memory, shape (n,)."""
    keep = np.exp(-step_h / memory_h)
    shocks = rng.standard_normal(n) * np.sqrt(1.0 - keep**2)
    out = np.empty(n)
    level = rng.standard_normal()
    for i in range(n):
        level = keep * level + shocks[i]
        out[i] = level
    return out


def make_weather(
    rng: np.random.Generator, climate: Climate, days: int, utc_offset_h: float
) -> tuple[np.ndarray, np.ndarray]:
    """Air temperature [degC] and vapour pressure [Pa] for every minute, each of shape (days * 1440,)."""
    hours = days * 24 + 2
    local_h = np.arange(hours) + utc_offset_h
    air_mass = drifting(rng, hours, 1.0, 60.0)
    for front_h in np.cumsum(rng.exponential(110.0, 2 + days // 3)):
        after = np.arange(hours) - front_h
        air_mass -= np.where(after > 0, rng.uniform(0.3, 1.6) * np.exp(-np.maximum(after, 0) / 40.0), 0.0)
    cloud = 1.0 / (1.0 + np.exp(-1.5 * drifting(rng, hours, 1.0, 18.0)))
    day_shape = np.sin((local_h - 9.0) * np.pi / 12.0) + 0.25 * np.sin((local_h - 4.0) * np.pi / 6.0)
    temp_c = climate.mean_c + climate.synoptic_k * air_mass + climate.daily_k * day_shape * (1.25 - cloud)
    temp_c = np.clip(temp_c, climate.coldest_c, climate.warmest_c)
    # dew point follows a slow air-mass gap under the daily mean, not the daily wave itself
    slow_c = np.convolve(np.pad(temp_c, 12, mode="edge"), np.full(25, 1 / 25.0), mode="valid")
    gap_k = climate.depression_k * np.exp(0.35 * drifting(rng, hours, 1.0, 30.0)) * (1.3 - 0.6 * cloud)
    minute = np.arange(days * 1440) / 60.0
    temp_min_c = np.interp(minute, np.arange(hours), temp_c)
    temp_min_c += 0.3 * drifting(rng, days * 1440, 1 / 60.0, 0.3)
    dew_c = np.minimum(np.interp(minute, np.arange(hours), slow_c - gap_k), temp_min_c)
    # air holds no more than ice allows, so frost keeps relative humidity over water below 100 %
    over_ice = saturation_pa(temp_min_c) * np.exp(0.00975 * np.minimum(temp_min_c, 0.0))
    return temp_min_c, np.minimum(saturation_pa(dew_c), over_ice)


def relative_humidity_pct(temp_c: np.ndarray, vapour_pa: np.ndarray) -> np.ndarray:
    """Relative humidity over water. [%]"""
    return np.clip(100.0 * vapour_pa / saturation_pa(temp_c), 0.0, 100.0)


__all__ = ["CLIMATES", "Climate", "dew_point_c", "drifting", "make_weather", "relative_humidity_pct"]
