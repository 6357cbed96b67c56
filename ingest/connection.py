"""One network connection to the broker: takes messages in, hands them on in bursts, sends acknowledgements.

I/O: with `listener.py` the only user of the MQTT client library. A `Connection` lives from one connect to one
disconnect and owns its client object, so an acknowledgement asked for after a reconnect lands on the old
connection and goes nowhere: message ids are reused, and confirming an old one on a new connection would
lose whatever bears it there. All network work runs on the thread that calls `run`.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import ssl
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event
from typing import Any, NamedTuple, cast

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ingest.publish_stream import PublishStream

WRONG_PROTOCOL = "Unsupported protocol version"
TICK_S = 0.5
"""Longest sleep between two looks at keep-alive and stop."""


@dataclass(frozen=True, kw_only=True)
class BrokerAddress:
    """Where the broker is and how to get in."""

    host: str = "127.0.0.1"
    port: int = 1883
    tls: bool = False
    ca_file: Path | None = None
    """Certificates to trust instead of the system's."""
    cert_file: Path | None = None
    key_file: Path | None = None
    username: str | None = None
    password: str | None = field(default=None, repr=False)

    def __str__(self) -> str:
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


@dataclass(frozen=True, kw_only=True)
class Session:
    """What a connection asks of the broker."""

    client_id: str
    topics: tuple[str, ...]
    receive_maximum: int
    session_expiry_s: int
    keepalive_s: int
    connect_timeout_s: float


class Message(NamedTuple):
    """One message as it came."""

    topic: str
    payload: bytes
    message_id: int
    """0 when the sender asked for no acknowledgement."""


class Burst(NamedTuple):
    """Messages that came in together, and the connection that they must be acknowledged on."""

    connection: Connection
    received_at_ms: int
    messages: list[Message]
    n_bytes: int


