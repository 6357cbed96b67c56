"""What of the hidden truth the readings show."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from ingest.reading import Readings
from models.evaluation_truth import Clock, occurrences, true_runs
from models.fleets import FleetUnit, fleet_unit
from models.records import Pattern
from models.sensors import SensorFault, SensorFaultKind
from tests.unit.models.histories import FAMILIES, FLEET_SEED, ICING_UNIT, NEVER_HOT_UNIT

UNIT_OF = {
    Pattern.SHORT_CYCLING: (2, 10),
    Pattern.NEVER_REACHING_TEMPERATURE: (NEVER_HOT_UNIT, 6),
    Pattern.PRESSURE_SENSOR_ICING: (ICING_UNIT, 6),
}
"""Number and days of a unit that shows the pattern clearly."""


@pytest.fixture(scope="module", params=list(UNIT_OF), ids=lambda pattern: pattern.value)
def shows(request: pytest.FixtureRequest) -> tuple[FleetUnit, Pattern]:
    index, days = UNIT_OF[request.param]
    return fleet_unit(FLEET_SEED, index, machine_families=FAMILIES, days=days, keep_truth=True), request.param


def with_clock(unit: FleetUnit, offset_s: float, drift_s_day: float) -> FleetUnit:
    sent = dataclasses.replace(unit.spec.instruments, clock_offset_s=offset_s, clock_drift_s_day=drift_s_day)
    return dataclasses.replace(unit, spec=dataclasses.replace(unit.spec, instruments=sent))


def with_fault(unit: FleetUnit, kind: SensorFaultKind) -> FleetUnit:
    fault = SensorFault(kind=kind, start_s=0, end_s=10**9)
    return dataclasses.replace(unit, spec=dataclasses.replace(unit.spec, sensor_faults=(fault,)))


def of_pattern(
    unit: FleetUnit, pattern: Pattern, readings: Readings | None = None
) -> list[tuple[bool, bool]]:
    """Whether each occurrence is marginal, and whether it is shown."""
    seen = unit.readings if readings is None else readings
    assert unit.truth is not None
    found, shown = occurrences(unit, seen, unit.truth, true_runs(unit, seen))
    return [(o.marginal, s) for o, s in zip(found, shown, strict=True) if o.pattern is pattern]


@pytest.mark.parametrize(("offset_s", "drift_s_day"), [(0.0, 0.0), (-80.0, 0.0), (40.0, 6.0)])
def test_clock_there_and_back(shows: tuple[FleetUnit, Pattern], offset_s: float, drift_s_day: float) -> None:
    unit = with_clock(shows[0], offset_s, drift_s_day)
    assert unit.truth is not None
    clock, step_s = Clock(unit), unit.truth.step_s
    # Not near midnight of the seventh day, where a clock that is set back shows an instant twice.
    rows = np.arange(0, 6 * 86400 // step_s, 997)
    shown_s = np.array([clock.shown_s(float(row * step_s)) for row in rows])
    np.testing.assert_array_equal(clock.rows(shown_s, unit.truth), rows)
    assert shown_s[0] == pytest.approx(unit.start_at_ms / 1000.0 + offset_s)
    day_s = clock.shown_s(86400.0) - clock.shown_s(0.0)
    assert day_s == pytest.approx(86400.0 + drift_s_day)


def test_what_readings_show_keeps_its_label(shows: tuple[FleetUnit, Pattern]) -> None:
    unit, pattern = shows
    labelled = [label.marginal for label in unit.labels if label.pattern is pattern]
    seen = of_pattern(unit, pattern)[: len(labelled)]
    assert [marginal for marginal, shown in seen if shown] == [
        marginal for marginal, (_, shown) in zip(labelled, seen, strict=True) if shown
    ]
    assert any(shown and not marginal for marginal, shown in seen)


def test_what_no_reading_shows_is_marginal(shows: tuple[FleetUnit, Pattern]) -> None:
    unit, pattern = shows
    n = sum(label.pattern is pattern for label in unit.labels)
    assert set(of_pattern(unit, pattern, unit.readings[:0])[:n]) == {(True, False)}


def test_stale_readings_show_nothing(shows: tuple[FleetUnit, Pattern]) -> None:
    unit, pattern = shows
    n = sum(label.pattern is pattern for label in unit.labels)
    assert set(of_pattern(with_fault(unit, SensorFaultKind.STALE), pattern)[:n]) == {(True, False)}


def test_a_dead_pressure_sensor_hides_ice_and_nothing_else(shows: tuple[FleetUnit, Pattern]) -> None:
    unit, pattern = shows
    hidden = of_pattern(with_fault(unit, SensorFaultKind.PRESSURE_DEAD), pattern)
    if pattern is Pattern.PRESSURE_SENSOR_ICING:
        assert set(hidden) == {(True, False)}
    else:
        assert hidden == of_pattern(unit, pattern)


def test_readings_inside_a_run_are_counted(shows: tuple[FleetUnit, Pattern]) -> None:
    unit, _ = shows
    at_s = unit.readings.observed_at_ms / 1000.0
    for run in true_runs(unit, unit.readings):
        assert run.end_s - run.start_s == pytest.approx(run.truth.duration_s, abs=1.0)
        if not unit.spec.sensor_faults:
            assert run.rows == np.count_nonzero((at_s >= run.start_s) & (at_s < run.end_s))
        assert run.shown == (run.rows >= 3 and run.end_s - run.start_s >= 60.0)


@pytest.mark.parametrize(
    ("minutes", "first_hot_min", "twin_min", "jammed", "undecided"),
    [
        (12.0, None, 8.0, 1.0, True),
        (12.0, None, 13.0, 1.0, False),
        (12.0, None, 8.0, 0.1, False),
        (12.0, None, None, 1.0, False),
        (60.0, 35.0, 15.0, 0.4, True),
        (60.0, 25.0, 15.0, 0.4, False),
        (60.0, 14.0, 5.0, 0.4, False),
    ],
    ids=[
        "stopped after a sound one was hot",
        "stopped before",
        "valve sound",
        "a sound one would never",
        "hot at last",
        "hot within twice the time",
        "hot within a quarter of an hour",
    ],
)
def test_a_run_whose_end_nobody_can_know_is_marginal(
    shows: tuple[FleetUnit, Pattern],
    minutes: float,
    first_hot_min: float | None,
    twin_min: float | None,
    jammed: float,
    undecided: bool,
) -> None:
    unit, _ = shows
    run = dataclasses.replace(
        unit.runs[0],
        end_s=unit.runs[0].start_s + round(60 * minutes),
        first_hot_s=None if first_hot_min is None else 60 * first_hot_min,
        twin_first_hot_s=None if twin_min is None else 60 * twin_min,
        stuck_frac_peak=jammed,
    )
    made = dataclasses.replace(unit, runs=(run,), labels=())
    assert of_pattern(made, Pattern.NEVER_REACHING_TEMPERATURE) == [(True, True)] * undecided
