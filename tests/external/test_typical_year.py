"""Dew points over two years of hourly weather.

Source: NREL, "Users Manual for TMY3 Data Sets" (2008), stations 703165 (Alaska) and 723170 (North Carolina),
as shipped in the pvlib wheel (public domain data), read there at test time; nothing is copied. Humidity is
printed to 1 %, temperatures to 0.1 K. The files have traps of their own, each met below.
"""

from pathlib import Path

import numpy as np
import pvlib
import pytest

from ingest.profile import UnitProfile
from models import air_filter, ambient, soak
from models.day_shape import day_shape
from models.humidity import pressure_dew_point_c, vapour_pressure_pa
from models.parameters import Parameters
from models.saturation import (
    enhancement_factor,
    saturation_pressure_over_water_pa,
    saturation_pressure_pa,
    saturation_temp_c,
)
from models.state import constants, fresh_state
from tests.external.handbook import psychrolib

pytestmark = pytest.mark.external

ALASKA, CAROLINA = "703165TY.csv", "723170TYA.CSV"


def _year(name):
    path = Path(pvlib.__file__).parent / "data" / name
    table, _ = pvlib.iotools.read_tmy3(path, coerce_year=1990, map_variables=False)
    columns = ("Dry-bulb (C)", "RHum (%)", "Dew-point (C)", "Pressure (mbar)")
    return tuple(table[column].to_numpy(dtype=np.float64) for column in columns)


@pytest.mark.parametrize("name", [ALASKA, CAROLINA])
def test_dew_point_above_freezing(name):
    temp_c, rh_pct, published_c, _ = _year(name)
    mild = (temp_c >= 0.0) & (published_c >= 0.0)
    apart_k = np.abs(saturation_temp_c(vapour_pressure_pa(temp_c, rh_pct, True))[mild] - published_c[mild])
    assert mild.sum() > 5000
    # A percent of humidity is 0.2-0.3 K of dew point.
    assert np.median(apart_k) < 0.06
    assert np.percentile(apart_k, 99.0) < 0.3
    # Hours whose columns contradict one another, such as 7.5 °C, 93 % and a dew point of 0.2 °C.
    assert (apart_k > 0.5).sum() <= 40


@pytest.mark.parametrize(("name", "over_water"), [(ALASKA, False), (CAROLINA, True)])
def test_humidity_below_freezing_has_no_one_convention(name, over_water):
    """One station's humidity refers to ice, the other's to water: the trap that a setting must answer."""
    temp_c, rh_pct, dew_c, _ = _year(name)
    frost = temp_c < -1.0
    off_pct = {
        flag: np.mean(rh_pct[frost] - 100.0 * curve(dew_c[frost]) / curve(temp_c[frost]))
        for flag, curve in ((True, saturation_pressure_over_water_pa), (False, saturation_pressure_pa))
    }
    assert abs(off_pct[over_water]) < 0.6
    assert abs(off_pct[not over_water]) > 2.0


def test_pressure_dew_point_over_a_humid_year():
    """All hours of the warm station at 1034 kPa gauge, against the handbook's dew point from `psychrolib`."""
    temp_c, rh_pct, _, pressure_hpa = _year(CAROLINA)
    ambient_pa = 100.0 * pressure_hpa
    sump_pa = ambient_pa + 1034e3
    ours = pressure_dew_point_c(vapour_pressure_pa(temp_c, rh_pct, False), ambient_pa, sump_pa)
    vapour = psychrolib.GetSatVapPres(temp_c) * rh_pct / 100.0
    ideal_c = psychrolib.GetTDewPointFromVapPres(150.0, vapour * sump_pa / ambient_pa)
    # The handbook's formulas hold for an ideal gas.
    factor = enhancement_factor(ideal_c, saturation_pressure_pa(ideal_c), sump_pa)
    reference = psychrolib.GetTDewPointFromVapPres(150.0, vapour * sump_pa / ambient_pa / factor)
    assert np.isfinite(ours).all()
    np.testing.assert_allclose(ours, reference, atol=0.05)


