"""The listener against a real broker: nothing acknowledged before it is durable, nothing lost.

The store is a dictionary that can be told to fail or to wait, which no real store does on demand.
"""

from __future__ import annotations

import gc
import json
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
import trustme
from paho.mqtt import publish
from paho.mqtt.enums import MQTTProtocolVersion

from ingest.database import metadata
from ingest.listener import BrokerAddress, Listener, ListenerSettings
from ingest.quarantine import Quarantine, Rejected
from ingest.reading import Reading
from ingest.store import EmbeddedStore
from tests.conftest import Mosquitto, free_port, wait_until

AT_MS = 1_767_618_005_000
SETTINGS = ListenerSettings(flush_s=0.02, min_retry_s=0.02, max_retry_s=0.1, drain_s=2.0)

pytestmark = pytest.mark.broker


class Store:
    """`append` over a dictionary; `broken` makes it raise, `open` cleared makes it wait."""

    def __init__(self) -> None:
        self.rows: dict[tuple[str, int], Reading] = {}
        self.seen: list[int] = []
        self.broken = False
        self.open = threading.Event()
        self.open.set()
        self.attempts = 0

    def append(self, readings: Sequence[Reading]) -> int:
        self.attempts += 1
        self.open.wait()
        if self.broken:
            raise OSError("the disk is full")
        before = len(self.rows)
        for reading in readings:
            self.seen.append(reading.seq)
            self.rows.setdefault((reading.unit_id, reading.observed_at_ms), reading)
        return len(self.rows) - before

    def contradicting(self, unit_id: str, start_ms: int, end_ms: int) -> list[Reading]:
        return []

    def seqs(self) -> list[int]:
        return sorted(reading.seq for reading in self.rows.values())


@pytest.fixture
def store() -> Store:
    return Store()


@pytest.fixture
def quarantine() -> Quarantine:
    engine = sa.create_engine("sqlite://", poolclass=sa.StaticPool, connect_args={"check_same_thread": False})
    metadata.create_all(engine)
    return Quarantine(engine)


Listen = Callable[..., Listener]


@pytest.fixture
def listen(mosquitto: Mosquitto, store: Store, quarantine: Quarantine) -> Iterator[Listen]:
    """Start a listener on the broker; it is stopped after the test."""
    started: list[Listener] = []

    def start(**options: Any) -> Listener:
        listener = Listener(
            **{
                "broker": BrokerAddress(host=mosquitto.host, port=mosquitto.port),
                "store": store,
                "quarantine": quarantine,
                "on_stored": lambda readings: None,
                "settings": SETTINGS,
            }
            | options
        )
        listener.start()
        started.append(listener)
        return listener

    yield start
    store.open.set()
    for listener in started:
        listener.stop()


def message(seq: int, unit_id: str = "A7", **more: Any) -> dict[str, Any]:
    row = {"ts": AT_MS + seq * 10_000, "discharge_temp_c": 80.0, "pressure_kpa": 900.0, "seq": seq}
    return {"topic": f"compressors/{unit_id}/readings", "payload": json.dumps(row | more), "qos": 1}


def send(broker: Mosquitto, *messages: dict[str, Any]) -> None:
    publish.multiple(
        list(messages), hostname=broker.host, port=broker.port, protocol=MQTTProtocolVersion.MQTTv311
    )


def subscribed(listener: Listener) -> None:
    wait_until(lambda: listener.counts().connected, "the listener is connected")


def test_readings_are_stored_and_told(mosquitto: Mosquitto, store: Store, listen: Listen) -> None:
    told: list[Reading] = []
    listener = listen(on_stored=told.extend)
    subscribed(listener)
    send(mosquitto, *(message(seq) for seq in range(300)))
    wait_until(lambda: len(store.rows) == 300, "300 readings are stored")
    wait_until(lambda: listener.counts().readings == 300, "300 readings are counted")
    assert [reading.seq for reading in told] == list(range(300))
    assert told[0].unit_id == "A7"
    assert listener.counts().waiting_messages == 0


