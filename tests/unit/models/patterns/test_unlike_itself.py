"""Unlike itself: opens at the third odd run of five, closes after five like its own, says what deviates."""

from __future__ import annotations

import math

import pytest

from models.own_habits import COLUMNS, FARTHEST, HABITS
from models.patterns.unlike_itself import JUDGED_AT, evidence, judge
from models.patterns.watch import Moment, Watch
from models.records import Finding, Pattern
from models.state import RUN_ENDED
from tests.unit.models.patterns.moments import UNIT, after, assert_readable

USUAL = {f"{name}_z": 0.1 for name in HABITS} | {f"{name}_change": 0.01 for name in HABITS} | {"n_runs": 24.0}
SLOW_TO_WARM = USUAL | {"warm_up_z": -4.2, "warm_up_change": -0.4, "settled_z": 3.1, "settled_change": 8.04}
THRESHOLD = 0.98


def compared(run: int, kind: float = JUDGED_AT, features: dict[str, float] = SLOW_TO_WARM) -> Moment:
    """Run number `run`: one an hour, half an hour long."""
    return Moment(
        unit_id=UNIT,
        kind=kind,
        at=after(60.0 * run + 30.0),
        run_start_at=after(60.0 * run),
        since_at=after(60.0 * run),
        features=features,
    )


def told(*odd: bool, watch: Watch | None = None, first: int = 0) -> tuple[Watch, list[list[Finding]]]:
    """The watch and what was told at each run, odd or not."""
    watch, said = watch or Watch(), []
    for run, is_odd in enumerate(odd, first):
        watch, found = judge(watch, compared(run), 0.99 if is_odd else 0.5, THRESHOLD)
        said.append(found)
    return watch, said


def test_features_are_the_columns() -> None:
    assert set(USUAL) == set(COLUMNS)


@pytest.mark.parametrize(
    ("odd", "first_odd"),
    [((1, 1, 1), 0), ((1, 0, 1, 0, 1), 0), ((0, 1, 0, 0, 1, 1), 1), ((1, 0, 0, 0, 0, 1, 1, 0, 1), 5)],
)
def test_opens_at_the_third_odd_run_of_five(odd: tuple[int, ...], first_odd: int) -> None:
    watch, said = told(*map(bool, odd))
    assert [len(found) for found in said] == [0] * (len(odd) - 1) + [1]
    (finding,) = said[-1]
    assert watch.finding == finding
    assert finding.pattern is Pattern.UNLIKE_ITSELF
    assert (finding.start_at, finding.run_start_at) == (after(60.0 * first_odd), after(60.0 * (len(odd) - 1)))
    assert finding.confidence == 0.99


@pytest.mark.parametrize("odd", [(1, 1), (1, 1, 0, 0, 0, 1), (1, 0, 0, 1, 0, 0, 1, 0, 0, 1)])
def test_two_of_five_open_nothing(odd: tuple[int, ...]) -> None:
    watch, said = told(*map(bool, odd))
    assert watch.finding is None
    assert not any(said)


def test_another_moment_is_not_its_business() -> None:
    assert judge(Watch(), compared(1, kind=RUN_ENDED), 1.0, THRESHOLD) == (Watch(), [])


def test_closes_at_the_last_odd_run_after_five_like_its_own() -> None:
    watch, _ = told(True, True, True)
    watch, said = told(False, False, False, False, True, False, False, False, False, watch=watch, first=3)
    assert [len(found) for found in said] == [0, 0, 0, 0, 1, 0, 0, 0, 0]
    watch, ((closed,),) = told(False, watch=watch, first=12)
    assert closed.end_at == after(60.0 * 7 + 30.0)
    assert watch.finding is None
    assert told(True, True, watch=watch, first=13)[1] == [[], []]


def test_evidence_names_what_deviates_farthest_first() -> None:
    facts = evidence(SLOW_TO_WARM)
    assert_readable(facts)
    assert [fact.name for fact in facts] == ["warm_up_change", "settled_change"]
    assert "warms 40 % slower than in its last 24 runs (4.2 times" in facts[0].text
    assert "settles 8 K (14 °F) hotter" in facts[1].text


def test_evidence_leaves_out_what_the_run_can_not_tell() -> None:
    (only,) = evidence(USUAL | {"warm_up_z": math.nan, "warm_up_change": math.nan, "build_up_z": -1.9})
    assert only.name == "build_up_change"


def test_what_has_become_many_times_as_much_is_told_as_a_multiple() -> None:
    (only,) = evidence(USUAL | {"build_up_z": FARTHEST, "build_up_change": 71.5})
    assert_readable((only,))
    assert "takes 72 times as long to build as in its last" in only.text
    # The deviation goes no further in the model, so more of it is not known.
    assert "(12 times or more their usual spread)" in only.text


@pytest.mark.parametrize("name", HABITS)
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_every_quantity_has_words_for_both_sides(name: str, sign: float) -> None:
    (only,) = evidence(USUAL | {f"{name}_z": 5.0 * sign, f"{name}_change": 0.3 * sign})
    (other,) = evidence(USUAL | {f"{name}_z": -5.0 * sign, f"{name}_change": -0.3 * sign})
    assert_readable((only, other))
    assert only.text != other.text
