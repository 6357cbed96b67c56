"""Scores of findings on months made by hand."""

from __future__ import annotations

import dataclasses
import math

import pytest

from models import evaluation_detection as detection
from models.evaluation_grids import Grid
from models.intervals import Figure
from models.records import Pattern
from tests.unit.models.evidence import H, occurrence, told, unit

ICING, CYCLING, NEVER = (
    Pattern.PRESSURE_SENSOR_ICING,
    Pattern.SHORT_CYCLING,
    Pattern.NEVER_REACHING_TEMPERATURE,
)


def column(grid: Grid, name: str) -> list[object]:
    place = [c.name for c in grid.columns].index(name)
    return [row[place] for row in grid.rows]


def row(grid: Grid, *firsts: str) -> dict[str, object]:
    (found,) = [r for r in grid.rows if r[: len(firsts)] == firsts]
    return dict(zip([c.name for c in grid.columns], found, strict=True))


def value(cell: object) -> float | None:
    assert isinstance(cell, Figure)
    return cell.value


def test_unit_score_counts_each_kind_once() -> None:
    """Clear and found, clear and missed, marginal, shown by no reading; findings right, wrong, neutral."""
    cases = (
        occurrence(ICING, 10, 12, severity=3.0, harm_s=11.5 * H),
        occurrence(ICING, 50, 52, severity=1.5, harm_s=51 * H),
        occurrence(ICING, 90, 92, marginal=True),
        occurrence(ICING, 130, 132, marginal=True),
    )
    said = (told(ICING, 10.2, 12, 10.5), told(ICING, 70, 71, 70), told(ICING, 90, 91, 90.1))
    score = detection.unit_score(
        unit(occurrences=cases, shown=(True, True, True, False), told=said), ICING, "models"
    )
    assert (score.clear, score.marginal, score.unseen) == (2, 1, 1)
    assert (score.found, score.right, score.neutral, score.wrong) == (1, 1, 1, 1)
    assert score.delays["min_from_start"] == [30.0]
    assert score.severity == [(3.0, True), (1.5, False)]
    assert score.lead_h == [1.0, -math.inf]


def test_unit_score_looks_at_one_pattern_and_one_detector() -> None:
    case = occurrence(ICING, 10, 12)
    quiet = unit(occurrences=(case,), told={"models": (), "rules": (told(ICING, 10, 12, 10),)})
    assert detection.unit_score(quiet, ICING, "models").found == 0
    assert detection.unit_score(quiet, ICING, "rules").found == 1
    assert detection.unit_score(quiet, CYCLING, "rules").wrong == 0


def test_headline_pools_units() -> None:
    case = occurrence(ICING, 10, 12)
    found = unit(occurrences=(case,), told=(told(ICING, 10, 12, 10.5), told(ICING, 70, 71, 70)))
    missed = unit("b", occurrences=(dataclasses.replace(case, unit_id="b"),), months=2.0)
    head = row(detection.headline([found, missed], ["models"]), "pressure sensor icing", "models")
    assert head["clear occurrences"] == 2
    assert value(head["recall"]) == 0.5
    assert value(head["precision"]) == 0.5
    assert value(head["false alarms per unit-month"]) == pytest.approx(1 / 3)


def test_headline_shows_a_finding_that_stands_for_months() -> None:
    standing = unit(occurrences=(occurrence(ICING, 100, 110),), told=(told(ICING, 10, math.inf, 10),))
    head = row(detection.headline([standing], ["models"]), "pressure sensor icing", "models")
    assert (value(head["recall"]), value(head["precision"]), head["told early"]) == (1.0, 1.0, 1)
    # From 10 to 1000 h, but for 99 to 111 h.
    assert value(head["hours standing outside, per unit-month"]) == pytest.approx(978.0)


def test_lateness_is_measured_by_the_patterns_own_clock() -> None:
    cycling = occurrence(CYCLING, 1, 100, moments_s=(2 * H, 30 * H, 50 * H, 70 * H), harm_s=75 * H)
    never = occurrence(NEVER, 1, 40, moments_s=(1 * H, 39 * H))
    icing = occurrence(ICING, 1, 4)
    late = detection.lateness(
        [
            unit(
                occurrences=(cycling, never, icing),
                told=(told(CYCLING, 1, 100, 51), told(NEVER, 39, 40, 39.2), told(ICING, 1, 4, 1.5)),
            )
        ],
        ["models"],
    )
    assert [value(cell) for cell in column(late, "median")] == [3.0, pytest.approx(12.0), 30.0]
    first = row(late, "short cycling")
    assert (first["occurrences that did harm"], value(first["told before harm"])) == (1, 1.0)
    assert value(first["median lead [h]"]) == pytest.approx(24.0)


def test_severity_splits_recall() -> None:
    cases = [
        unit(
            name,
            occurrences=(occurrence(ICING, 10, 12, unit_id=name, severity=severity),),
            told=(told(ICING, 10, 12, 10, name),) if severity > 2.0 else (),
        )
        for name, severity in (("a", 1.2), ("b", 2.5), ("c", 9.0))
    ]
    cells = row(detection.by_severity(cases, "models"), "pressure sensor icing")
    assert [value(cells[f"recall at {span}"]) for span in ("0 to 2", "2 to 4", "4 and more")] == [
        0.0,
        1.0,
        1.0,
    ]


def test_groups_split_by_machine_climate_crew_and_tag_and_leave_quiet_ones_out() -> None:
    case = occurrence(ICING, 10, 12)
    found = unit(occurrences=(case,), told=(told(ICING, 10, 12, 10),), tags=frozenset({"garage"}))
    quiet = unit("b", family="load_unload_large", climate="mountain", operator="top_up")
    grid = detection.by_group([found, quiet], ICING, "models")
    names = column(grid, "units")
    assert names == [
        "all",
        "a reading every 10 s",
        "machine compact",
        "climate marine",
        "crew bursts",
        "with garage",
    ]
    assert column(grid, "number") == [2, 2, 1, 1, 1, 1]
