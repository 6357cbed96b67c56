"""What was put aside comes back as it was, whatever a sender put into it."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from ingest.database import metadata
from ingest.quarantine import MAX_PAYLOAD_BYTES, Quarantine, Quarantined, Rejected


@pytest.fixture
def quarantine() -> Quarantine:
    engine = sa.create_engine("sqlite://", poolclass=sa.StaticPool)
    metadata.create_all(engine)
    return Quarantine(engine)


def test_add_and_recent_newest_first(quarantine: Quarantine) -> None:
    quarantine.add(1_000, "compressors/A7/readings", "no rows", b"[]")
    quarantine.add_many([Rejected(2_000, "t2", "r2", b"\x00\xff"), Rejected(3_000, "t3", "r3", b"")])
    assert quarantine.count() == 3
    assert quarantine.recent(2) == [
        Quarantined(3, 3_000, "t3", "r3", b""),
        Quarantined(2, 2_000, "t2", "r2", b"\x00\xff"),
    ]


def test_get_and_drop(quarantine: Quarantine) -> None:
    quarantine.add(1_000, "t", "r", b"p")
    assert quarantine.get(1) == Quarantined(1, 1_000, "t", "r", b"p")
    assert quarantine.drop(1)
    assert not quarantine.drop(1)
    assert quarantine.get(1) is None
    assert quarantine.count() == 0


def test_add_many_of_nothing(quarantine: Quarantine) -> None:
    quarantine.add_many([])
    assert quarantine.recent() == []


def test_hostile_text_and_long_payload(quarantine: Quarantine) -> None:
    quarantine.add(1_000, "a\x00b\ud800", "x" * 5_000, b"y" * (MAX_PAYLOAD_BYTES + 7))
    entry = quarantine.recent()[0]
    assert entry.topic == "a\\x00b\\ud800"
    assert len(entry.reason) == 2_000
    assert entry.payload == b"y" * MAX_PAYLOAD_BYTES


def test_cut_payload_says_so(quarantine: Quarantine) -> None:
    quarantine.add(1_000, "t", "too long", b"y" * (MAX_PAYLOAD_BYTES + 7))
    assert quarantine.recent()[0].reason == "too long (first 1000000 of 1000007 bytes kept)"


def test_add_absent_keeps_what_is_the_same_once(quarantine: Quarantine) -> None:
    row = Rejected(1_000, "log.csv:2", "no number", b"x,y")
    others = [row._replace(topic="log.csv:3"), row._replace(reason="r"), row._replace(payload=b"z")]
    quarantine.add_absent([row, *others, row])
    quarantine.add_absent([row._replace(received_at_ms=2_000)])
    assert quarantine.count() == 4
    assert {entry.received_at_ms for entry in quarantine.recent()} == {1_000}


def test_add_many_keeps_every_message(quarantine: Quarantine) -> None:
    row = Rejected(1_000, "compressors/A/readings", "no number", b"x")
    quarantine.add_many([row, row])
    quarantine.add_many([row])
    assert quarantine.count() == 3
