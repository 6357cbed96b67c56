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


class BrokerError(OSError):
    """The broker can't listen where it was told to."""


class AdmitEverybody(BaseAuthPlugin):  # type: ignore[misc]
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
        broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{self._bind}:{self._port}"}},
                "plugins": {f"{AdmitEverybody.__module__}.{AdmitEverybody.__name__}": {}},
            }
        )
        try:
            await broker.start()
        except AmqttBrokerError as error:
            self._started.set_exception(
                BrokerError(f"no broker can listen on {self._bind} port {self._port}: {error}")
            )
            return
        # Trucks may be quicker than the listener: what they send before it has subscribed is kept for it.
        for topic in self._topics:
            await BrokerContext(broker).add_subscription(self._client_id, topic, QOS_1)
        self._started.set_result(None)
        await self._stop.wait()
        await broker.shutdown()


def _note(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """A connection that ended in the middle of something is everyday life with trucks: one line, no trace."""
    log.info("a connection ended early: %s", context.get("exception") or context.get("message"))
