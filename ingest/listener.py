"""Broker to store: subscribe, decode, store, and only then acknowledge.

I/O. The network thread only queues; one writer thread decodes, stores and decides, so the store sees one
writer. A message is acknowledged when its readings are durable, or when it is durable in quarantine;
whatever dies before that, the broker delivers it again, and storing a reading twice changes nothing.
"""

from __future__ import annotations

import logging
import queue
import random
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from types import TracebackType

from paho.mqtt.enums import MQTTProtocolVersion

from ingest.batch import Batch, unstacked
from ingest.connection import BrokerAddress, Burst, Connection, Session
from ingest.contradictions import contradictions, instants_of
from ingest.listener_settings import Counts, ListenerSettings
from ingest.quarantine import Quarantine
from ingest.reading import Reading
from ingest.store.protocol import ReadingStore

__all__ = ["BrokerAddress", "Counts", "Listener", "ListenerSettings", "unix_ms"]

log = logging.getLogger(__name__)

_PROTOCOLS = {"5": MQTTProtocolVersion.MQTTv5, "3.1.1": MQTTProtocolVersion.MQTTv311}
_OTHER_PROTOCOL = {
    MQTTProtocolVersion.MQTTv5: MQTTProtocolVersion.MQTTv311,
    MQTTProtocolVersion.MQTTv311: MQTTProtocolVersion.MQTTv5,
}
STEADY_S = 5.0
"""A connection that lasted so long was a good one: the next retry is a quick one again."""
JITTER = 0.5
"""A retry waits between this part of its delay and all of it, so that many listeners don't come at once."""


def unix_ms() -> int:
    """The machine's clock. [Unix ms]"""
    return time.time_ns() // 1_000_000


def _ignore_link(unit_id: str, state: str, at_ms: int) -> None:
    """For a listener whose owner doesn't follow links."""


