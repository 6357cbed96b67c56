"""Faults and the findings that mean them, on months made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models import evaluation_faults
from models.evaluation_faults import CHANGES_HABITS, MEANT_BY, beyond, faults, is_sound
from models.evaluation_truth import IN_REGION, JAMMED_VALVE, FaultSpan, fault_spans
from models.faulty_fleets import MachineFault, faulty_unit
from models.intervals import Figure
from models.plant import Faults
from models.records import Pattern
from models.sensors import SensorFaultKind
from tests.unit.models.evidence import H, occurrence, told, unit

ICING, UNLIKE, HOT = Pattern.PRESSURE_SENSOR_ICING, Pattern.UNLIKE_ITSELF, Pattern.OVERHEATING


@pytest.fixture(autouse=True)
def _meaning(monkeypatch: pytest.MonkeyPatch) -> None:
    """One kind of fault, meant by a pattern that is always there."""
    monkeypatch.setattr(evaluation_faults, "MEANT_BY", {"made_up": ICING.value, "unknown": "no_such_pattern"})
    monkeypatch.setattr(evaluation_faults, "BEYOND", (ICING, UNLIKE))
    monkeypatch.setattr(evaluation_faults, "CHANGES_HABITS", frozenset({"made_up", "valve"}))


def span(start_h: float, end_h: float, kind: str = "made_up") -> FaultSpan:
    return FaultSpan(kind=kind, start_s=start_h * H, end_s=end_h * H)


def values(cells: tuple[object, ...]) -> list[object]:
    return [cell.value if isinstance(cell, Figure) else cell for cell in cells]


def test_faults_count_told_ones_and_the_hours_from_their_onset() -> None:
    units = [
        unit(
            faults=(span(10, 50), span(200, 210)), told=(told(ICING, 13, 60, 14), told(ICING, 100, 101, 100))
        ),
        unit("b", faults=(span(10, 50, "other"),)),
    ]
    (row,) = faults(units, "models").rows
    assert values(row)[:5] == ["made up", "pressure sensor icing", 2, 0.5, 4.0]


def test_faults_of_units_read_often_enough_to_time_a_start_are_counted_apart() -> None:
    found = (told(ICING, 20, 60, 20),)
    units = [
        unit(faults=(span(10, 50),), told=found),
        unit("b", faults=(span(10, 50),), every_s=60),
        unit("c", faults=(span(10, 50),), every_s=300),
    ]
    (row,) = faults(units, "models").rows
    assert values(row)[3] == pytest.approx(1 / 3)
    assert values(row)[6] == 1.0


def test_a_finding_from_before_the_onset_is_no_earlier_than_it() -> None:
    early = unit(faults=(span(10, 50),), told=(told(ICING, 9.5, 60, 9.6),))
    (row,) = faults([early], "models").rows
    assert values(row)[3:5] == [1.0, 0.0]


def test_faults_that_only_unlike_itself_found_are_told_apart() -> None:
    units = [
        unit(faults=(span(10, 50),), told=(told(UNLIKE, 20, 60, 20),)),
        unit("b", faults=(span(10, 50),), told=(told(ICING, 20, 60, 20),)),
        unit("c", faults=(span(10, 50),)),
    ]
    (row,) = faults(units, "models").rows
    assert values(row)[3] == pytest.approx(1 / 3)
    assert values(row)[-1] == pytest.approx(2 / 3)


def test_beyond_counts_by_hand() -> None:
    """Two sound units of 1 and 3 months with three findings; two faults, of which the pattern met one."""
    units = [
        unit("a", told=(told(ICING, 1, 2, 1), told(ICING, 5, 6, 5))),
        unit("b", months=3.0, told=(told(ICING, 1, 2, 1),)),
        unit("c", faults=(span(10, 50), span(200, 300)), told=(told(ICING, 13, 60, 14),)),
        unit("d", faults=(span(10, 50, "valve"),), told=(told(UNLIKE, 20, 40, 22),)),
    ]
    ice, unlike = (values(row) for row in beyond(units, "models").rows)
    assert ice == ["pressure sensor icing", 4, 0.25, 4.0, 0.75, 2, 0.5, 4.0, 4.0]
    assert unlike == ["unlike itself", 1, 1.0, 4.0, 0.0, 3, pytest.approx(1 / 3), 12.0, 12.0]


def test_what_is_told_of_a_unit_in_the_shutdown_region_is_no_false_alarm(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(evaluation_faults, "BEYOND", (HOT,))
    hot = unit(faults=(span(10, 11, IN_REGION),), told=(told(HOT, 9, 12, 9.9), told(HOT, 50, 51, 50)))
    (row,) = beyond([hot], "models").rows
    assert is_sound(hot)
    assert values(row) == ["overheating", 2, 0.5, 1.0, 1.0, 0, None, None, None]


@pytest.mark.parametrize("hot_c", [109.9, 110.0])
def test_a_unit_is_in_the_region_from_110_degrees_on(hot_c: float) -> None:
    """The lowest setting of a high-temperature switch (published trade figures: 110 to 120 degC)."""
    made = faulty_unit(3, 0, MachineFault.NONE, days=1, keep_truth=True)
    assert made.truth is not None
    temp_c = np.full(len(made.truth.discharge_temp_c), 80.0)
    # Two stretches of a minute, ten minutes apart, and one hours later.
    for start_s in (3600, 4200, 36000):
        temp_c[start_s // made.truth.step_s : (start_s + 60) // made.truth.step_s] = hot_c
    spans = fault_spans(replace(made, truth=replace(made.truth, discharge_temp_c=temp_c)))
    lasted_s = [round(one.end_s - one.start_s + made.truth.step_s) for one in spans]
    assert lasted_s == ([] if hot_c < 110.0 else [660, 60])


def test_no_false_alarm_has_the_exact_upper_limit_of_a_poisson_mean() -> None:
    """Of nothing seen in T the one-sided 95 % limit is 3.0 / T (Poisson tables: 2.996)."""
    rate = beyond([unit(str(i), months=2.0) for i in range(5)], "models").rows[0][4]
    assert isinstance(rate, Figure)
    assert (rate.value, rate.low) == (0.0, 0.0)
    assert rate.high == pytest.approx(0.2996, abs=1e-4)


@pytest.mark.parametrize(
    ("changes", "sound"),
    [
        ({}, True),
        ({"faults": (span(1, 2, "whatever"),)}, False),
        ({"occurrences": (occurrence(ICING, 1, 2, marginal=True),)}, False),
        ({"occurrences": (occurrence(Pattern.NEVER_REACHING_TEMPERATURE, 1, 2),)}, False),
        ({"occurrences": (occurrence(Pattern.SHORT_CYCLING, 1, 2),)}, True),
    ],
)
def test_a_unit_is_sound_where_nothing_of_it_was_ever_wrong(changes: dict[str, Any], sound: bool) -> None:
    assert is_sound(unit(**changes)) is sound


def test_patterns_the_engine_does_not_know_have_no_row() -> None:
    assert faults([unit(faults=(span(1, 2, "unknown"),))], "models").rows == ()


def test_every_fault_the_fleets_draw_is_meant_by_a_pattern() -> None:
    drawn = {kind.value for kind in SensorFaultKind} | {kind.value for kind in MachineFault}
    assert set(MEANT_BY) == drawn - {MachineFault.NONE.value}


def test_every_fault_of_a_machine_changes_its_habits() -> None:
    machine = {kind.value for kind in MachineFault if kind is not MachineFault.NONE}
    assert machine | {JAMMED_VALVE} <= CHANGES_HABITS


def test_a_valve_is_jammed_from_its_onset_until_it_is_freed() -> None:
    sound = faulty_unit(3, 0, MachineFault.NONE, days=6)
    change_s, part = np.array([0, 86400, 3 * 86400]), np.array([0.0, 1.0, 0.0])
    jammed = replace(sound, spec=replace(sound.spec, faults=Faults(change_s=change_s, stuck_open_frac=part)))
    (only,) = fault_spans(jammed)
    assert only.kind == JAMMED_VALVE
    assert only.end_s - only.start_s == pytest.approx(2 * 86400, abs=120.0)


@pytest.mark.parametrize("kind", list(MachineFault))
def test_fault_spans_begin_at_the_onset(kind: MachineFault) -> None:
    made = faulty_unit(3, 0, kind, days=6)
    spans = fault_spans(made)
    if kind is MachineFault.NONE:
        assert spans == ()
        return
    (only,) = spans
    assert only.kind == kind.value
    start_s = made.start_at_ms / 1000.0 + made.spec.instruments.clock_offset_s
    assert 0.4 * 6 * 86400 - 60 <= only.start_s - start_s <= 0.7 * 6 * 86400 + 60
    assert only.end_s - start_s == pytest.approx(6 * 86400, abs=120.0)
