"""Never reaching temperature: opens within the run, spans cool runs, closes with the run that gets hot."""

from __future__ import annotations

import math

import pytest

from models.patterns.never_reaching_temperature import CLEAR_K, evidence, judge
from models.patterns.watch import Moment, Watch
from models.records import Evidence, Pattern
from tests.unit.models.patterns.moments import after, assert_readable, dried, got_hot, run_ended, warming

SURE, THRESHOLD = 0.95, 0.6


def opened() -> Watch:
    return judge(Watch(), warming(17.0), SURE, THRESHOLD)[0]


def test_opens_within_the_run() -> None:
    watch, (finding,) = judge(Watch(), warming(17.0), SURE, THRESHOLD)
    assert watch.finding == finding
    assert finding.pattern is Pattern.NEVER_REACHING_TEMPERATURE
    assert (finding.start_at, finding.run_start_at) == (after(0.0), after(0.0))
    assert finding.first_flagged_at == after(17.0)
    assert finding.end_at is None


def test_opens_once_a_run() -> None:
    assert judge(opened(), warming(18.0), SURE, THRESHOLD)[1] == []


@pytest.mark.parametrize(
    "moment",
    [
        warming(17.0, short_of_required_k=CLEAR_K - 0.1),
        run_ended(17.0),
        dried(17.0),
        got_hot(17.0),
    ],
    ids=["nearly hot", "run ended", "dried", "hot"],
)
def test_what_is_not_clearly_short_opens_nothing(moment: Moment) -> None:
    assert judge(Watch(), moment, 0.999, THRESHOLD) == (Watch(), [])


def test_what_is_not_likely_opens_nothing() -> None:
    assert judge(Watch(), warming(17.0), THRESHOLD - 0.01, THRESHOLD) == (Watch(), [])


def test_the_next_cool_run_is_the_same_finding_with_fresh_evidence() -> None:
    before = opened()
    later = warming(300.0, start_min=280.0, never_hot_runs=1.0)
    watch, (revised,) = judge(before, later, SURE, THRESHOLD)
    first = before.finding
    assert first is not None
    assert watch.finding == revised
    assert revised.run_start_at == after(280.0)
    assert revised.evidence != first.evidence
    for name in ("finding_id", "start_at", "first_flagged_at", "confidence", "end_at"):
        assert getattr(revised, name) == getattr(first, name)


def test_closes_when_a_run_gets_hot_with_its_end_at_the_last_cool_run() -> None:
    watch, found = judge(opened(), run_ended(40.0, run_min=38.0), math.nan, THRESHOLD)
    assert found == []
    watch, (closed,) = judge(watch, got_hot(500.0, start_min=480.0), math.nan, THRESHOLD)
    assert closed.end_at == after(38.0)
    assert watch.finding is None
    assert judge(watch, got_hot(501.0), math.nan, THRESHOLD)[1] == []


def test_a_run_that_gets_hot_late_closes_its_own_finding() -> None:
    _, (closed,) = judge(opened(), got_hot(33.0), math.nan, THRESHOLD)
    assert closed.end_at is not None
    assert closed.start_at < closed.end_at <= after(33.0)


def test_a_short_run_between_does_not_move_the_end() -> None:
    watch, _ = judge(opened(), run_ended(40.0, run_min=38.0), math.nan, THRESHOLD)
    watch, _ = judge(watch, run_ended(200.0, start_min=196.0, run_min=4.0), math.nan, THRESHOLD)
    _, (closed,) = judge(watch, got_hot(500.0, start_min=480.0), math.nan, THRESHOLD)
    assert closed.end_at == after(38.0)


def by_name(facts: tuple[Evidence, ...]) -> dict[str, str]:
    return {fact.name: fact.text for fact in facts}


@pytest.mark.parametrize("n", [0.0, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("ratio", [math.nan, 2.4])
@pytest.mark.parametrize("slope", [-0.3, 0.0, 1.26])
def test_evidence_reads_well(n: float, ratio: float, slope: float) -> None:
    facts = evidence(warming(17.0, never_hot_runs=n, own_warm_up_ratio=ratio, rate_k_min=slope).features)
    assert_readable(fact for fact in facts if fact.name != "never_hot_runs")
    texts = by_name(facts)
    assert "its curve levels off near 55 °C (131 °F)." in texts["rate_k_min"]
    assert ("own_warm_up_ratio" in texts) is (ratio == ratio)
    assert "at 47 °C (117 °F), 28 K (50 °F) short of the 75 °C (167 °F)" in texts["short_of_required_k"]
    assert (
        texts.get("never_hot_runs")
        == {
            0.0: None,
            1.0: "The long run before was not hot either.",
            2.0: "The 2 long runs before were not hot either.",
            3.0: "The 3 long runs before were not hot either.",
        }[n]
    )


def test_evidence_tells_the_forecast_with_its_range() -> None:
    level = {"level_low_c": 51.0, "level_c": 58.0, "level_high_c": 66.0}
    facts = evidence(warming(17.0, own_warm_up_ratio=math.nan).features | level)
    assert_readable(facts)
    assert by_name(facts)["rate_k_min"] == (
        "It rises by 0.4 K (0.7 °F) a minute and is expected to level off near 58 °C (136 °F)"
        " (nine in ten such runs: 51 °C (124 °F) to 66 °C (151 °F))."
    )
