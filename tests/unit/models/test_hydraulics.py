"""Power of the drive and of compression: limits and ranges."""

import doctest

import numpy as np
import pytest

import models.hydraulics
from models.hydraulics import (
    hydraulic_hp,
    hydraulic_power_kw,
    isentropic_power_kw,
    isothermal_power_kw,
    least_cooler_kw,
    least_reservoir_gal,
)


def test_docstring_examples_hold():
    tried = doctest.testmod(models.hydraulics)
    assert tried.attempted >= 6
    assert tried.failed == 0


def test_compression_by_nothing_takes_no_power():
    assert isentropic_power_kw(80.0, 101.325, 101.325) == 0.0
    assert isothermal_power_kw(80.0, 101.325, 101.325) == 0.0


def test_isothermal_power_is_below_isentropic_and_meets_it_at_small_ratios():
    ratio = np.array([1.0001, 1.5, 3.0, 11.2])
    isothermal = isothermal_power_kw(80.0, 101.325, 101.325 * ratio)
    isentropic = isentropic_power_kw(80.0, 101.325, 101.325 * ratio)
    assert (isothermal < isentropic).all()
    assert isothermal[0] == pytest.approx(isentropic[0], rel=1e-4)


@pytest.mark.parametrize(
    "power_kw",
    [
        hydraulic_power_kw(-1.0, 100.0),
        hydraulic_power_kw(18.0, np.nan),
        hydraulic_hp(18.0, -1.0),
        isentropic_power_kw(80.0, 101.0, 100.0),
        isentropic_power_kw(80.0, 0.0, 100.0),
        isothermal_power_kw(-1.0, 100.0, 200.0),
        least_reservoir_gal(-1.0),
        least_cooler_kw(np.nan),
    ],
)
def test_impossible_flow_and_pressure_give_nan(power_kw):
    assert np.isnan(power_kw)
