"""Standard atmosphere: fixed point, range and gauge conversion."""

import doctest

import numpy as np
import pytest

import models.atmosphere
from models.atmosphere import standard_pressure_kpa, sump_abs_kpa


def test_docstring_examples_hold():
    tried = doctest.testmod(models.atmosphere)
    assert tried.attempted >= 2
    assert tried.failed == 0


def test_standard_pressure_at_sea_level_is_one_atmosphere():
    assert standard_pressure_kpa(0.0) == 101.325


def test_standard_pressure_falls_by_weight_of_the_air():
    """Hydrostatic balance, dp/dh = -g p / (R T), with the standard's own lapse of temperature."""
    altitude_m = np.array([0.0, 1500.0, 3000.0])
    slope = (standard_pressure_kpa(altitude_m + 1.0) - standard_pressure_kpa(altitude_m - 1.0)) / 2.0
    weight = 9.80665 * standard_pressure_kpa(altitude_m) / (287.05287 * (288.15 - 0.0065 * altitude_m))
    np.testing.assert_allclose(-slope, weight, rtol=1e-6)


@pytest.mark.parametrize("altitude_m", [-2001.0, 11001.0, np.nan, np.inf])
def test_standard_pressure_outside_its_range_is_nan(altitude_m):
    assert np.isnan(standard_pressure_kpa(altitude_m))


def test_sump_pressure_below_a_vacuum_is_nan():
    assert np.isnan(sump_abs_kpa(-101.4, 0.0))
    assert sump_abs_kpa(-20.0, 0.0) == pytest.approx(81.325)


def test_sump_pressure_of_an_unknown_reading_is_nan():
    assert np.isnan(sump_abs_kpa(np.nan, 0.0))
    assert np.isnan(sump_abs_kpa(500.0, np.nan))
