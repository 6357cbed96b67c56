"""Short-cycling: opens once with the wet run that decides, keeps itself fresh, closes when dried."""

from __future__ import annotations

import pytest

from models.patterns.short_cycling import evidence, judge
from models.patterns.watch import Watch
from models.records import Pattern
from tests.unit.models.patterns.moments import (
    UNIT,
    after,
    assert_readable,
    dried,
    got_hot,
    run_ended,
    warming,
)

SURE, THRESHOLD = 0.9, 0.5


def opened() -> Watch:
    watch, found = judge(Watch(), run_ended(600.0, start_min=590.0), SURE, THRESHOLD)
    assert len(found) == 1
    return watch


def test_opens_at_the_reading_that_decides() -> None:
    watch, (finding,) = judge(Watch(), run_ended(600.0, start_min=590.0), SURE, THRESHOLD)
    assert watch.finding == finding
    assert finding.pattern is Pattern.SHORT_CYCLING
    assert finding.unit_id == UNIT
    assert finding.start_at == after(0.0), "with the first wet run since the sump was dry"
    assert finding.first_flagged_at == after(600.0)
    assert finding.run_start_at == after(590.0)
    assert finding.end_at is None
    assert finding.confidence == SURE
    assert not finding.withdrawn


@pytest.mark.parametrize(
    ("n", "lowest_ratio", "opens"),
    [(1, 0.0, False), (1, 5.0, False), (2, 0.9, False), (2, 1.0, True), (3, 0.0, True), (4, 0.0, True)],
)
def test_one_short_run_is_not_it_nor_two_of_unknown_harm(n: int, lowest_ratio: float, opens: bool) -> None:
    moment = run_ended(600.0, wet_runs_week=n, water_low_ratio=lowest_ratio)
    _, found = judge(Watch(), moment, 0.999, THRESHOLD)
    assert bool(found) is opens


@pytest.mark.parametrize("probability", [0.0, 0.49, float("nan")])
def test_what_is_not_likely_opens_nothing(probability: float) -> None:
    moment = run_ended(600.0)
    watch, found = judge(Watch(), moment, probability, THRESHOLD)
    assert bool(found) is (probability != probability), "an unjudged moment is a fault of the engine"
    assert found or watch == Watch()


def test_a_run_that_was_not_wet_opens_nothing() -> None:
    assert judge(Watch(), run_ended(600.0, wet=0.0), SURE, THRESHOLD) == (Watch(), [])


def test_without_a_first_wet_run_nothing_opens() -> None:
    assert judge(Watch(), run_ended(600.0, since_min=None), SURE, THRESHOLD) == (Watch(), [])


@pytest.mark.parametrize("moment", [warming(600.0), got_hot(600.0), dried(600.0)])
def test_other_moments_say_nothing_to_it(moment: object) -> None:
    assert judge(Watch(), moment, SURE, THRESHOLD)[1] == []  # type: ignore[arg-type]


def test_later_runs_revise_the_evidence_and_nothing_else() -> None:
    before = opened()
    watch, (revised,) = judge(before, run_ended(900.0, start_min=880.0, wet_runs_week=7.0), 0.1, THRESHOLD)
    first = before.finding
    assert first is not None
    assert watch.finding == revised
    assert revised.run_start_at == after(880.0)
    assert revised.evidence != first.evidence
    for name in ("finding_id", "start_at", "first_flagged_at", "confidence", "end_at"):
        assert getattr(revised, name) == getattr(first, name)


def test_closes_when_the_sump_has_dried_and_opens_anew_as_another() -> None:
    before = opened()
    watch, (closed,) = judge(before, dried(1500.0), float("nan"), THRESHOLD)
    assert before.finding is not None
    assert closed.end_at == after(1500.0)
    assert closed.finding_id == before.finding.finding_id
    assert watch.finding is None
    _, (again,) = judge(watch, run_ended(3000.0, since_min=2000.0), SURE, THRESHOLD)
    assert again.finding_id != closed.finding_id


def test_drying_without_a_finding_closes_nothing() -> None:
    assert judge(Watch(), dried(5.0), float("nan"), THRESHOLD)[1] == []


@pytest.mark.parametrize("n", [1.0, 2.0, 11.0])
@pytest.mark.parametrize("since_dry_days", [0.04, 6.3, 30.0])
def test_evidence_reads_well(n: float, since_dry_days: float) -> None:
    facts = evidence(run_ended(9.0, wet_runs_week=n, since_dry_days=since_dry_days, hot_min=1.5).features)
    # "A month or more" is words, not a number.
    assert_readable(fact for fact in facts if "month" not in fact.text)
    assert {fact.name: fact.value for fact in facts}["wet_runs_week"] == n
    assert facts[0].text.startswith("1 run in" if n == 1.0 else f"{n:.0f} runs in")
