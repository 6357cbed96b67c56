"""Limits, ranges and meeting points of the saturation curves. Figures from outside are in tests/external/."""

import doctest

import numpy as np
import pytest

import models.saturation
from models.saturation import (
    CRITICAL_POINT_C,
    TRIPLE_POINT_PA,
    saturation_pressure_over_water_pa,
    saturation_pressure_pa,
    saturation_temp_c,
)


def test_docstring_examples_hold():
    tried = doctest.testmod(models.saturation)
    assert tried.attempted >= 3
    assert tried.failed == 0


def test_saturation_pressure_meets_at_the_triple_point():
    below, at = saturation_pressure_pa(0.01 - 1e-9), saturation_pressure_pa(0.01)
    assert at == pytest.approx(TRIPLE_POINT_PA, rel=1e-6)
    assert below == pytest.approx(at, rel=1e-6)


@pytest.mark.parametrize("temp_c", [-150.1, CRITICAL_POINT_C + 0.1, np.nan, np.inf, -np.inf])
def test_saturation_pressure_outside_its_range_is_nan(temp_c):
    assert np.isnan(saturation_pressure_pa(temp_c))
    assert np.isnan(saturation_pressure_over_water_pa(temp_c))


def test_saturation_pressure_over_water_is_above_that_over_ice_in_frost_only():
    frost_c, warm_c = np.linspace(-80.0, -0.1, 200), np.linspace(0.01, 120.0, 200)
    assert (saturation_pressure_over_water_pa(frost_c) > saturation_pressure_pa(frost_c)).all()
    np.testing.assert_array_equal(saturation_pressure_over_water_pa(warm_c), saturation_pressure_pa(warm_c))


def test_saturation_pressure_over_water_branches_meet():
    below, at = saturation_pressure_over_water_pa(0.01 - 1e-9), saturation_pressure_over_water_pa(0.01)
    assert below == pytest.approx(at, rel=1e-5)


@pytest.mark.parametrize("pressure_pa", [0.0, -1.0, 22.1e6, np.nan, np.inf])
def test_saturation_temp_outside_its_range_is_nan(pressure_pa):
    assert np.isnan(saturation_temp_c(pressure_pa))
