"""Overheating: opens at the rise with the minutes left, closes after a long run at usual heat."""

from __future__ import annotations

import math

import pytest

from models.overheat import COLUMNS, REGION_C
from models.patterns.overheating import evidence, judge
from models.patterns.watch import Moment, Watch
from models.records import Pattern
from models.state import HEAT_CALM, HEAT_RISING, RUN_ENDED
from tests.unit.models.patterns.moments import UNIT, after, assert_readable

RISING = {
    "temp_c": 96.0,
    "slope_k_min": 6.2,
    "end_c": 130.0,
    "to_region_min": 2.6,
    "soonest_min": 2.2,
    "latest_min": 3.4,
    "usual_hot_c": 86.0,
    "ambient_c": 24.0,
    "region_c": REGION_C,
    "near_min": 0.0,
    "run_min": 41.0,
    "foreseen": 1.0,
    "watch_c": 90.0,
    "certainty": 0.97,
}
NEAR = (
    RISING
    | {"temp_c": 106.0, "foreseen": 0.0, "near_min": 2.5}
    | dict.fromkeys(("slope_k_min", "end_c", "to_region_min", "soonest_min", "latest_min"), math.nan)
)


def moment(kind: float, at_min: float, features: dict[str, float] = RISING) -> Moment:
    return Moment(
        unit_id=UNIT,
        kind=kind,
        at=after(at_min),
        run_start_at=after(0.0),
        since_at=after(at_min - 1.0),
        features=features,
    )


def test_features_are_the_columns() -> None:
    assert tuple(RISING) == COLUMNS


def test_opens_at_the_rise() -> None:
    watch, (finding,) = judge(Watch(), moment(HEAT_RISING, 41.0))
    assert watch.finding == finding
    assert finding.pattern is Pattern.OVERHEATING
    assert (finding.start_at, finding.first_flagged_at) == (after(40.0), after(41.0))
    assert finding.confidence == 0.97
    assert finding.end_at is None


def test_other_moments_open_nothing() -> None:
    for kind in (RUN_ENDED, HEAT_CALM):
        assert judge(Watch(), moment(kind, 41.0)) == (Watch(), [])


def test_later_rises_are_the_same_finding_with_fresh_evidence() -> None:
    before, _ = judge(Watch(), moment(HEAT_RISING, 41.0))
    watch, (revised,) = judge(before, moment(HEAT_RISING, 46.0, NEAR))
    assert before.finding is not None
    assert revised.finding_id == before.finding.finding_id
    assert revised.confidence == before.finding.confidence
    assert revised.evidence != before.finding.evidence
    assert watch.last_true_at == after(46.0)


def test_closes_at_the_last_rise() -> None:
    watch, _ = judge(Watch(), moment(HEAT_RISING, 41.0))
    watch, (closed,) = judge(watch, moment(HEAT_CALM, 300.0))
    assert closed.end_at == after(41.0)
    assert watch.finding is None


@pytest.mark.parametrize(
    ("features", "words"),
    [
        (RISING, r"6.2 K (11.2 °F) a minute"),
        (RISING, "within 2 to 4 min"),
        (RISING, "no hotter than 86 °C (187 °F)"),
        (RISING | {"temp_c": 111.0}, "in the shutdown region"),
        (RISING | {"soonest_min": 2.1, "latest_min": 2.9}, "within 3 min"),
        (NEAR, "106 °C (223 °F), for 2 min"),
    ],
)
def test_evidence_says_it_in_words(features: dict[str, float], words: str) -> None:
    facts = evidence(features)
    assert_readable(facts)
    assert words in " ".join(fact.text for fact in facts)


def test_what_is_not_usual_yet_is_not_told() -> None:
    facts = evidence(RISING | {"usual_hot_c": math.nan})
    assert "usually" not in " ".join(fact.text for fact in facts)
    assert_readable(facts)
