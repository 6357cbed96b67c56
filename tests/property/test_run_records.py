"""What runs say of themselves, over sampling, meters, gaps and restarts of the controller in any mix."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.reading import Readings
from tests.unit.models.histories import MONDAY_MS, fold
from tests.unit.models.test_run_conditions import (
    HOURS,
    MACHINES,
    assert_holds_together,
    readings_of,
    truth_of,
)

hours = st.floats(0.2, HOURS)
GAPS = st.lists(st.tuples(hours, st.floats(0.01, 4.0)), max_size=4)
RESTARTS = st.lists(st.tuples(hours, st.floats(5.0, 120.0), st.booleans()), max_size=4)


def with_gaps(readings: Readings, gaps: list[tuple[float, float]]) -> Readings:
    """Nothing is heard for so many hours from an instant on."""
    at_h = (readings.observed_at_ms - MONDAY_MS) / 3.6e6
    heard = np.ones(len(readings), np.bool_)
    for from_h, for_h in gaps:
        heard &= ~((at_h >= from_h) & (at_h < from_h + for_h))
    return readings[heard]


def with_restarts(readings: Readings, restarts: list[tuple[float, float, bool]]) -> Readings:
    """A controller that is back after some seconds: pressure and temperature at nothing, hours a step back.

    Where the flag is set it has lost its hours since the last whole hour for good.
    """
    at_s = (readings.observed_at_ms - MONDAY_MS) / 1000.0
    temp_c, pressure_kpa = readings.discharge_temp_c.copy(), readings.pressure_kpa.copy()
    meter_h = readings.hours.copy()
    for at_h, waking_s, forgets in restarts:
        waking = (at_s >= 3600.0 * at_h) & (at_s < 3600.0 * at_h + waking_s)
        temp_c[waking], pressure_kpa[waking] = 0.0, 0.0
        meter_h[waking] = np.round(meter_h[waking] - 0.05, 2)
        later = at_s >= 3600.0 * at_h + waking_s
        if forgets and later.any():
            meter_h[later] = np.round(meter_h[later] - meter_h[later][0] % 1.0, 2)
    return dataclasses.replace(readings, discharge_temp_c=temp_c, pressure_kpa=pressure_kpa, hours=meter_h)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    kind=st.sampled_from(sorted(MACHINES)),
    seed=st.integers(0, 2),
    every_s=st.sampled_from([10, 30, 60, 120, 300]),
    hours_step_h=st.sampled_from([0.01, 0.05, 0.1]),
    gaps=GAPS,
    restarts=RESTARTS,
    cut=st.floats(0.1, 1.0),
)
def test_every_run_holds_together_and_none_overlaps_the_next(
    kind: str,
    seed: int,
    every_s: int,
    hours_step_h: float,
    gaps: list[tuple[float, float]],
    restarts: list[tuple[float, float, bool]],
    cut: float,
) -> None:
    readings = readings_of(truth_of(kind, seed, every_s), every_s, hours_step_h)
    sent = with_restarts(with_gaps(readings, gaps), restarts)
    # The history may end anywhere, in the middle of a run too.
    found = fold(sent[: max(int(cut * len(sent)), 1)])
    over = [run for run in found.runs if run.end_at is not None]
    for run in over:
        assert_holds_together(run)
    for before, after in itertools.pairwise(over):
        assert before.end_at is not None
        assert before.end_at <= after.start_at
        assert before.water_end_g == after.water_start_g
    memory = found.state.memory[0]
    assert 0.0 <= memory["water_low_g"] <= memory["water_g"] <= memory["water_high_g"]
