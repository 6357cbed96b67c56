"""Invented weather obeys the physics of air, and its presets differ the way their names say."""

from __future__ import annotations

import datetime as dt

import numpy as np
import psychrolib
import pytest

from models.atmosphere import standard_pressure_kpa
from models.climate import (
    PRESETS,
    in_the_sun,
    parked_in_garage,
    relative_humidity_pct,
    varied,
    weather,
)
from models.plant import Weather
from models.saturation import saturation_pressure_over_water_pa

JANUARY = int(dt.datetime(2024, 1, 1, tzinfo=dt.UTC).timestamp() * 1000)
MONDAY = dt.datetime(2024, 1, 1, tzinfo=dt.UTC)
assert MONDAY.weekday() == 0


def year_of(name: str, *, seed: int = 0) -> Weather:
    return weather(
        PRESETS[name],
        start_at_ms=JANUARY,
        days=365,
        altitude_m=0.0,
        utc_offset_h=0.0,
        rng=np.random.default_rng(seed),
    )


def test_vapour_over_water_agrees_with_psychrolib_above_freezing() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    for temp_c in (1.0, 10.0, 21.0, 30.0, 45.0):
        assert saturation_pressure_over_water_pa(np.array(temp_c)) == pytest.approx(
            psychrolib.GetSatVapPres(temp_c), rel=2e-3
        )


@pytest.mark.parametrize(("temp_c", "ratio"), [(-15.0, 1.158), (-5.0, 1.050), (0.0, 1.000)])
def test_vapour_over_water_exceeds_that_over_ice(temp_c: float, ratio: float) -> None:
    """Ratios of the published saturation curves over water and ice, to their last digit and 0.2 %."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    over_ice_pa = psychrolib.GetSatVapPres(temp_c)
    assert saturation_pressure_over_water_pa(np.array(temp_c)) / over_ice_pa == pytest.approx(ratio, rel=2e-3)


@pytest.mark.parametrize(
    ("altitude_m", "pa"), [(0, 101325.0), (500, 95460.8), (1500, 84556.0), (2500, 74682.5)]
)
def test_standard_atm_kpa(altitude_m: float, pa: float) -> None:
    """ISO 2533, at geopotential heights."""
    assert 1000.0 * standard_pressure_kpa(altitude_m) == pytest.approx(pa, rel=2e-4)


@pytest.mark.parametrize("name", PRESETS)
def test_weather_never_holds_more_vapour_than_air_can(name: str) -> None:
    air = year_of(name)
    assert len(air.temp_c) >= 365 * 24 + 2
    assert (air.vapour_pa > 0.0).all()
    assert (air.vapour_pa <= saturation_pressure_over_water_pa(air.temp_c)).all()
    assert np.abs(air.temp_c).max() < 60.0


def test_weather_presets_differ_as_named() -> None:
    years = {name: year_of(name) for name in PRESETS}
    mean_c = {name: float(year.temp_c.mean()) for name, year in years.items()}
    humidity = {
        name: float(relative_humidity_pct(year.temp_c, year.vapour_pa).mean()) for name, year in years.items()
    }
    assert min(mean_c, key=mean_c.__getitem__) == "cold"
    assert humidity["hot_dry"] == min(humidity.values())
    assert humidity["marine"] == max(humidity.values())
    assert np.percentile(years["cold"].temp_c, 1) < -20.0 < 0.0 < np.percentile(years["humid_warm"].temp_c, 1)


def test_weather_is_coldest_in_january_and_before_dawn() -> None:
    air = year_of("temperate")
    by_hour = air.temp_c[: 365 * 24].reshape(365, 24)
    assert by_hour[:31].mean() < by_hour[181:212].mean() - 10.0
    assert 1 <= int(by_hour.mean(axis=0).argmin()) <= 6
    assert 12 <= int(by_hour.mean(axis=0).argmax()) <= 18


def test_weather_repeats_from_its_seed_alone() -> None:
    assert np.array_equal(year_of("cold", seed=3).temp_c, year_of("cold", seed=3).temp_c)
    assert not np.array_equal(year_of("cold", seed=3).temp_c, year_of("cold", seed=4).temp_c)


def test_varied_stays_a_climate_of_its_kind() -> None:
    rng = np.random.default_rng(5)
    sites = [varied(PRESETS["cold"], rng) for _ in range(200)]
    means_c = [site.annual_mean_c for site in sites]
    assert np.mean(means_c) == pytest.approx(PRESETS["cold"].annual_mean_c, abs=1.0)
    assert np.std(means_c) > 1.0
    assert all(0.15 <= site.rh_mean_frac <= 0.95 for site in sites)


def test_parked_in_garage_only_out_of_working_hours() -> None:
    outside = Weather(step_s=3600.0, temp_c=np.full(7 * 24, -10.0), vapour_pa=np.full(7 * 24, 200.0))
    inside = parked_in_garage(outside, start_at_ms=JANUARY, utc_offset_h=0.0, garage_c=12.0)
    monday_c, saturday_c = inside.temp_c[:24], inside.temp_c[5 * 24 : 6 * 24]
    assert monday_c[3] == 12.0
    assert monday_c[10] == -10.0
    assert monday_c[20] == 12.0
    assert (saturday_c == 12.0).all()
    assert np.array_equal(inside.vapour_pa, outside.vapour_pa)


def test_in_the_sun_only_by_day_and_without_adding_vapour() -> None:
    shade = Weather(step_s=3600.0, temp_c=np.full(48, 5.0), vapour_pa=np.full(48, 500.0))
    sunny = in_the_sun(shade, start_at_ms=JANUARY, utc_offset_h=0.0, rise_k=4.0)
    assert sunny.temp_c[13] == 9.0
    assert (sunny.temp_c[[1, 4, 20, 23]] == 5.0).all()
    assert np.array_equal(sunny.vapour_pa, shade.vapour_pa)
