"""The instant a person types for work on the sump, and how work is worded."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from dashboards import work as words
from dashboards.sources import WorkView
from ingest.maintenance import Work
from tests.unit.dashboards.invented import NOW

CHICAGO = ZoneInfo("America/Chicago")
"""The clocks there went forward on 2026-03-08 at 02:00 and back on 2026-11-01 at 02:00 (15 U.S.C. 260a)."""
DECEMBER = dt.datetime(2026, 12, 1, tzinfo=dt.UTC)


def test_time_is_the_wall_clock_of_the_yard() -> None:
    # Chicago is six hours behind UTC in winter.
    assert words.done_at("2026-02-11 08:00", NOW, CHICAGO) == dt.datetime(2026, 2, 11, 14, tzinfo=dt.UTC)
    assert words.done_at(" 2026-02-11T08:00 ", NOW, CHICAGO) == dt.datetime(2026, 2, 11, 14, tzinfo=dt.UTC)


def test_time_offered_is_read_back_as_the_minute_that_is_running() -> None:
    now = NOW.replace(second=42)
    assert words.time_field(now, CHICAGO) == "2026-02-11 09:30"
    assert words.done_at(words.time_field(now, CHICAGO), now, CHICAGO) == now.replace(second=0)


def test_no_time_is_now() -> None:
    assert words.done_at("  ", NOW, CHICAGO) == NOW


@pytest.mark.parametrize("text", ["yesterday", "2026-02-11", "2026-02-30 08:00", "11/02/2026 08:00", "0000"])
def test_time_that_cannot_be_read(text: str) -> None:
    with pytest.raises(words.WorkTimeError, match=r"is no date and time such as 2026-02-11 09:30"):
        words.done_at(text, NOW, CHICAGO)


@pytest.mark.parametrize("zone", [CHICAGO, ZoneInfo("Asia/Tokyo")])
def test_the_ends_of_the_calendar_are_refused_not_crashed_over(zone: ZoneInfo) -> None:
    with pytest.raises(words.WorkTimeError):
        words.done_at("9999-12-31 23:59", NOW, zone)


def test_time_to_come_is_refused_with_the_time_at_the_yard() -> None:
    with pytest.raises(words.WorkTimeError, match="still to come: it is 2026-02-11 09:30 at the yard"):
        words.done_at("2026-02-11 09:31", NOW, CHICAGO)


def test_the_hour_that_the_clocks_skipped_never_was() -> None:
    with pytest.raises(words.WorkTimeError, match="clocks went forward"):
        words.done_at("2026-03-08 02:30", DECEMBER, CHICAGO)


def test_of_the_hour_the_clocks_went_through_twice_the_first_is_taken() -> None:
    at = words.done_at("2026-11-01 01:30", DECEMBER, CHICAGO)
    assert at == dt.datetime(2026, 11, 1, 6, 30, tzinfo=dt.UTC)  # Still daylight time, UTC-5.


def test_words_tell_who_and_when_at_the_yard() -> None:
    one = WorkView(
        number=1,
        work=Work.OIL_CHANGE,
        done_at=NOW - dt.timedelta(hours=2),
        recorded_at=NOW,
        recorded_by="Bay 2",
        taken_back_at=NOW + dt.timedelta(minutes=5),
        taken_back_by="Yard desk",
    )
    assert words.title(one, CHICAGO) == "Oil change · 2026-02-11 07:30"
    assert words.history(one, CHICAGO) == (
        "recorded 2026-02-11 09:30 by Bay 2; taken back 2026-02-11 09:35 by Yard desk"
    )
