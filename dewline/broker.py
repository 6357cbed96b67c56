"""Dewline's own MQTT broker, for a machine that has none: in this process, in memory, on a thread of its own.

It speaks MQTT 3.1.1, acknowledges a message before anyone has stored it, and forgets what is under way when
the process ends: good for one box and for the demo, not for a fleet whose every reading counts. There a
broker of its own is named in the settings (`broker.host`). Called by `dewline.runtime`.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from concurrent.futures import Future
from typing import Any, Self

from amqtt.broker import Broker, BrokerContext
from amqtt.errors import BrokerError as AmqttBrokerError
from amqtt.mqtt.constants import QOS_1
from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session

log = logging.getLogger(__name__)

STOP_WITHIN_S = 5.0
HELLO_WITHIN_S = 10.0
"""How long a connection may stay without saying which MQTT it speaks. [s]"""
MQTT_5 = 5
REFUSE_MQTT_5 = b"\x20\x03\x00\x84\x00"
"""CONNACK with reason 0x84, unsupported protocol version (MQTT 5.0, 3.2.2.2)."""


class BrokerError(OSError):
    """The broker can't listen where it was told to."""


class AdmitEverybody(BaseAuthPlugin):  # type: ignore[misc]  # the library is untyped
    """Asks nobody for a password. The library's own plugin for that forgets a session with its connection."""

    async def authenticate(self, *, session: Session) -> bool:
        """Yes."""
        return True


class EmbeddedBroker:
    """Listens from `start` to `stop`; a context manager over both.

    Parameters
    ----------
    bind : str
        Address to listen on. Nobody is asked for a password.
    port : int
        TCP port, 1-65535.
    client_id, topics : str, tuple of str
        The listener's session and what it subscribes to.
    """

    def __init__(self, *, bind: str, port: int, client_id: str, topics: tuple[str, ...]) -> None:
        self._client_id = client_id
        self._topics = topics
        self._bind = bind
        self._port = port
        self._stop = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._started: Future[None] = Future()
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)

    def start(self) -> None:
        """Return once trucks can connect.

        Raises
        ------
        BrokerError
            When the address or port can't be had.
        """
        self._thread.start()
        self._started.result()
        log.info("broker listens on %s port %d", self._bind, self._port)

    def stop(self) -> None:
        """Close every connection and return when the port is free again."""
        if self._loop is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(STOP_WITHIN_S)
        if self._thread.is_alive():
            log.warning("broker did not stop within %.0f s", STOP_WITHIN_S)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._loop.set_exception_handler(_note)
        broker = _Mqtt311Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{self._bind}:{self._port}"}},
                "plugins": {f"{AdmitEverybody.__module__}.{AdmitEverybody.__name__}": {}},
            }
        )
        try:
            await broker.start()
        except AmqttBrokerError as error:
            self._started.set_exception(
                BrokerError(
                    f"no broker can listen on {self._bind} port {self._port}: {error}; "
                    "choose another with broker.port"
                )
            )
            return
        # Trucks may be quicker than the listener: what they send before it has subscribed is kept for it.
        for topic in self._topics:
            await BrokerContext(broker).add_subscription(self._client_id, topic, QOS_1)
        self._started.set_result(None)
        await self._stop.wait()
        await broker.shutdown()


class _Mqtt311Broker(Broker):  # type: ignore[misc]  # the library is untyped
    """Tells clients of MQTT 5 at once that they must come with 3.1.1; the library leaves them waiting."""

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        """Look at the first packet as far as its protocol level, then go on as if nobody had looked."""
        try:
            hello = await asyncio.wait_for(_hello(reader), HELLO_WITHIN_S)
        except (asyncio.IncompleteReadError, ConnectionError, TimeoutError):
            writer.close()
            return
        if hello[-1] == MQTT_5:
            writer.write(REFUSE_MQTT_5)
            writer.close()
            return
        try:
            await super().stream_connected(_ReadAgain(hello, reader), writer, listener_name)
        finally:
            writer.close()


class _ReadAgain:
    """A stream whose first bytes have been read and are read once more."""

    def __init__(self, first: bytes, rest: asyncio.StreamReader) -> None:
        self._first, self._rest = first, rest

    async def read(self, n: int = -1) -> bytes:
        """As `asyncio.StreamReader.read`."""
        taken, self._first = self._first, b""
        return taken + await self._rest.read(n)

    async def readexactly(self, n: int) -> bytes:
        """As `asyncio.StreamReader.readexactly`."""
        taken, self._first = self._first[:n], self._first[n:]
        return taken + await self._rest.readexactly(n - len(taken))

    def feed_eof(self) -> None:
        """As `asyncio.StreamReader.feed_eof`."""
        self._rest.feed_eof()


async def _hello(reader: asyncio.StreamReader) -> bytes:
    """A CONNECT packet up to its protocol level: type, length, name of the protocol, level (3.1.2)."""
    hello = await reader.readexactly(2)
    while hello[-1] & 0x80 and len(hello) < 5:
        hello += await reader.readexactly(1)
    name_length = await reader.readexactly(2)
    return hello + name_length + await reader.readexactly(int.from_bytes(name_length) + 1)


def _note(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """A connection that ended in the middle of something is everyday life with trucks: one line, no trace."""
    log.info("a connection ended early: %s", context.get("exception") or context.get("message"))
