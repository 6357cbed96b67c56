"""The physics keeps its laws everywhere: monotone, inverse, array equals scalar, silent on nonsense."""

import inspect
import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import models.atmosphere
import models.delivered_air
import models.humidity
import models.hydraulics
import models.saturation
from models.atmosphere import standard_pressure_kpa
from models.delivered_air import delivered_fraction_high, delivered_fraction_low
from models.humidity import (
    humidity_ratio,
    intake_dry_air_kg_h,
    intake_water_g_h,
    pressure_dew_point_c,
    saturated_humidity_ratio,
    vapour_pressure_pa,
)
from models.saturation import saturation_pressure_over_water_pa, saturation_pressure_pa, saturation_temp_c

RELATIONS = {
    f"{module.__name__}.{name}": relation
    for module in (
        models.saturation,
        models.humidity,
        models.atmosphere,
        models.delivered_air,
        models.hydraulics,
    )
    for name, relation in vars(module).items()
    if hasattr(relation, "compiled") and relation.__module__ == module.__name__ and not name.startswith("_")
}
HAS_A_FLOOR = "models.humidity.required_temp_c"
"""The one relation that answers without its first input: at least the floor is required."""
ANY = st.floats(allow_nan=True, allow_infinity=True)
PLAUSIBLE = st.floats(-200.0, 2000.0)
weather_c = st.floats(-50.0, 50.0)
humidity_pct = st.floats(0.1, 100.0)
altitude = st.floats(-400.0, 4500.0)
gauge_kpa = st.floats(0.0, 1400.0)

# The first call of a relation compiles it, which no deadline should judge.
patient = settings(deadline=None)


def _arguments(relation, values):
    names = inspect.signature(relation).parameters
    return [
        value > 0.0 if name == "over_water" else value for name, value in zip(names, values, strict=False)
    ]


def test_every_relation_is_found():
    assert len(RELATIONS) >= 25


@pytest.mark.parametrize("name", RELATIONS)
@patient
@given(values=st.lists(ANY | PLAUSIBLE, min_size=4, max_size=4))
def test_any_number_at_all_raises_and_warns_nothing(name, values):
    arguments = _arguments(RELATIONS[name], values)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        result = RELATIONS[name](*arguments)
    if any(math.isnan(value) for value in arguments) and name != HAS_A_FLOOR:
        assert math.isnan(result)


@pytest.mark.parametrize("name", RELATIONS)
@patient
@given(rows=st.lists(st.lists(ANY | PLAUSIBLE, min_size=4, max_size=4), min_size=1, max_size=20))
def test_arrays_give_what_scalars_give(name, rows):
    relation = RELATIONS[name]
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    together = relation(*_arguments(relation, columns))
    one_by_one = [relation(*_arguments(relation, row)) for row in rows]
    # The same code through vector instructions; the last bit of an exponential may differ.
    np.testing.assert_allclose(together, one_by_one, rtol=1e-14)


@patient
@given(temp_c=st.floats(-149.0, 373.9))
def test_saturation_temp_undoes_saturation_pressure(temp_c):
    assert saturation_temp_c(saturation_pressure_pa(temp_c)) == pytest.approx(temp_c, abs=1e-6)


@pytest.mark.parametrize(
    ("relation", "lowest_c"), [(saturation_pressure_pa, -150.0), (saturation_pressure_over_water_pa, -80.0)]
)
@patient
@given(data=st.data())
def test_saturation_pressure_rises(relation, lowest_c, data):
    cold_c = data.draw(st.floats(lowest_c, 373.0))
    warm_c = data.draw(st.floats(cold_c + 0.001, 373.9))
    assert relation(cold_c) < relation(warm_c)


@patient
@given(pressure_pa=st.floats(1e-9, 22e6), factor=st.floats(1.00001, 10.0))
def test_saturation_temp_rises(pressure_pa, factor):
    if pressure_pa * factor <= 22e6 and not math.isnan(saturation_temp_c(pressure_pa)):
        assert saturation_temp_c(pressure_pa) < saturation_temp_c(pressure_pa * factor)


@patient
@given(
    temp_c=weather_c,
    rh_pct=humidity_pct,
    altitude_m=altitude,
    low_kpa=gauge_kpa,
    more_kpa=st.floats(1.0, 500.0),
)
def test_squeezing_raises_the_dew_point(temp_c, rh_pct, altitude_m, low_kpa, more_kpa):
    ambient_pa = 1000.0 * standard_pressure_kpa(altitude_m)
    vapour = vapour_pressure_pa(temp_c, rh_pct, True)
    gauge_pa = 1000.0 * np.array([low_kpa, low_kpa + more_kpa])
    dew_c = pressure_dew_point_c(vapour, ambient_pa, ambient_pa + gauge_pa)
    assert dew_c[0] < dew_c[1]


@patient
@given(temp_c=weather_c, rh_pct=humidity_pct, altitude_m=altitude, pressure_kpa=gauge_kpa)
def test_air_at_its_pressure_dew_point_holds_what_came_in(temp_c, rh_pct, altitude_m, pressure_kpa):
    ambient_kpa = standard_pressure_kpa(altitude_m)
    vapour = vapour_pressure_pa(temp_c, rh_pct, True)
    dew_c = pressure_dew_point_c(vapour, 1000.0 * ambient_kpa, 1000.0 * (ambient_kpa + pressure_kpa))
    held = saturated_humidity_ratio(dew_c, ambient_kpa + pressure_kpa)
    # The enhancement factor is taken up to a kelvin from where it holds.
    assert held == pytest.approx(humidity_ratio(vapour, 1000.0 * ambient_kpa), rel=2e-3)


@patient
@given(cfm=st.floats(0.0, 500.0), temp_c=weather_c, rh_pct=humidity_pct, altitude_m=altitude)
def test_water_taken_in_is_dry_air_times_humidity_ratio(cfm, temp_c, rh_pct, altitude_m):
    ambient_pa = 1000.0 * standard_pressure_kpa(altitude_m)
    vapour = vapour_pressure_pa(temp_c, rh_pct, True)
    carried_g_h = (
        1000.0 * humidity_ratio(vapour, ambient_pa) * intake_dry_air_kg_h(cfm, temp_c, vapour, ambient_pa)
    )
    assert intake_water_g_h(cfm, temp_c, vapour) == pytest.approx(carried_g_h, rel=1e-9)


@patient
@given(
    pressure_kpa=st.floats(-50.0, 1500.0),
    max_kpa=st.floats(500.0, 1300.0),
    valve_kpa=st.floats(200.0, 480.0),
    band_kpa=st.floats(1.0, 200.0),
)
def test_delivered_bounds_stay_in_order(pressure_kpa, max_kpa, valve_kpa, band_kpa):
    low = delivered_fraction_low(pressure_kpa, max_kpa, valve_kpa, band_kpa)
    high = delivered_fraction_high(pressure_kpa, max_kpa, valve_kpa, band_kpa)
    assert 0.0 <= low <= high <= 1.0
