"""Short words for people."""

from __future__ import annotations

import datetime as dt

import msgspec
import pytest

from alerts.alarm import AlarmState, Priority
from dashboards.words import alarm_times, bytes_words
from models.records import Pattern
from tests.unit.dashboards.invented import NOW, alarm


@pytest.mark.parametrize(
    ("payload", "shown"),
    [
        (b"garbage", "garbage"),
        (b"caf\xc3\xa9", "caf\u00e9"),
        # Neither byte begins a UTF-8 sequence, RFC 3629 section 1.
        (b"\xff\xc0 ok", "\\xff\\xc0 ok"),
    ],
)
def test_bytes_are_shown_as_text_and_none_is_lost(payload: bytes, shown: str) -> None:
    assert bytes_words(payload) == shown


RAISED = msgspec.structs.replace(
    alarm(3, Pattern.SHORT_CYCLING, Priority.HIGH, AlarmState.UNACKNOWLEDGED),
    sure="72 % sure",
    flagged_at=NOW - dt.timedelta(hours=2),
    told_at=NOW - dt.timedelta(hours=2),
    respond_by=NOW + dt.timedelta(hours=10),
)


def test_an_alarm_says_how_sure_since_when_and_by_when() -> None:
    assert alarm_times(RAISED, dt.UTC, NOW) == [
        "72 % sure",
        "flagged 2026-02-11 13:30",
        "respond by 2026-02-12 01:30, in 10.0\u202fh",
    ]
    late = alarm_times(RAISED, dt.UTC, NOW + dt.timedelta(hours=11))
    assert late[-1].endswith("overdue")


def test_what_was_found_in_old_history_says_when_it_was_told_and_of_when_its_evidence_is() -> None:
    old = msgspec.structs.replace(
        RAISED, flagged_at=NOW - dt.timedelta(days=40), evidence_at=NOW - dt.timedelta(days=3)
    )
    assert alarm_times(old, dt.UTC, NOW)[1:4] == [
        "flagged 2026-01-02 15:30",
        "told 2026-02-11 13:30",
        "evidence of 2026-02-08 15:30",
    ]


def test_an_alarm_whose_finding_is_over_says_so_while_it_is_still_up() -> None:
    over = msgspec.structs.replace(RAISED, ended_at=NOW - dt.timedelta(minutes=30))
    assert "not seen since 2026-02-11 15:00" in alarm_times(over, dt.UTC, NOW)[-1]
    returned = msgspec.structs.replace(over, returned_at=NOW)
    assert alarm_times(returned, dt.UTC, NOW) == alarm_times(RAISED, dt.UTC, NOW)