def test_what_contradicts_a_stored_reading_is_in_quarantine_once(
    mosquitto: Mosquitto, quarantine: Quarantine, listen: Listen, tmp_path: Path
) -> None:
    kept = EmbeddedStore(tmp_path / "readings.db")
    listener = listen(store=kept)
    subscribed(listener)
    send(mosquitto, message(1))
    for temp_c in (81.5, 80.0, 81.5):
        send(mosquitto, message(1, discharge_temp_c=temp_c))
    wait_until(lambda: listener.counts().readings == 4, "all four are taken in")
    (entry,) = quarantine.recent()
    assert "discharge_temp_c 80 is kept, this says 81.5" in entry.reason
    assert kept.read("A7").discharge_temp_c.tolist() == [80.0]
    listener.stop()
    kept.close()


def test_messages_sent_while_away_arrive_later(mosquitto: Mosquitto, store: Store, listen: Listen) -> None:
    first = listen()
    subscribed(first)
    first.stop()
    send(mosquitto, *(message(seq) for seq in range(50)))
    listen()
    wait_until(lambda: store.seqs() == list(range(50)), "all that was sent meanwhile")


def test_stored_messages_are_acknowledged(mosquitto: Mosquitto, store: Store, listen: Listen) -> None:
    first = listen()
    subscribed(first)
    send(mosquitto, *(message(seq) for seq in range(20)))
    wait_until(lambda: len(store.rows) == 20, "stored")
    first.stop()
    store.seen.clear()
    listen()
    send(mosquitto, message(99))
    wait_until(lambda: 99 in store.seqs(), "the next one is stored")
    assert store.seen == [99]


def test_nothing_is_acknowledged_while_the_store_fails(
    mosquitto: Mosquitto, store: Store, listen: Listen
) -> None:
    store.broken = True
    first = listen(settings=replace(SETTINGS, drain_s=0.05))
    subscribed(first)
    send(mosquitto, *(message(seq) for seq in range(20)))
    wait_until(lambda: store.attempts >= 3, "it tries again and again")
    assert "the disk is full" in first.counts().trouble
    first.stop()
    assert store.rows == {}
    store.broken = False
    listen()
    wait_until(lambda: store.seqs() == list(range(20)), "all of it comes again")


def test_store_that_comes_back_loses_nothing(mosquitto: Mosquitto, store: Store, listen: Listen) -> None:
    store.broken = True
    listener = listen()
    subscribed(listener)
    send(mosquitto, *(message(seq) for seq in range(20)))
    wait_until(lambda: store.attempts >= 3, "it tries again and again")
    store.broken = False
    wait_until(lambda: store.seqs() == list(range(20)), "stored after all")
    wait_until(lambda: listener.counts().trouble == "", "no more trouble")
    assert listener.counts().retries >= 3


def test_acknowledgements_do_not_cross_a_reconnect(
    mosquitto: Mosquitto, store: Store, listen: Listen
) -> None:
    store.open.clear()
    listener = listen()
    subscribed(listener)
    send(mosquitto, *(message(seq) for seq in range(10)))
    wait_until(lambda: store.attempts == 1, "the batch is with the store")
    mosquitto.stop()
    mosquitto.start()
    wait_until(lambda: listener.counts().connects >= 2, "connecting again")
    subscribed(listener)
    store.open.set()
    # The broker gives the ten again under ids that the old connection used too. Each must be stored from
    # the new connection before it counts: had the old acknowledgements gone out, none would come twice.
    wait_until(
        lambda: sorted(store.seen) == sorted([*range(10), *range(10)]), "each came on both connections"
    )
    assert store.seqs() == list(range(10))


