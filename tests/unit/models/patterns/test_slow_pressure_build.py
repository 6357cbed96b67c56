"""Slow pressure build: opens at the fourth slow start of five, closes when starts are quick again."""

from __future__ import annotations

import pytest

from models.build_up import COLUMNS
from models.patterns.slow_pressure_build import LEAST_SPAN_H, evidence, judge
from models.patterns.watch import Moment, Watch
from models.records import Pattern
from models.state import PRESSURE_BUILT, RUN_ENDED
from tests.unit.models.patterns.moments import UNIT, after, assert_readable

SLOW = {
    "took_s": 74.0,
    "usual_s": 31.0,
    "slowest_usual_s": 38.0,
    "n_like": 19.0,
    "slow": 1.0,
    "n_slow": 4.0,
    "n_judged": 5.0,
    "least_s": 66.0,
    "most_s": 81.0,
    "span_h": 27.0,
    "target_kpa": 827.2,
    "certainty": 0.998,
}


def built(at_min: float, kind: float = PRESSURE_BUILT, **changes: float) -> Moment:
    return Moment(
        unit_id=UNIT,
        kind=kind,
        at=after(at_min),
        run_start_at=after(at_min - 1.0),
        since_at=after(-1600.0),
        features=SLOW | changes,
    )


def test_features_are_the_columns() -> None:
    assert tuple(SLOW) == COLUMNS


def test_opens_at_the_fourth_slow_start_of_five() -> None:
    watch, (finding,) = judge(Watch(), built(5.0))
    assert watch.finding == finding
    assert finding.pattern is Pattern.SLOW_PRESSURE_BUILD
    assert (finding.start_at, finding.first_flagged_at) == (after(-1600.0), after(5.0))
    assert finding.confidence == 0.998


@pytest.mark.parametrize(
    "moment",
    [
        built(5.0, n_slow=3.0),
        built(5.0, span_h=LEAST_SPAN_H - 0.1),
        built(5.0, slow=0.0),
        built(5.0, kind=RUN_ENDED),
    ],
    ids=["three", "one shift", "this one quick", "no start"],
)
def test_less_opens_nothing(moment: Moment) -> None:
    assert judge(Watch(), moment) == (Watch(), [])


def test_closes_at_the_last_slow_start_once_one_of_five_is_left() -> None:
    watch, _ = judge(Watch(), built(5.0))
    watch, (revised,) = judge(watch, built(200.0, n_slow=5.0))
    assert revised.end_at is None
    for n_slow in (4.0, 3.0, 2.0):
        watch, found = judge(watch, built(300.0, slow=0.0, n_slow=n_slow))
        assert found == []
    watch, (closed,) = judge(watch, built(400.0, slow=0.0, n_slow=1.0))
    assert closed.end_at == after(200.0)
    assert watch.finding is None


def test_evidence_says_it_in_words() -> None:
    facts = evidence(SLOW)
    assert_readable(facts)
    text = " ".join(fact.text for fact in facts)
    for words in ("4 of the last 5", "66 to 81 s", "827 kPa (120 psi)", "at most 31 s", "slowest 38 s"):
        assert words in text
