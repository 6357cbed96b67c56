"""The run in hand stands with those that are over, once and only where the range reaches."""

from __future__ import annotations

import datetime as dt

import msgspec
import pytest

from dashboards.display import ms_of
from dashboards.lines import readings_words
from dashboards.unit_runs import with_run_in_hand
from models.records import Run
from tests.unit.dashboards.invented import NOW, runs

HOUR = dt.timedelta(hours=1)
ENDED = runs(3)
IN_HAND = msgspec.structs.replace(ENDED[-1], start_at=NOW - HOUR, end_at=None, last_at=NOW)


def shown(in_hand: Run | None, start: dt.datetime, end: dt.datetime) -> list[Run]:
    return with_run_in_hand(ENDED, in_hand, ms_of(start), ms_of(end))


def test_the_run_in_hand_comes_last() -> None:
    assert shown(IN_HAND, NOW - 24 * HOUR, NOW + HOUR) == [*ENDED, IN_HAND]
    assert shown(None, NOW - 24 * HOUR, NOW + HOUR) == ENDED


@pytest.mark.parametrize(("start", "end"), [(NOW - 9 * HOUR, NOW - HOUR), (NOW + HOUR, NOW + 2 * HOUR)])
def test_outside_the_range_it_is_left_out(start: dt.datetime, end: dt.datetime) -> None:
    assert shown(IN_HAND, start, end) == ENDED


def test_one_that_is_over_meanwhile_stands_once() -> None:
    over = msgspec.structs.replace(ENDED[-1], end_at=None)
    assert shown(over, NOW - 240 * HOUR, NOW) == ENDED


def test_few_readings_are_said_to_be_thinned_no_more_than_they_are() -> None:
    assert readings_words(1) == "1 reading."
    assert "thinned" in readings_words(2001)
