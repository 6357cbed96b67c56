"""Limits, ranges and known traps of the humidity relations. Figures from outside are in tests/external/."""

import doctest

import numpy as np
import pytest

import models.humidity
from models.humidity import (
    dry_air_density_kg_m3,
    humidity_ratio,
    intake_dry_air_kg_h,
    intake_water_g_h,
    moist_air_volume_m3_kg,
    pressure_dew_point_c,
    saturated_humidity_ratio,
    vapour_density_g_m3,
    vapour_pressure_pa,
)
from models.saturation import (
    saturation_pressure_pa,
    saturation_temp_c,
)

SEA_LEVEL_PA = 101325.0
RATED_ABS_PA = 1034e3 + SEA_LEVEL_PA


def test_docstring_examples_hold():
    tried = doctest.testmod(models.humidity)
    assert tried.attempted >= 9
    assert tried.failed == 0


@pytest.mark.parametrize("rh_pct", [-0.1, 105.1, np.nan, np.inf])
def test_vapour_pressure_of_an_impossible_humidity_is_nan(rh_pct):
    assert np.isnan(vapour_pressure_pa(20.0, rh_pct, True))


def test_vapour_pressure_of_an_overshooting_sensor_is_that_of_saturation():
    assert vapour_pressure_pa(20.0, 102.0, True) == saturation_pressure_pa(20.0)


def test_vapour_pressure_of_dry_air_is_zero():
    assert vapour_pressure_pa(20.0, 0.0, True) == 0.0


def test_pressure_dew_point_without_compression_is_the_dew_point():
    vapour = vapour_pressure_pa(21.0, 60.0, True)
    # But for the enhancement factor at one atmosphere, which is the sump's part of the relation.
    dew_c = pressure_dew_point_c(vapour, SEA_LEVEL_PA, SEA_LEVEL_PA)
    assert dew_c == pytest.approx(saturation_temp_c(vapour), abs=0.1)


def test_pressure_dew_point_may_be_above_the_air_temperature():
    """The dew point of squeezed air is not held down to the dry bulb outside."""
    vapour = vapour_pressure_pa(21.0, 60.0, True)
    assert pressure_dew_point_c(vapour, SEA_LEVEL_PA, RATED_ABS_PA) > 50.0


@pytest.mark.parametrize(
    ("vapour_pa", "ambient_pa", "sump_pa"),
    [
        (0.0, SEA_LEVEL_PA, 1e6),
        (-1.0, SEA_LEVEL_PA, 1e6),
        (2e5, SEA_LEVEL_PA, 1e6),
        (1e3, SEA_LEVEL_PA, 0.0),
        (1e3, np.nan, 1e6),
        (np.nan, SEA_LEVEL_PA, 1e6),
        (1e3, SEA_LEVEL_PA, np.nan),
    ],
)
def test_pressure_dew_point_of_impossible_air_is_nan(vapour_pa, ambient_pa, sump_pa):
    assert np.isnan(pressure_dew_point_c(vapour_pa, ambient_pa, sump_pa))


def test_humidity_convention_in_frost_moves_the_dew_point():
    """One humidity, two meanings: at -15 °C and 80 % the sump's dew point differs by more than 2 K."""
    over_water, over_ice = (
        pressure_dew_point_c(vapour_pressure_pa(-15.0, 80.0, flag), SEA_LEVEL_PA, RATED_ABS_PA)
        for flag in (True, False)
    )
    assert 2.0 < over_water - over_ice < 2.5


def test_humidity_convention_makes_no_difference_above_freezing():
    assert vapour_pressure_pa(5.0, 80.0, True) == vapour_pressure_pa(5.0, 80.0, False)


def test_altitude_raises_the_dew_point_at_the_same_gauge_pressure():
    ambient_pa = np.array([101325.0, 84556.0, 74682.0])
    dew_c = pressure_dew_point_c(vapour_pressure_pa(21.0, 60.0, True), ambient_pa, ambient_pa + 1034e3)
    assert (np.diff(dew_c) > 2.0).all()


def test_altitude_leaves_water_intake_of_a_given_volume_alone_but_not_the_ratio():
    vapour = vapour_pressure_pa(21.0, 60.0, True)
    low, high = humidity_ratio(vapour, SEA_LEVEL_PA), humidity_ratio(vapour, 74682.0)
    assert high > 1.3 * low
    by_mass = [
        1000.0 * w * intake_dry_air_kg_h(80.0, 21.0, vapour, p) for w, p in ((low, 101325.0), (high, 74682.0))
    ]
    assert by_mass == pytest.approx([intake_water_g_h(80.0, 21.0, vapour)] * 2, rel=1e-12)


@pytest.mark.parametrize("vapour_pa", [SEA_LEVEL_PA, SEA_LEVEL_PA + 1.0, 1e7, np.inf])
def test_humidity_ratio_at_the_boil_is_infinite(vapour_pa):
    assert humidity_ratio(vapour_pa, SEA_LEVEL_PA) == np.inf


def test_saturated_humidity_ratio_of_a_hot_vented_sump_is_infinite():
    assert saturated_humidity_ratio(101.0, 101.325) == np.inf
    assert np.isfinite(saturated_humidity_ratio(101.0, 1135.325))


@pytest.mark.parametrize(
    ("vapour_pa", "total_pa"), [(-1.0, 1e5), (1.0, 0.0), (1.0, -1.0), (np.nan, 1e5), (1.0, np.nan)]
)
def test_humidity_ratio_of_impossible_air_is_nan(vapour_pa, total_pa):
    assert np.isnan(humidity_ratio(vapour_pa, total_pa))


def test_density_and_volume_are_inverse():
    assert dry_air_density_kg_m3(30.0, 3400.0, 1e5) * moist_air_volume_m3_kg(
        30.0, 3400.0, 1e5
    ) == pytest.approx(1.0)
    assert moist_air_volume_m3_kg(30.0, 1e5, 1e5) == np.inf


def test_densities_of_vapour_and_dry_air_stand_in_the_humidity_ratio():
    ratio = vapour_density_g_m3(30.0, 3400.0) / 1000.0 / dry_air_density_kg_m3(30.0, 3400.0, 1e5)
    assert ratio == pytest.approx(humidity_ratio(3400.0, 1e5), rel=1e-12)


@pytest.mark.parametrize(
    "value",
    [
        dry_air_density_kg_m3(20.0, 2e5, 1e5),
        dry_air_density_kg_m3(-200.0, 0.0, 1e5),
        vapour_density_g_m3(20.0, -1.0),
        vapour_density_g_m3(-300.0, 100.0),
        intake_water_g_h(-1.0, 20.0, 100.0),
        intake_dry_air_kg_h(-1.0, 20.0, 100.0, 1e5),
    ],
)
def test_impossible_air_and_flow_give_nan(value):
    assert np.isnan(value)


def test_no_flow_takes_in_nothing():
    assert intake_water_g_h(0.0, 20.0, 1000.0) == 0.0
    assert intake_dry_air_kg_h(0.0, 20.0, 1000.0, 1e5) == 0.0
