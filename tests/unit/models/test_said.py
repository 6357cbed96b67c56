"""Which versions of a finding are kept beside each other."""

from __future__ import annotations

import datetime as dt
import math

import msgspec
import pytest

from models.records import Evidence, Finding, Pattern
from models.said import Cause, carries_on, worth_keeping

NOON = dt.datetime(2026, 1, 14, 12, 0, tzinfo=dt.UTC)
H = dt.timedelta(hours=1)
SAID = Finding(
    finding_id="f",
    unit_id="unit",
    pattern=Pattern.SHORT_CYCLING,
    start_at=NOON - 5 * H,
    end_at=None,
    first_flagged_at=NOON,
    confidence=0.9,
    evidence=(Evidence(text="3 wet runs", name="wet_runs_week", value=3.0),),
    run_start_at=NOON - H,
)
MORE = (Evidence(text="4 wet runs", name="wet_runs_week", value=4.0),)


def changed(**changes: object) -> Finding:
    return msgspec.structs.replace(SAID, **changes)


def causes(now: Finding, cause: Cause | None) -> list[Cause]:
    return [found for _, found in worth_keeping({"f": SAID}, [now], cause)]


def test_what_was_never_said_is_first() -> None:
    for cause in (None, Cause.LATE_DATA):
        assert worth_keeping({}, [SAID], cause) == [(SAID, Cause.FIRST)]


def test_what_was_never_said_and_is_withdrawn_already_was_told_to_nobody() -> None:
    assert worth_keeping({}, [changed(withdrawn=True)], Cause.LATE_DATA) == []


@pytest.mark.parametrize("cause", [None, Cause.LATE_DATA, Cause.WORKED_ANEW])
def test_the_same_again_is_no_version(cause: Cause | None) -> None:
    assert causes(changed(), cause) == []


def test_an_unknown_number_equals_itself() -> None:
    unknown = changed(evidence=(Evidence(text="?", name="water_g", value=math.nan),))
    again = msgspec.structs.replace(
        unknown, evidence=(Evidence(text="?", name="water_g", value=math.nan * 1),)
    )
    assert worth_keeping({"f": unknown}, [again], Cause.LATE_DATA) == []


def test_newer_evidence_of_a_standing_finding_takes_nothing_back() -> None:
    newer = changed(evidence=MORE, run_start_at=NOON)
    assert carries_on(SAID, newer)
    assert causes(newer, None) == []


def test_an_end_is_news() -> None:
    assert causes(changed(end_at=NOON + H), None) == [Cause.NEWS]
    assert causes(changed(end_at=NOON + H), Cause.LATE_DATA) == [Cause.NEWS]


@pytest.mark.parametrize(
    "now",
    [
        changed(start_at=NOON - 6 * H),
        changed(first_flagged_at=NOON - H),
        changed(confidence=0.7),
        changed(withdrawn=True, end_at=NOON),
        changed(evidence=MORE),
    ],
    ids=["start", "flagged", "confidence", "withdrawn", "evidence of the same run"],
)
@pytest.mark.parametrize("cause", [Cause.LATE_DATA, Cause.WORKED_ANEW])
def test_what_contradicts_is_kept_with_its_cause(now: Finding, cause: Cause) -> None:
    assert causes(now, cause) == [cause]


@pytest.mark.parametrize("end_at", [None, NOON + 2 * H, NOON + H / 2])
def test_an_end_that_is_taken_back_or_moved_is_kept(end_at: dt.datetime | None) -> None:
    ended = changed(end_at=NOON + H)
    assert worth_keeping({"f": ended}, [changed(end_at=end_at)], Cause.LATE_DATA) == [
        (changed(end_at=end_at), Cause.LATE_DATA)
    ]


def test_a_withdrawn_finding_that_comes_again_is_kept() -> None:
    gone = changed(withdrawn=True, end_at=NOON)
    assert worth_keeping({"f": gone}, [SAID], Cause.LATE_DATA) == [(SAID, Cause.LATE_DATA)]
