"""Stretches of time asked for by an address."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from dashboards.display import ms_of
from dashboards.ranges import Range, RangeError, in_words, range_of
from tests.unit.dashboards.invented import NOW, NOW_MS

TZ = ZoneInfo("America/Denver")
SPAN = (NOW_MS - 40 * 86_400_000, NOW_MS - 3_600_000)


def asked(choice: str = "", start: str = "", end: str = "", span: tuple[int, int] | None = SPAN) -> Range:
    return range_of(choice, start, end, span=span, now=NOW, tz=TZ)


def test_fixed_choices_end_at_the_last_reading() -> None:
    found = asked("6h")
    assert (found.end_ms - 1, found.end_ms - found.start_ms) == (SPAN[1], 6 * 3_600_000)
    assert found.follows


def test_default_is_a_day() -> None:
    assert asked() == asked("24h")


def test_all_takes_every_reading() -> None:
    found = asked("all")
    assert (found.start_ms, found.end_ms) == (SPAN[0], SPAN[1] + 1)


@pytest.mark.parametrize("choice", ["6h", "24h", "7d", "30d", "all"])
def test_a_reading_dated_in_the_future_does_not_drag_the_range_there(choice: str) -> None:
    years_ahead = (SPAN[0], NOW_MS + 4 * 365 * 86_400_000)
    found = asked(choice, span=years_ahead)
    assert found.end_ms - 1 == NOW_MS
    assert found.start_ms >= SPAN[0]


def test_readings_that_all_lie_in_the_future_can_still_be_asked_for() -> None:
    ahead = (NOW_MS + 3_600_000, NOW_MS + 7_200_000)
    found = asked("all", span=ahead)
    assert (found.start_ms, found.end_ms) == (ahead[0], ahead[0] + 1)


def test_custom_is_wall_clock_of_the_yard() -> None:
    # Denver is UTC-7 in February.
    found = asked(start="2026-02-10T06:00", end="2026-02-10T18:30")
    assert found.start_ms == ms_of(dt.datetime(2026, 2, 10, 13, 0, tzinfo=dt.UTC))
    assert found.end_ms == ms_of(dt.datetime(2026, 2, 11, 1, 30, tzinfo=dt.UTC))
    assert in_words(found, TZ) == ("2026-02-10 06:00", "2026-02-10 18:30")
    assert asked("", *in_words(found, TZ)) == found
    assert not found.follows


def test_custom_without_end_goes_up_to_now() -> None:
    assert asked(start="2026-02-10T06:00").end_ms == NOW_MS


@pytest.mark.parametrize(
    ("choice", "start", "end", "said"),
    [
        ("fortnight", "", "", "range 'fortnight'"),
        ("", "yesterday", "", "from 'yesterday'"),
        ("", "", "2026-02-10T06:00", "from ''"),
        ("", "2026-02-10T06:00", "2026-02-10T06:00", "must be later"),
    ],
)
def test_nonsense_is_named(choice: str, start: str, end: str, said: str) -> None:
    with pytest.raises(RangeError, match=said):
        asked(choice, start, end)