class Listener:
    """Takes in readings from `start` until `stop`; also a context manager.

    `on_stored` gets the readings of each batch once they are durable (again after a crash before the
    acknowledgement); `on_link` gets unit, state and time of receipt. Both run on the writer thread.
    """

    def __init__(
        self,
        *,
        broker: BrokerAddress,
        store: ReadingStore,
        quarantine: Quarantine,
        on_stored: Callable[[list[Reading]], None],
        on_link: Callable[[str, str, int], None] = _ignore_link,
        settings: ListenerSettings | None = None,
        clock: Callable[[], int] = unix_ms,
    ) -> None:
        self._broker, self._settings, self._clock = broker, settings or ListenerSettings(), clock
        self._store, self._quarantine = store, quarantine
        self._on_stored, self._on_link = on_stored, on_link
        self._bursts: queue.SimpleQueue[Burst | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._waiting_messages = self._waiting_bytes = 0
        self._counts = Counts()
        self._last_stamp_ms: dict[str, int] = {}
        self._connection: Connection | None = None
        self._stopping, self._give_up, self._finished = (
            threading.Event(),
            threading.Event(),
            threading.Event(),
        )
        self._network = threading.Thread(target=self._stay_connected, name="listener-network", daemon=True)
        self._writer = threading.Thread(target=self._write, name="listener-writer", daemon=True)

    def __enter__(self) -> Listener:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Begin to connect and listen; returns at once. A listener starts once."""
        self._writer.start()
        self._network.start()

    def stop(self) -> None:
        """Stop taking in, store and acknowledge what was taken in, disconnect. What can't be stored within
        `drain_s` stays unacknowledged and comes again."""
        self._stopping.set()
        self._bursts.put(None)
        self._writer.join(self._settings.drain_s)
        self._give_up.set()
        self._writer.join()
        self._finished.set()
        if self._connection is not None:
            self._connection.wake()
        self._network.join()

    def counts(self) -> Counts:
        """A snapshot, from any thread."""
        with self._lock:
            connection = self._connection
            return replace(
                self._counts,
                waiting_messages=self._waiting_messages,
                connected=connection is not None and connection.accepted,
            )

    # --- network thread ---

    def _stay_connected(self) -> None:
        settings = self._settings
        session = Session(
            client_id=settings.client_id,
            topics=settings.topics(),
            receive_maximum=settings.receive_maximum,
            session_expiry_s=settings.session_expiry_s,
            keepalive_s=settings.keepalive_s,
            connect_timeout_s=settings.connect_timeout_s,
        )
        first = protocol = _PROTOCOLS[settings.first_protocol]
        delay_s = settings.min_retry_s
        while not self._stopping.is_set():
            connection = Connection(
                self._broker,
                session,
                protocol,
                clock=self._clock,
                on_burst=self._take_in,
                may_read=self._has_room,
            )
            begun_s = time.monotonic()
            self._connect_once(connection)
            if connection.refused_protocol:
                first = _OTHER_PROTOCOL[protocol]
            if connection.accepted:
                protocol = first
            elif connection.wants_other_protocol:
                protocol = _OTHER_PROTOCOL[protocol]
            # Two listeners under one client id throw each other out: being let in is not yet success.
            if connection.accepted and time.monotonic() - begun_s > STEADY_S:
                delay_s = settings.min_retry_s
            self._stopping.wait(delay_s * random.uniform(JITTER, 1.0))  # noqa: S311 - spreads load only
            delay_s = min(delay_s * 2, settings.max_retry_s)

    def _connect_once(self, connection: Connection) -> None:
        with self._lock:
            self._connection = connection
            self._counts = replace(self._counts, connects=self._counts.connects + 1)
        try:
            connection.run(self._stopping, self._finished)
        except Exception as error:
            # This loop must outlive whatever a network or a broker can do.
            connection.refusal = f"{type(error).__name__}: {error}"
        with self._lock:
            self._connection = None
        if not self._stopping.is_set():
            self._set_trouble(f"broker {self._broker}: {connection.refusal}")
            log.warning("connection to broker %s ended: %s", self._broker, connection.refusal)

    def _take_in(self, burst: Burst) -> None:
        with self._lock:
            self._waiting_messages += len(burst.messages)
            self._waiting_bytes += burst.n_bytes
        self._bursts.put(burst)

    def _has_room(self) -> bool:
        settings = self._settings
        return (
            self._waiting_messages < settings.max_waiting_messages
            and self._waiting_bytes < settings.max_waiting_bytes
        )

    # --- writer thread ---

    def _write(self) -> None:
        more = True
        while more:
            bursts, more = self._collected()
            if bursts:
                self._settle(bursts)
                with self._lock:
                    self._waiting_messages -= sum(len(burst.messages) for burst in bursts)
                    self._waiting_bytes -= sum(burst.n_bytes for burst in bursts)

    def _collected(self) -> tuple[list[Burst], bool]:
        """The next batch, and whether another may follow."""
        bursts: list[Burst] = []
        burst = self._bursts.get()
        flush_at_s = time.monotonic() + self._settings.flush_s
        n_messages = 0
        while burst is not None:
            bursts.append(burst)
            n_messages += len(burst.messages)
            if n_messages >= self._settings.flush_messages:
                return bursts, True
            try:
                wait_s = min(self._settings.quiet_s, flush_at_s - time.monotonic())
                burst = self._bursts.get(timeout=max(0.0, wait_s))
            except queue.Empty:
                return bursts, True
        return bursts, False

    def _settle(self, bursts: list[Burst]) -> None:
        """Store or put aside every message of the bursts, then acknowledge them in the order received."""
        settings = self._settings
        batch = Batch()
        for burst in bursts:
            for message in burst.messages:
                batch.add(
                    message.topic, message.payload, burst.received_at_ms, settings.prefix, settings.limits
                )
        readings = unstacked(batch.readings, self._last_stamp_ms)
        begun_s = time.monotonic()
        done = (
            (not readings or self._until_done("store", lambda: self._append(readings)))
            and (
                not batch.rejected
                or self._until_done("quarantine", lambda: self._quarantine.add_many(batch.rejected))
            )
            and all(self._until_done("link", partial(self._on_link, *link)) for link in batch.links)
        )
        if not done:
            return
        commit_s = time.monotonic() - begun_s
        self._tell(readings)
        for burst in bursts:
            burst.connection.acknowledge([m.message_id for m in burst.messages if m.message_id])
        with self._lock:
            counts = self._counts
            self._counts = replace(
                counts,
                messages=counts.messages + sum(len(burst.messages) for burst in bursts),
                readings=counts.readings + len(readings),
                rejects=counts.rejects + len(batch.rejected),
                batches=counts.batches + 1,
                last_commit_s=commit_s,
                trouble="",
            )

    def _append(self, readings: list[Reading]) -> None:
        if self._store.append(readings) < len(readings):
            aside = contradictions(self._store, instants_of(readings), self._clock())
            self._quarantine.add_absent(aside)

    def _tell(self, readings: list[Reading]) -> None:
        if not readings:
            return
        try:
            self._on_stored(readings)
        except Exception:
            # The readings are durable; whoever follows them reads the store when it is well again.
            log.exception("on_stored could not take %d readings", len(readings))

    def _until_done(self, what: str, write: Callable[[], object]) -> bool:
        """Try a write until it is durable; False when told to give up before it was."""
        delay_s = self._settings.min_retry_s
        while True:
            try:
                write()
            except Exception as error:
                log.warning("%s can't take a batch, next try in %.1f s: %s", what, delay_s, error)
                with self._lock:
                    self._counts = replace(
                        self._counts, retries=self._counts.retries + 1, trouble=f"{what}: {error}"
                    )
            else:
                return True
            if self._give_up.wait(delay_s * random.uniform(JITTER, 1.0)):  # noqa: S311 - spreads load only
                return False
            delay_s = min(delay_s * 2, self._settings.max_retry_s)

    def _set_trouble(self, trouble: str) -> None:
        with self._lock:
            self._counts = replace(self._counts, trouble=trouble)
