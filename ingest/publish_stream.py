"""A broker connection's byte stream, read in large pieces: published messages taken out, the rest left.

The client library reads a socket a few bytes at a time and builds a properties object for each message,
which costs several times what decoding and storing a reading does. This stands in for its socket: PUBLISH
packets (OASIS MQTT 3.1.1 and 5.0, section 3.3) are split off here, whole buffers at once, and PUBACK packets
are sent in one piece; every other packet the library reads and writes as if nothing were between.
"""

from __future__ import annotations

import socket
import ssl
from collections.abc import Callable, Iterable
from contextlib import suppress

READ_BYTES = 65_536
PUBLISH = 3
PUBACK = b"\x40\x02"
"""Type and length of a PUBACK that says success, in either version (section 3.4)."""
MAX_LENGTH_BYTES = 4
QOS_BITS = 0x06
_PARTS_TOO_LONG = "the broker sent a PUBLISH packet whose parts are longer than the whole"
_TLS_WANTS = (ssl.SSLWantReadError, ssl.SSLWantWriteError)


class PublishStream:
    """Socket to the library, message source to us; used by one thread."""

    def __init__(
        self, link: socket.socket, *, has_properties: bool, on_publish: Callable[[bytes, bytes, int], None]
    ) -> None:
        self._link = link
        self._has_properties = has_properties
        self._on_publish = on_publish
        self._received = bytearray()
        self._others = bytearray()
        self._unsent = b""
        self._ended = False

    def pull(self) -> bool:
        """Read what has arrived, hand on its messages; whether there is something for the library to read."""
        pending = getattr(self._link, "pending", None)
        more = True
        while more:
            self._read_once()
            # What TLS has decrypted already never shows on the socket again.
            more = pending is not None and not self._ended and pending() > 0
        return self.for_client

    @property
    def for_client(self) -> bool:
        """Whether the library has something to read: a packet of its own, or the end."""
        return bool(self._others) or self._ended

    def acknowledge(self, message_ids: Iterable[int]) -> None:
        """Queue PUBACK packets; `flush` sends them."""
        self._unsent += b"".join([PUBACK + message_id.to_bytes(2, "big") for message_id in message_ids])

    @property
    def unsent(self) -> bool:
        """Whether acknowledgements wait for `flush`."""
        return bool(self._unsent)

    def flush(self) -> None:
        """Send acknowledgements; only between two packets of the library."""
        with suppress(BlockingIOError):
            while self._unsent:
                self._unsent = self._unsent[self._send(self._unsent) :]

    # --- what the library takes for its socket ---

    def recv(self, buffer_size: int) -> bytes:
        """Bytes of packets that are no messages; BlockingIOError when there are none, b"" at the end."""
        if not self._others:
            if self._ended:
                return b""
            raise BlockingIOError
        taken = bytes(self._others[:buffer_size])
        del self._others[:buffer_size]
        return taken

    def send(self, buffer: bytes | bytearray) -> int:
        """Send for the library, never into the middle of our own packets."""
        if self._unsent:
            raise BlockingIOError
        return self._send(buffer)

    def fileno(self) -> int:
        """The socket's file descriptor, -1 once closed."""
        return self._link.fileno()

    def setblocking(self, flag: bool) -> None:
        """As of a socket."""
        self._link.setblocking(flag)

    def close(self) -> None:
        """As of a socket."""
        self._ended = True
        self._link.close()

    # --- the stream ---

    def _send(self, data: bytes | bytearray) -> int:
        try:
            return self._link.send(data)
        except (BlockingIOError, *_TLS_WANTS):
            raise BlockingIOError from None

    def _read_once(self) -> None:
        try:
            data = self._link.recv(READ_BYTES)
        except (BlockingIOError, *_TLS_WANTS):
            return
        if not data:
            self._ended = True
            return
        self._received += data
        try:
            done = self._split(self._received)
        except IndexError:
            raise ConnectionError(_PARTS_TOO_LONG) from None
        del self._received[:done]

    def _split(self, data: bytearray) -> int:
        """Deal out the whole packets in `data`; where the first one that isn't all there begins."""
        at, end = 0, len(data)
        while end - at >= 2:
            length, body = data[at + 1], at + 2
            if length & 0x80:
                length, body = _long_length(data, at + 1)
                if body < 0:
                    break
            after = body + length
            if after > end:
                break
            if data[at] >> 4 == PUBLISH:
                self._publish(data, at, body, after)
            else:
                self._others += data[at:after]
            at = after
        return at

    def _publish(self, data: bytearray, at: int, body: int, after: int) -> None:
        topic_at = body + 2
        cursor = topic_at + (data[body] << 8 | data[body + 1])
        topic = bytes(data[topic_at:cursor])
        message_id = 0
        if data[at] & QOS_BITS:
            message_id = data[cursor] << 8 | data[cursor + 1]
            cursor += 2
        if self._has_properties:
            length = data[cursor]
            if length & 0x80:
                length, cursor = _long_length(data, cursor)
            else:
                cursor += 1
            cursor += length
        if cursor > after:
            raise ConnectionError(_PARTS_TOO_LONG)
        self._on_publish(topic, bytes(data[cursor:after]), message_id)


def _long_length(data: bytearray, at: int) -> tuple[int, int]:
    """A variable byte integer (section 1.5.5) and where it ends; -1 when it isn't all there yet."""
    length = 0
    for i in range(MAX_LENGTH_BYTES):
        if at + i >= len(data):
            return 0, -1
        length |= (data[at + i] & 0x7F) << (7 * i)
        if not data[at + i] & 0x80:
            return length, at + i + 1
    raise ConnectionError("the broker sent a packet length of more than four bytes")
