"""Faults and the findings that mean them, on months made by hand."""

from __future__ import annotations

import pytest

from models import evaluation_faults
from models.evaluation_faults import MEANT_BY, faults, without_cause
from models.evaluation_truth import FaultSpan, fault_spans
from models.faulty_fleets import MachineFault, faulty_unit
from models.intervals import Figure
from models.records import Pattern
from models.sensors import SensorFaultKind
from tests.unit.models.evidence import H, told, unit

ICING = Pattern.PRESSURE_SENSOR_ICING


@pytest.fixture(autouse=True)
def _meaning(monkeypatch: pytest.MonkeyPatch) -> None:
    """One kind of fault, meant by a pattern that is always there."""
    monkeypatch.setattr(evaluation_faults, "MEANT_BY", {"made_up": ICING.value, "unknown": "no_such_pattern"})


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


def test_a_finding_from_before_the_onset_is_no_earlier_than_it() -> None:
    early = unit(faults=(span(10, 50),), told=(told(ICING, 9.5, 60, 9.6),))
    (row,) = faults([early], "models").rows
    assert values(row)[3:5] == [1.0, 0.0]


def test_without_cause_counts_findings_that_meet_no_fault_which_means_them() -> None:
    units = [
        unit(
            faults=(span(10, 50), span(300, 310, "other")),
            told=(told(ICING, 13, 60, 14), told(ICING, 100, 101, 100), told(ICING, 305, 306, 305)),
        ),
        unit("b", months=3.0),
    ]
    (row,) = without_cause(units, "models").rows
    assert values(row) == ["pressure sensor icing", 3, pytest.approx(1 / 3), 0.5]


def test_patterns_the_engine_does_not_know_have_no_row() -> None:
    assert faults([unit(faults=(span(1, 2, "unknown"),))], "models").rows == ()


def test_every_fault_the_fleets_draw_is_meant_by_a_pattern() -> None:
    drawn = {kind.value for kind in SensorFaultKind} | {kind.value for kind in MachineFault}
    assert set(MEANT_BY) == drawn - {MachineFault.NONE.value}


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
