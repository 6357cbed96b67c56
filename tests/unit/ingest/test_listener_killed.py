"""SIGKILL at any moment: every number that the broker accepted is in the store, once."""

from __future__ import annotations

import random
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ingest.store.embedded import EmbeddedStore
from tests.conftest import Mosquitto, wait_until

pytestmark = pytest.mark.broker

N = 2_000
UNITS = 5
AT_MS = 1_767_618_000_000

LISTENER = """
import sys, threading
from pathlib import Path
import sqlalchemy as sa
from ingest.listener import BrokerAddress, Listener, ListenerSettings
from ingest.quarantine import Quarantine
from ingest.store.embedded import EmbeddedStore

listener = Listener(
    broker=BrokerAddress(port=int(sys.argv[1])),
    store=EmbeddedStore(Path(sys.argv[2])),
    quarantine=Quarantine(sa.create_engine("sqlite://")),
    on_stored=lambda readings: None,
    settings=ListenerSettings(flush_messages=50, flush_s=0.01, min_retry_s=0.05),
)
listener.start()
threading.Event().wait()
"""


def publish_numbered(port: int) -> None:
    """Publish readings numbered from 0; the broker has accepted them all when this returns."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for seq in range(N):
        row = f'{{"ts": {AT_MS + seq * 1_000}, "discharge_temp_c": 80.5, "pressure_kpa": 900, "seq": {seq}}}'
        sent = client.publish(f"compressors/T{seq % UNITS}/readings", row, qos=1)
        if seq % 20 == 19:
            sent.wait_for_publish(10.0)
    sent.wait_for_publish(10.0)
    client.disconnect()
    client.loop_stop()


def test_killed_listener_loses_nothing(mosquitto: Mosquitto, tmp_path: Path) -> None:
    file = tmp_path / "readings.db"
    moments = random.Random(8)

    def listen() -> subprocess.Popen[bytes]:
        return subprocess.Popen([sys.executable, "-c", LISTENER, str(mosquitto.port), str(file)])

    process = listen()
    # Readings sent before the first subscription have nobody to wait for them.
    wait_until(lambda: "compressors/+/readings" in mosquitto.log(), "the listener has subscribed")
    publisher = threading.Thread(target=publish_numbered, args=(mosquitto.port,))
    publisher.start()
    try:
        for _ in range(4):
            publisher.join(moments.uniform(0.2, 0.9))
            process.kill()
            process.wait()
            process = listen()
        publisher.join()
        store = EmbeddedStore(file)
        wait_until(lambda: store.count() >= N, "all readings are stored", within_s=30.0)
        stored = sorted(seq for unit_id in store.units() for seq in store.read(unit_id).seq.tolist())
        assert stored == list(range(N))
        store.close()
    finally:
        process.kill()
        process.wait()
