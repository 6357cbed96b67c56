"""Air delivered, from hydraulic flow and sump pressure: ends of each range and the order of the bounds."""

import doctest

import numpy as np
import pytest

import models.delivered_air
from models.delivered_air import (
    CONTROL_BAND_KPA,
    NAMEPLATE_GPM,
    delivered_fraction,
    delivered_fraction_high,
    delivered_fraction_low,
    free_air_cfm,
    inlet_fraction,
    rise_fraction,
    valve_fraction,
)

RATINGS = (1034.0, 380.0, CONTROL_BAND_KPA)
PRESSURE_KPA = np.linspace(-20.0, 1300.0, 2641)


def test_docstring_examples_hold():
    tried = doctest.testmod(models.delivered_air)
    assert tried.attempted >= 6
    assert tried.failed == 0


def test_free_air_follows_hydraulic_flow():
    assert free_air_cfm(80.0, NAMEPLATE_GPM, NAMEPLATE_GPM) == 80.0
    assert free_air_cfm(80.0, 9.0, 18.0) == 40.0
    assert free_air_cfm(80.0, 0.0, 18.0) == 0.0


@pytest.mark.parametrize(
    "flows", [(0.0, 18.0, 18.0), (80.0, -1.0, 18.0), (80.0, 18.0, 0.0), (80.0, np.nan, 18.0)]
)
def test_free_air_of_an_impossible_drive_is_nan(flows):
    assert np.isnan(free_air_cfm(*flows))


def test_rise_is_level_at_both_ends_and_never_far_from_a_straight_line():
    x = np.linspace(0.0, 1.0, 1001)
    step = rise_fraction(x, 0.0, 1.0)
    assert step[0] == 0.0
    assert step[-1] == 1.0
    assert np.abs(step - x).max() < 0.1
    assert np.abs(np.gradient(step, x)[[0, -1]]).max() < 0.01


def test_rise_without_width_is_nan():
    assert np.isnan(rise_fraction(1.0, 5.0, 5.0))
    assert np.isnan(rise_fraction(1.0, 5.0, 4.0))
    assert np.isnan(rise_fraction(np.nan, 0.0, 1.0))


def test_inlet_is_open_below_the_band_and_shut_above():
    assert inlet_fraction(900.0, 964.0, 1034.0) == 1.0
    assert inlet_fraction(964.0, 964.0, 1034.0) == 1.0
    assert inlet_fraction(1034.0, 964.0, 1034.0) == 0.0
    assert inlet_fraction(1200.0, 964.0, 1034.0) == 0.0


def test_nothing_leaves_while_the_sump_fills():
    assert valve_fraction(0.0, 380.0) == 0.0
    assert delivered_fraction(300.0, *RATINGS) == 0.0


def test_everything_leaves_in_the_working_range():
    working_kpa = np.linspace(380.0, 964.0, 50)
    np.testing.assert_array_equal(delivered_fraction(working_kpa, *RATINGS), 1.0)


def test_nothing_leaves_with_the_inlet_shut():
    assert delivered_fraction(1034.0 + CONTROL_BAND_KPA, *RATINGS) == 0.0


def test_bounds_lie_in_order_and_part_by_all_at_the_rated_pressure():
    low, mid, high = (
        relation(PRESSURE_KPA, *RATINGS)
        for relation in (delivered_fraction_low, delivered_fraction, delivered_fraction_high)
    )
    assert (low <= mid).all()
    assert (mid <= high).all()
    assert low.min() >= 0.0
    assert high.max() <= 1.0
    assert delivered_fraction_low(1034.0, *RATINGS) == 0.0
    assert delivered_fraction_high(1034.0, *RATINGS) == 1.0
    apart_kpa = PRESSURE_KPA[high > low]
    assert apart_kpa.min() > 1034.0 - CONTROL_BAND_KPA
    assert apart_kpa.max() < 1034.0 + CONTROL_BAND_KPA


@pytest.mark.parametrize("relation", [delivered_fraction_low, delivered_fraction, delivered_fraction_high])
def test_delivery_falls_with_pressure_above_the_valve_setting(relation):
    assert (np.diff(relation(PRESSURE_KPA[PRESSURE_KPA >= 380.0], *RATINGS)) <= 0.0).all()


def test_delivery_at_an_unknown_pressure_is_nan():
    assert np.isnan(delivered_fraction(np.nan, *RATINGS))
    assert np.isnan(delivered_fraction(700.0, 1034.0, np.nan, 70.0))
    assert np.isnan(delivered_fraction(700.0, 1034.0, 380.0, 0.0))
