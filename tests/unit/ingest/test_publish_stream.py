"""Splitting a broker's byte stream, against packets laid out by hand after the OASIS MQTT standards."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.publish_stream import READ_BYTES, PublishStream

PINGRESP = b"\xd0\x00"
"""MQTT 5.0 section 3.13."""


def length(n: int) -> bytes:
    """Variable byte integer, MQTT 5.0 section 1.5.5, its pseudo code."""
    encoded = b""
    while True:
        n, byte = divmod(n, 128)
        encoded += bytes([byte | 0x80 if n else byte])
        if not n:
            return encoded


def publish_packet(topic: bytes, payload: bytes, message_id: int, properties: bytes | None) -> bytes:
    """MQTT 5.0 (or, without properties, 3.1.1) section 3.3."""
    body = len(topic).to_bytes(2, "big") + topic
    if message_id:
        body += message_id.to_bytes(2, "big")
    if properties is not None:
        body += length(len(properties)) + properties
    body += payload
    return bytes([0x32 if message_id else 0x30]) + length(len(body)) + body


class Wire:
    """Both ends of a connection: what the broker sends, and the stream under test."""

    def __init__(self, *, has_properties: bool) -> None:
        self.broker, link = socket.socketpair()
        link.setblocking(False)
        self.messages: list[tuple[bytes, bytes, int]] = []
        self.stream = PublishStream(
            link, has_properties=has_properties, on_publish=lambda *message: self.messages.append(message)
        )

    def close(self) -> None:
        self.broker.close()
        self.stream.close()


@pytest.fixture
def wire() -> Iterator[Wire]:
    wire = Wire(has_properties=True)
    yield wire
    wire.close()


def test_example_of_the_standard() -> None:
    # MQTT 3.1.1 section 3.3.2: topic "a/b", packet identifier 10; the payload is ours.
    wire = Wire(has_properties=False)
    wire.broker.send(b"\x32\x0a\x00\x03a/b\x00\x0ahey")
    assert not wire.stream.pull()
    assert wire.messages == [(b"a/b", b"hey", 10)]
    wire.close()


packets = st.tuples(
    st.binary(max_size=20),
    st.binary(max_size=20) | st.integers(120, 17_000).map(bytes),
    st.integers(0, 65_535),
    st.binary(max_size=140),
)


@given(st.lists(packets, max_size=5), st.booleans(), st.lists(st.integers(0, 40_000), max_size=6))
def test_any_cut_of_the_stream_gives_the_same_messages(
    sent: list[tuple[bytes, bytes, int, bytes]], has_properties: bool, cuts: list[int]
) -> None:
    wire = Wire(has_properties=has_properties)
    data = b"".join(
        publish_packet(topic, payload, message_id, properties if has_properties else None) + PINGRESP
        for topic, payload, message_id, properties in sent
    )
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    others = b""
    for start, end in pairwise(edges):
        if end > start:
            wire.broker.send(data[start:end])
            for _ in range(1 + (end - start) // READ_BYTES):
                wire.stream.pull()
            while wire.stream.for_client:
                others += wire.stream.recv(1)
    assert wire.messages == [message[:3] for message in sent]
    assert others == PINGRESP * len(sent)
    wire.close()


def test_nothing_to_read_and_the_end(wire: Wire) -> None:
    assert not wire.stream.pull()
    with pytest.raises(BlockingIOError):
        wire.stream.recv(1)
    wire.broker.close()
    assert wire.stream.pull()
    assert wire.stream.recv(1) == b""


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"\xd0\xff\xff\xff\xff\x01", "more than four bytes"),
        (b"\x30\x05\x00\x09abc" + b"\x00" * 9, "longer than"),
        (b"\x30\x00", "longer than"),
    ],
)
def test_stream_that_is_no_mqtt(wire: Wire, data: bytes, reason: str) -> None:
    wire.broker.send(data)
    with pytest.raises(ConnectionError, match=reason):
        wire.stream.pull()


def test_acknowledgements_are_whole_packets_in_order(wire: Wire) -> None:
    wire.stream.acknowledge([1, 2, 65_535])
    with pytest.raises(BlockingIOError):
        wire.stream.send(PINGRESP)
    wire.stream.flush()
    # MQTT 5.0 section 3.4: type 4, two bytes of packet identifier, success when no reason follows.
    assert wire.broker.recv(100) == b"\x40\x02\x00\x01\x40\x02\x00\x02\x40\x02\xff\xff"
    assert not wire.stream.unsent
    assert wire.stream.send(PINGRESP) == 2


def test_acknowledgements_wait_for_room(wire: Wire) -> None:
    n = 400_000
    wire.stream.acknowledge(range(1, 2))
    wire.stream.acknowledge([7] * n)
    wire.stream.flush()
    assert wire.stream.unsent
    wire.broker.setblocking(False)
    received = 0
    while received < 4 * (n + 1):
        received += len(wire.broker.recv(1_000_000))
        wire.stream.flush()
    assert received == 4 * (n + 1)
    assert not wire.stream.unsent
