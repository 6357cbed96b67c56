"""A unit's own habits: the arithmetic by hand, and made-up runs whose differences are known exactly."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ingest.reading import FloatArray, Readings
from models.engine import decision_rows
from models.own_habits import (
    COLUMNS,
    ENOUGH_RUNS,
    ENOUGH_VALUES,
    LEAST_SPREAD,
    RELEARN_AFTER,
    SETTLED,
    compare,
)
from models.state import RUN_COMPARED, Record, fresh_state
from tests.unit.models.histories import DAY_S, PARAMETERS, PROFILE, by_hand

EVERY_S, RUN_S, BEGINS_S = 10, 2700, 6 * 3600
AIR_C = 20.0


def remembering(*values: float) -> Record:
    state = fresh_state()
    state["habit"][0, SETTLED, : len(values)] = values
    return state[0]


def test_deviation_is_in_robust_standard_deviations() -> None:
    """Median absolute deviation times 1.4826, its consistency factor under a normal law (Rousseeuw and Croux,
    1993): of 61 to 77 in steps of 2 the median is 69, the deviations 0 to 8, their median 4."""
    z, off = compare(remembering(*np.arange(61.0, 78.0, 2.0)), SETTLED, 80.0)
    assert off == 11.0
    assert z == pytest.approx(11.0 / (1.4826 * 4.0))


def test_spread_is_at_least_what_sensors_can_tell() -> None:
    z, _ = compare(remembering(*[70.0] * ENOUGH_VALUES), SETTLED, 67.0)
    assert z == pytest.approx(-3.0 / LEAST_SPREAD[SETTLED])


def test_few_values_are_only_learnt() -> None:
    s = remembering(*[70.0] * (ENOUGH_VALUES - 1))
    assert math.isnan(compare(s, SETTLED, 90.0)[0])
    assert s["habit"][SETTLED, 0] == 90.0


def test_what_is_far_off_is_not_learnt_until_it_is_the_new_way() -> None:
    s = remembering(*[70.0] * 24)
    for _ in range(int(RELEARN_AFTER)):
        compare(s, SETTLED, 90.0)
    assert np.all(s["habit"][SETTLED] == 70.0)
    for _ in range(12):
        assert compare(s, SETTLED, 90.0)[0] > 4.0
    # Half of the 24 are the new way: the median lies between, 10 K off, and so does every value.
    assert compare(s, SETTLED, 90.0)[0] == pytest.approx(10.0 / (1.4826 * 10.0))
    for _ in range(12):
        compare(s, SETTLED, 90.0)
    assert compare(s, SETTLED, 90.0)[0] == 0.0


def test_one_value_like_the_others_starts_the_count_again() -> None:
    s = remembering(*[70.0] * 24)
    for value in [*[90.0] * 20, 70.0, *[90.0] * 30]:
        compare(s, SETTLED, value)
    assert np.all(s["habit"][SETTLED] == 70.0)


def day(warm_k_min: float, level_c: float, cooling_per_h: float, kpa: float) -> tuple[FloatArray, FloatArray]:
    """Temperature and pressure of a day with one run: a straight rise, a level, Newton's law of cooling."""
    at_s = np.arange(0.0, DAY_S, EVERY_S) - BEGINS_S
    rise_c = AIR_C + warm_k_min * at_s / 60.0
    after_h = np.maximum(at_s - RUN_S, 0.0) / 3600.0
    cooling_c = AIR_C + (level_c - AIR_C) * np.exp(-cooling_per_h * after_h)
    running = (at_s >= 0.0) & (at_s < RUN_S)
    temp_c = np.where(running, np.minimum(rise_c, level_c), np.where(at_s < 0.0, AIR_C, cooling_c))
    return temp_c, np.where(running, kpa, 0.0)


def history(*days: tuple[float, float, float, float]) -> Readings:
    temp_c, pressure_kpa = (np.concatenate(columns) for columns in zip(*(day(*d) for d in days), strict=True))
    at_s = np.arange(len(temp_c)) * float(EVERY_S)
    ran_s = np.clip(at_s % DAY_S - BEGINS_S, 0.0, RUN_S) + RUN_S * np.floor(at_s / DAY_S)
    rng = np.random.default_rng(1)
    return by_hand(
        at_s,
        temp_c=temp_c,
        # A working sump's pressure pulsates; one that stands still is taken for a failed sensor.
        pressure_kpa=np.where(pressure_kpa > 0.0, pressure_kpa + rng.normal(0.0, 3.0, len(at_s)), 0.0),
        hours=np.floor((100.0 + ran_s / 3600.0) * 100.0) / 100.0,
        ambient_c=AIR_C,
    )


USUAL = (4.0, 85.0, 0.5, 900.0)


def compared(readings: Readings) -> list[dict[str, float]]:
    _, rows = decision_rows(readings, PROFILE, PARAMETERS)
    rows = rows[rows["kind"] == RUN_COMPARED]
    return [dict(zip(COLUMNS, row["features"].tolist(), strict=False)) for row in rows]


def test_the_first_twenty_runs_are_only_learnt() -> None:
    n_days = int(ENOUGH_RUNS) + 3
    assert len(compared(history(*[USUAL] * n_days))) == 3
    assert compared(history(*[USUAL] * int(ENOUGH_RUNS))) == []


@pytest.fixture(scope="module")
def changed() -> list[dict[str, float]]:
    """After 21 days as usual a run hotter and lower in pressure, after which it is slower to cool."""
    return compared(history(*[USUAL] * 21, (4.0, 93.0, 0.35, 800.0), USUAL))


def test_a_run_like_the_others_is_told_so(changed: list[dict[str, float]]) -> None:
    assert all(abs(changed[0][name]) < 0.5 for name in COLUMNS if name.endswith("_z"))


@pytest.mark.parametrize(
    ("name", "change", "tolerance"),
    [("settled_change", 8.0, 0.1), ("mean_pressure_change", -100.0 / PROFILE.max_pressure_kpa, 0.01)],
)
def test_differences_are_those_that_were_put_in(
    changed: list[dict[str, float]], name: str, change: float, tolerance: float
) -> None:
    assert changed[1][name] == pytest.approx(change, abs=tolerance)


def test_a_rise_at_the_same_load_is_compared_as_a_rate() -> None:
    slower = compared(history(*[USUAL] * 21, (3.0, *USUAL[1:])))[-1]
    assert slower["warm_up_change"] == pytest.approx(-0.25, abs=0.01)
    assert slower["warm_up_z"] < -2.0


def test_cooling_is_told_with_the_next_run(changed: list[dict[str, float]]) -> None:
    """Newton's law of cooling: the rate is the logarithm of what is left over the time."""
    assert changed[1]["cooling_change"] == pytest.approx(0.0, abs=0.02)
    assert changed[2]["cooling_change"] == pytest.approx(0.35 / 0.5 - 1.0, abs=0.03)