def test_unusable_messages_are_put_aside_and_acknowledged(
    mosquitto: Mosquitto, store: Store, quarantine: Quarantine, listen: Listen
) -> None:
    first = listen()
    subscribed(first)
    broken = {"topic": "compressors/A7/readings", "payload": b"not json", "qos": 1}
    send(mosquitto, message(1), broken, message(2, unit="B2"), message(3))
    wait_until(lambda: store.seqs() == [1, 3], "the good ones are stored")
    wait_until(lambda: quarantine.count() == 2, "the others are kept")
    reasons = {entry.reason for entry in quarantine.recent()}
    assert "unit is 'B2' in a message of unit 'A7'" in reasons
    wait_until(lambda: first.counts().rejects == 2, "counted")
    first.stop()
    second = listen()
    send(mosquitto, message(4))
    wait_until(lambda: second.counts().messages == 1, "only the new one comes")
    assert quarantine.count() == 2


class BrokenQuarantine(Quarantine):
    def add_many(self, rows: Any) -> None:
        raise OSError("the disk is full")


def test_unusable_message_is_not_acknowledged_before_it_is_kept(
    mosquitto: Mosquitto, quarantine: Quarantine, listen: Listen
) -> None:
    first = listen(
        quarantine=BrokenQuarantine(sa.create_engine("sqlite://")), settings=replace(SETTINGS, drain_s=0.05)
    )
    subscribed(first)
    send(mosquitto, {"topic": "compressors/A7/readings", "payload": b"x", "qos": 1})
    wait_until(lambda: first.counts().retries >= 2, "it tries again")
    first.stop()
    listen()
    wait_until(lambda: quarantine.count() == 1, "it comes again and is kept")
    kept = quarantine.recent()[0]
    assert Rejected(kept.received_at_ms, kept.topic, kept.reason, kept.payload).payload == b"x"


def test_link_states_are_passed_on(mosquitto: Mosquitto, listen: Listen) -> None:
    heard: list[tuple[str, str]] = []
    send(mosquitto, {"topic": "compressors/A7/link", "payload": "online", "qos": 1, "retain": True})
    listen(on_link=lambda unit_id, state, at_ms: heard.append((unit_id, state)))
    wait_until(lambda: heard == [("A7", "online")], "the retained state")
    send(mosquitto, {"topic": "compressors/A7/link", "payload": "offline", "qos": 1, "retain": True})
    wait_until(lambda: heard[-1] == ("A7", "offline"), "the new state")


