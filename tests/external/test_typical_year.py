"""Dew points over two years of hourly weather.

Source: NREL, "Users Manual for TMY3 Data Sets" (2008), stations 703165 (Alaska) and 723170 (North Carolina),
as shipped in the pvlib wheel (public domain data), read there at test time; nothing is copied. Humidity is
printed to 1 %, temperatures to 0.1 K. The files have traps of their own, each met below.
"""

from pathlib import Path

import numpy as np
import pvlib
import pytest

from models.humidity import pressure_dew_point_c, vapour_pressure_pa
from models.saturation import saturation_pressure_over_water_pa, saturation_pressure_pa, saturation_temp_c
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
    reference = psychrolib.GetTDewPointFromVapPres(150.0, vapour * sump_pa / ambient_pa)
    assert np.isfinite(ours).all()
    np.testing.assert_allclose(ours, reference, atol=0.05)


def test_a_warm_humid_site_needs_more_than_a_60_c_thermostat():
    """A third of the year has its sump dew point above 60 °C, and no hour above 77 °C."""
    temp_c, rh_pct, _, pressure_hpa = _year(CAROLINA)
    ambient_pa = 100.0 * pressure_hpa
    dew_c = pressure_dew_point_c(vapour_pressure_pa(temp_c, rh_pct, True), ambient_pa, ambient_pa + 1034e3)
    assert (dew_c > 60.0).mean() > 0.3
    assert dew_c.max() < 77.0