class Connection:
    """One connect, one disconnect. `acknowledge` may be called from any thread, the rest from one."""

    def __init__(
        self,
        address: BrokerAddress,
        session: Session,
        protocol: MQTTProtocolVersion,
        *,
        clock: Callable[[], int],
        on_burst: Callable[[Burst], None],
        may_read: Callable[[], bool],
    ) -> None:
        self.accepted = False
        """Whether the broker let us in and took the subscription."""
        self.reached = False
        """Whether something took the network connection."""
        self.refusal = ""
        """What the broker had against us, or how the connection ended."""
        self._address, self._session, self._protocol = address, session, protocol
        self._clock, self._on_burst, self._may_read = clock, on_burst, may_read
        self._answered = False
        self._messages: list[Message] = []
        self._n_bytes = 0
        self._confirmed: deque[list[int]] = deque()
        self._wake_receive, self._wake_send = socket.socketpair()
        self._wake_receive.setblocking(False)
        self._wake_send.setblocking(False)
        self._stream: PublishStream | None = None
        self._client = self._new_client()

    @property
    def wants_other_protocol(self) -> bool:
        """Whether the broker was there, but refused this protocol version or could make nothing of it."""
        return self.refused_protocol if self._answered else self.reached

    @property
    def refused_protocol(self) -> bool:
        """Whether the broker said that it does not speak this protocol version."""
        return self.refusal.startswith(WRONG_PROTOCOL)

    def acknowledge(self, message_ids: list[int]) -> None:
        """Confirm messages of this connection, in the order given; does nothing once it has ended."""
        self._confirmed.append(message_ids)
        self.wake()

    def wake(self) -> None:
        """Make `run` look at what has changed."""
        # A full pipe wakes it as well, and a closed one has nothing to wake.
        with contextlib.suppress(OSError):
            self._wake_send.send(b"\0")

    def run(self, stop_reading: Event, finished: Event) -> None:
        """Connect and serve until the connection ends, or `finished` is set.

        Once `stop_reading` is set, only acknowledgements are sent. Raises OSError when nothing answers.
        """
        try:
            self._connect()
            self.reached = True
            with selectors.DefaultSelector() as selector:
                selector.register(self._wake_receive, selectors.EVENT_READ)
                if self._stream is not None:
                    self._serve(self._stream, selector, stop_reading, finished)
            self._client.disconnect()
            self._client.loop_write()
        finally:
            self._wake_receive.close()
            self._wake_send.close()

    def _new_client(self) -> mqtt.Client:
        five = self._protocol == MQTTProtocolVersion.MQTTv5
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._session.client_id,
            protocol=self._protocol,
            reconnect_on_failure=False,
            manual_ack=True,
            clean_session=None if five else False,
        )
        client.connect_timeout = self._session.connect_timeout_s
        if self._address.username is not None:
            client.username_pw_set(self._address.username, self._address.password)
        if self._address.tls:
            client.tls_set_context(_tls_context(self._address))
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.wrap = self._wrapped
        # Tells the client that the network loop is ours: it queues what it has to send instead of writing
        # each packet from within the call.
        client.on_socket_register_write = _leave_it_to_the_loop
        return client

    def _wrapped(self, link: socket.socket) -> PublishStream:
        five = self._protocol == MQTTProtocolVersion.MQTTv5
        self._stream = PublishStream(link, has_properties=five, on_publish=self._on_publish)
        return self._stream

    def _connect(self) -> None:
        host, port, keepalive_s = self._address.host, self._address.port, self._session.keepalive_s
        if self._protocol != MQTTProtocolVersion.MQTTv5:
            self._client.connect(host, port, keepalive_s)
            return
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # untyped there
        properties.SessionExpiryInterval = self._session.session_expiry_s
        properties.ReceiveMaximum = self._session.receive_maximum
        self._client.connect(host, port, keepalive_s, clean_start=False, properties=properties)

    def _serve(
        self,
        stream: PublishStream,
        selector: selectors.BaseSelector,
        stop_reading: Event,
        finished: Event,
    ) -> None:
        registered, last_tick_s = 0, 0.0
        answer_by_s = time.monotonic() + self._session.connect_timeout_s
        while self._client.socket() is stream and not finished.is_set():
            wanted = 0 if stop_reading.is_set() or not self._may_read() else selectors.EVENT_READ
            if self._client.want_write() or stream.unsent:
                wanted |= selectors.EVENT_WRITE
            _rewatch(selector, stream, registered, wanted)
            registered = wanted
            ready = selector.select(TICK_S)
            self._queue_acknowledgements(stream)
            if any(key.fileobj is stream and events & selectors.EVENT_READ for key, events in ready):
                self._read_burst(stream)
            self._send(stream)
            now_s = time.monotonic()
            if now_s - last_tick_s >= TICK_S:
                self._client.loop_misc()
                last_tick_s = now_s
                if not self._answered and now_s > answer_by_s:
                    self.refusal = f"no answer within {self._session.connect_timeout_s:g} s"
                    return

    def _queue_acknowledgements(self, stream: PublishStream) -> None:
        with contextlib.suppress(BlockingIOError):
            self._wake_receive.recv(4_096)
        while self._confirmed:
            stream.acknowledge(self._confirmed.popleft())

    def _read_burst(self, stream: PublishStream) -> None:
        """Take in what has arrived: messages for the owner, everything else for the client."""
        for_client = stream.pull()
        if self._messages:
            burst = Burst(self, self._clock(), self._messages, self._n_bytes)
            self._messages, self._n_bytes = [], 0
            self._on_burst(burst)
        while for_client and self._client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS:
            for_client = stream.for_client

    def _send(self, stream: PublishStream) -> None:
        # Packets of the client and acknowledgements must not cut into each other: the client's go first.
        if self._client.want_write():
            self._client.loop_write()
        if stream.unsent and not self._client.want_write():
            stream.flush()

    def _on_connect(
        self,
        client: mqtt.Client,
        userdata: Any,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        self._answered = True
        if reason.is_failure:
            self.refusal = str(reason)
            return
        client.subscribe([(topic, 1) for topic in self._session.topics])

    def _on_subscribe(
        self,
        client: mqtt.Client,
        userdata: Any,
        message_id: int,
        reasons: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        refused = [str(reason) for reason in reasons if reason.is_failure]
        self.accepted = not refused
        if refused:
            self.refusal = f"subscription refused: {refused[0]}"
            client.disconnect()

    def _on_disconnect(
        self,
        client: mqtt.Client,
        userdata: Any,
        flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        self.refusal = self.refusal or str(reason)

    def _on_publish(self, topic: bytes, payload: bytes, message_id: int) -> None:
        self._n_bytes += len(payload)
        self._messages.append(Message(topic.decode("utf-8", "backslashreplace"), payload, message_id))


class _Client(mqtt.Client):
    """The library's client over a `PublishStream`."""

    wrap: Callable[[socket.socket], PublishStream]

    def _create_socket(self) -> PublishStream:
        return self.wrap(cast(socket.socket, super()._create_socket()))


def _leave_it_to_the_loop(client: mqtt.Client, userdata: Any, link: Any) -> None:
    """Do nothing: `Connection.run` writes what is queued."""


def _rewatch(selector: selectors.BaseSelector, stream: PublishStream, before: int, wanted: int) -> None:
    """Watch the socket for what is wanted now."""
    if before and not wanted:
        selector.unregister(stream)
    elif wanted and not before:
        selector.register(stream, wanted)
    elif wanted != before:
        selector.modify(stream, wanted)


def _tls_context(address: BrokerAddress) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=address.ca_file)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if address.cert_file is not None:
        context.load_cert_chain(address.cert_file, address.key_file)
    return context