def test_follower_that_fails_stops_nothing(
    mosquitto: Mosquitto, store: Store, listen: Listen, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(readings: list[Reading]) -> None:
        raise RuntimeError("no analysis today")

    listener = listen(on_stored=fail)
    subscribed(listener)
    send(mosquitto, message(1))
    wait_until(lambda: listener.counts().readings == 1, "stored and counted")
    assert "on_stored could not take 1 readings" in caplog.text


def test_waiting_messages_are_bounded(mosquitto: Mosquitto, store: Store, listen: Listen) -> None:
    store.open.clear()
    listener = listen(settings=replace(SETTINGS, max_waiting_messages=300))
    subscribed(listener)
    send(mosquitto, *(message(seq) for seq in range(3_000)))
    wait_until(lambda: listener.counts().waiting_messages >= 300, "the bound is reached")
    # One read of 64 KiB, of messages of more than 100 bytes, may be under way when the bound is reached.
    assert listener.counts().waiting_messages < 300 + 65_536 / 100
    store.open.set()
    wait_until(lambda: len(store.rows) == 3_000, "all are stored in the end")
    assert store.seqs() == list(range(3_000))


def test_broker_restart_loses_nothing(mosquitto: Mosquitto, store: Store, listen: Listen) -> None:
    listener = listen()
    subscribed(listener)
    for part in range(3):
        send(mosquitto, *(message(part * 100 + seq) for seq in range(100)))
        mosquitto.stop()
        mosquitto.start()
    wait_until(lambda: store.seqs() == list(range(300)), "every number is there")


def test_listeners_of_one_group_share_the_work(mosquitto: Mosquitto, store: Store, listen: Listen) -> None:
    heard: list[str] = []
    two = [
        listen(
            settings=replace(SETTINGS, client_id=f"listener-{i}", share_group="fleet"),
            on_link=lambda unit_id, state, at_ms: heard.append(state),
        )
        for i in range(2)
    ]
    for listener in two:
        subscribed(listener)
    send(mosquitto, *(message(seq) for seq in range(200)))
    wait_until(lambda: store.seqs() == list(range(200)), "all is stored")
    wait_until(lambda: sum(listener.counts().messages for listener in two) == 200, "each message went to one")
    assert all(listener.counts().messages for listener in two)
    send(mosquitto, {"topic": "compressors/A7/link", "payload": "online", "qos": 1})
    wait_until(lambda: heard == ["online", "online"], "both follow the links")


def test_broker_that_is_not_there_yet(store: Store, listen: Listen, tmp_path: Path) -> None:
    late = Mosquitto(tmp_path)
    listener = listen(broker=BrokerAddress(host=late.host, port=late.port))
    wait_until(lambda: "refused" in listener.counts().trouble, "it says what is wrong")
    late.start()
    subscribed(listener)
    send(late, message(7))
    wait_until(lambda: store.seqs() == [7], "stored")
    listener.stop()
    late.stop()


@pytest.fixture
def secure(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker that speaks TLS alone, with a certificate of an authority kept in `ca.pem`."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    server = authority.issue_cert("127.0.0.1")
    server.private_key_pem.write_to_path(str(tmp_path / "key.pem"))
    server.cert_chain_pems[0].write_to_path(str(tmp_path / "cert.pem"))
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-c", "-b", str(passwords), "listener", "let me in"], check=True)
    passwords.chmod(0o644)
    broker = Mosquitto(
        tmp_path,
        listener=f"listener {{port}} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\n"
        f"certfile {tmp_path}/cert.pem\nkeyfile {tmp_path}/key.pem\n",
    )
    broker.start()
    yield broker
    broker.stop()


def test_tls_and_password(secure: Mosquitto, store: Store, listen: Listen, tmp_path: Path) -> None:
    address = BrokerAddress(
        host=secure.host,
        port=secure.port,
        tls=True,
        ca_file=tmp_path / "ca.pem",
        username="listener",
        password="let me in",
    )
    assert "let me in" not in repr(address)
    listener = listen(broker=address)
    subscribed(listener)
    publish.multiple(
        [message(seq) for seq in range(500)],
        hostname=secure.host,
        port=secure.port,
        auth={"username": "listener", "password": "let me in"},
        tls={"ca_certs": str(tmp_path / "ca.pem")},
    )
    wait_until(lambda: store.seqs() == list(range(500)), "stored over TLS")
    listener.stop()
    intruder = listen(broker=replace(address, password="guess"), settings=replace(SETTINGS, client_id="x"))
    wait_until(lambda: "Not authorized" in intruder.counts().trouble, "a wrong password is named")
    intruder.stop()


# The client library leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_unknown_authority_is_refused(secure: Mosquitto, listen: Listen) -> None:
    listener = listen(broker=BrokerAddress(host=secure.host, port=secure.port, tls=True))
    wait_until(lambda: "certificate verify failed" in listener.counts().trouble, "it says what is wrong")
    listener.stop()
    gc.collect()


ONLY_3_1_1 = """
import asyncio, sys
from amqtt.broker import Broker

async def serve():
    broker = Broker({
        "listeners": {"default": {"type": "tcp", "bind": "127.0.0.1:" + sys.argv[1]}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    })
    await broker.start()
    await asyncio.Event().wait()

asyncio.run(serve())
"""


def test_broker_that_speaks_only_3_1_1(store: Store, listen: Listen) -> None:
    port = free_port()
    # A process of its own: this broker leaves a refused connection's transport to the garbage collector.
    broker = subprocess.Popen([sys.executable, "-W", "ignore", "-c", ONLY_3_1_1, str(port)])
    try:
        listener = listen(broker=BrokerAddress(port=port))
        subscribed(listener)
        publish.multiple([message(5)], hostname="127.0.0.1", port=port)
        wait_until(lambda: store.seqs() == [5], "stored")
        listener.stop()
    finally:
        broker.terminate()
        broker.wait()
