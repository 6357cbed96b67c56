"""Sorting of messages into readings, link states and rejects."""

from __future__ import annotations

import pytest

from ingest.batch import Batch, link_state, unstacked
from ingest.json_lines import read_block
from ingest.payload import Limits, PayloadError
from ingest.quality import Quality
from ingest.quarantine import Rejected
from ingest.reading import Reading
from ingest.units_of_measure import MS_PER_DAY

AT_MS = 1_767_618_005_000


def sorted_batch(*messages: tuple[str, bytes]) -> Batch:
    batch = Batch()
    for topic, payload in messages:
        batch.add(topic, payload, AT_MS, "compressors", Limits())
    return batch


@pytest.mark.parametrize(
    ("days", "flags"), [(0, 0), (89, 0), (91, Quality.CLOCK_WRONG), (1826, Quality.CLOCK_WRONG)]
)
def test_what_comes_live_from_a_season_ago_has_a_wrong_clock(days: int, flags: int) -> None:
    at_ms = AT_MS - days * MS_PER_DAY
    row = b'{"ts": %d, "hours": 1}' % at_ms
    batch = sorted_batch(("compressors/A7/readings", row))
    assert [(reading.observed_at_ms, reading.quality) for reading in batch.readings] == [(at_ms, flags)]
    line = b'{"topic": "compressors/A7/readings", "payload": %s}' % row
    (imported,) = read_block(line, 1, AT_MS).parts
    assert imported.quality.tolist() == [0]


def test_each_message_goes_where_it_belongs() -> None:
    batch = sorted_batch(
        ("compressors/A7/readings", b'{"ts": 1767618000, "hours": 1}'),
        ("compressors/A7/link", b"online"),
        ("compressors/A7/readings", b"broken"),
        ("compressors/A7/readings", b'[{"ts": 1767618001, "hours": 2}, {"ts": 1}]'),
        ("compressors/A7/link", b""),
        ("compressors/A7/link", b"{}"),
        ("elsewhere", b"{}"),
    )
    assert [reading.hours for reading in batch.readings] == [1.0, 2.0]
    assert batch.links == [("A7", "online", AT_MS)]
    assert [(rejected.topic, rejected.payload) for rejected in batch.rejected] == [
        ("compressors/A7/readings", b"broken"),
        ("compressors/A7/readings", b'{"ts": 1}'),
        ("compressors/A7/link", b"{}"),
        ("elsewhere", b"{}"),
    ]
    assert isinstance(batch.rejected[0], Rejected)


@pytest.mark.parametrize(
    ("payload", "state"),
    [
        (b"online", "online"),
        (b" Offline\n", "offline"),
        (b'{"state": "online"}', "online"),
        (b'"lost"', "lost"),
    ],
)
def test_link_state(payload: bytes, state: str) -> None:
    assert link_state(payload) == state


@pytest.mark.parametrize(
    "payload", [b"   ", b"x" * 17, b"on\x00", b'{"state"', b"{}", b'{"state": 1' + b"[" * 900]
)
def test_link_state_that_is_none(payload: bytes) -> None:
    with pytest.raises(PayloadError, match="link state"):
        link_state(payload)


def timeless(at_ms: int, received_at_ms: int = AT_MS) -> Reading:
    flags = int(Quality.RECEIVED_TIME_USED)
    return Reading(unit_id="A7", observed_at_ms=at_ms, received_at_ms=received_at_ms, quality=flags)


def test_readings_without_clock_never_share_an_instant() -> None:
    last: dict[str, int] = {}
    first = unstacked([timeless(AT_MS), timeless(AT_MS)], last)
    second = unstacked([timeless(AT_MS - 1), timeless(AT_MS)], last)
    assert [reading.observed_at_ms for reading in first + second] == [AT_MS, AT_MS + 1, AT_MS + 2, AT_MS + 3]


def test_times_that_the_sender_gave_are_left_alone() -> None:
    last: dict[str, int] = {}
    clocked = Reading(unit_id="A7", observed_at_ms=AT_MS, received_at_ms=AT_MS)
    relative = timeless(AT_MS - 60_000)
    assert unstacked([timeless(AT_MS), clocked, relative], last) == [timeless(AT_MS), clocked, relative]