def test_a_warm_humid_site_needs_more_than_a_60_c_thermostat():
    """A third of the year has its sump dew point above 60 °C, and no hour above 77 °C."""
    temp_c, rh_pct, _, pressure_hpa = _year(CAROLINA)
    ambient_pa = 100.0 * pressure_hpa
    dew_c = pressure_dew_point_c(vapour_pressure_pa(temp_c, rh_pct, True), ambient_pa, ambient_pa + 1034e3)
    assert (dew_c > 60.0).mean() > 0.3
    assert dew_c.max() < 77.0


def _carried_through_the_day(name, *, humid):
    """Error of the estimate and its own standard deviation, each half hour of a year's working days.

    The unit is soaked from 18 to 8 h, when its sensor reads the station's air; by day only humidity and the
    daily cycle go on.
    """
    temp_c, rh_pct, _, _ = _year(name)
    const = constants(UnitProfile(unit_id="unit"), Parameters())[0]
    s, hourly_s = fresh_state()[0], 3600.0 * np.arange(1, len(temp_c) + 1)
    at_s = np.arange(3600.0, 3600.0 * len(temp_c), 300.0)
    air_c, air_pct = np.interp(at_s, hourly_s, temp_c), np.interp(at_s, hourly_s, rh_pct)
    s["temp_c"], s["first_t"] = air_c[0], 0.0
    s["rh_pct"] = s["rh_smooth"] = air_pct[0] if humid else np.nan
    s["rh_t"] = np.inf if humid else np.nan
    ambient.first_guess(s, const, at_s[0])
    errors = []
    for at, true_c, true_pct in zip(at_s, air_c, air_pct, strict=True):
        s["rh_pct"] = true_pct if humid else np.nan
        ambient.drift(s, const, at)
        if not 8.0 <= at / 3600.0 % 24.0 < 18.0:
            air_filter.observe(s, 1.0, 0.0, 0.0, 0.0, true_c - s["ambient_c"], 1.0, soak.SOAKED_VAR_K2)
        elif at % 1800.0 == 0.0:
            errors.append((s["ambient_c"] - true_c, np.sqrt(s["ambient_var"])))
    off_k, sigma_k = np.array(errors).T
    return off_k, np.abs(off_k) / sigma_k


def test_the_air_carried_through_real_days_is_as_sure_as_it_says():
    """Two thirds within one standard deviation and nine in ten within two, where the weather is lively."""
    off_k, sigmas = _carried_through_the_day(CAROLINA, humid=True)
    assert 0.62 <= np.mean(sigmas <= 1.0) <= 0.80
    assert np.mean(sigmas <= 2.0) >= 0.88
    assert np.abs(np.mean(off_k)) < 0.6
    _, calm = _carried_through_the_day(ALASKA, humid=True)
    assert np.mean(calm <= 2.0) >= 0.9


def test_humidity_tells_more_of_real_days_than_the_daily_cycle_alone():
    with_humidity, _ = _carried_through_the_day(CAROLINA, humid=True)
    without, _ = _carried_through_the_day(CAROLINA, humid=False)
    assert np.std(with_humidity) < 0.85 * np.std(without)


def test_the_daily_cycle_is_that_of_a_real_year():
    """The station's mean day, against the two harmonics: what is left is less than a tenth of its swing."""
    temp_c, _, _, _ = _year(CAROLINA)
    days_c = temp_c.reshape(-1, 24)
    mean_k = np.mean(days_c - days_c.mean(axis=1, keepdims=True), axis=0)
    const = constants(UnitProfile(unit_id="unit"), Parameters())[0]
    shape = np.array([day_shape(const, 3600.0 * hour) for hour in range(1, 25)])
    swing_k = (mean_k @ shape) / (shape @ shape)
    assert np.std(mean_k - swing_k * shape) < 0.1 * swing_k
