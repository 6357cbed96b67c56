"""Messages a second through the listener into the store, beside `mosquitto_sub -q 1` on the same queue."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from benchmarks.broker import mosquitto, program
from benchmarks.row import Row, at_least, shown
from ingest.database import open_database
from ingest.listener import BrokerAddress, Listener, ListenerSettings, unix_ms
from ingest.quarantine import Quarantine
from ingest.store import EmbeddedStore

N_UNITS = 8
N_A_UNIT = 15_000
STEP_MS = 10_000
LIMIT_S = 120.0
TOPIC = "compressors/+/readings"


def measure(folder: Path) -> list[Row]:
    """Both drain the same number of messages, queued at the broker before the clock starts."""
    n = N_UNITS * N_A_UNIT
    with mosquitto(folder) as port:
        store = EmbeddedStore(folder / "readings.db")
        database = open_database(f"sqlite:///{folder / 'operations.db'}")
        subscriber = [
            *(program("mosquitto_sub") or "mosquitto_sub", "-p", str(port), "-q", "1", "-c", "-i", "bench"),
            *("-t", TOPIC),
        ]
        subprocess.run([*subscriber, "-E"], check=True, stdout=subprocess.DEVNULL)
        with _listener(port, store, Quarantine(database)) as listener:
            _until(lambda: listener.counts().connected, "the listener is connected")
            _until(lambda: listener.counts().connects > 0, "its session is known")
            time.sleep(0.5)
        _publish(port)
        began_s = time.perf_counter()
        subprocess.run([*subscriber, "-C", str(n)], check=True, stdout=subprocess.DEVNULL, timeout=LIMIT_S)
        beside = n / (time.perf_counter() - began_s)
        began_s = time.perf_counter()
        with _listener(port, store, Quarantine(database)) as listener:
            _until(lambda: listener.counts().readings >= n, "every message is stored")
            ours = n / (time.perf_counter() - began_s)
        if store.count() != n:
            raise RuntimeError(f"{store.count()} rows are stored, expected {n}")
        database.dispose()
        store.close()
    return [
        shown("mosquitto_sub -q 1, same queue", beside, "messages/s"),
        shown("ingest, durable before acknowledged", ours, "messages/s"),
        at_least("ingest over mosquitto_sub -q 1", ours / beside, "ratio", 0.5),
    ]


def _listener(port: int, store: EmbeddedStore, quarantine: Quarantine) -> Listener:
    return Listener(
        broker=BrokerAddress(port=port),
        store=store,
        quarantine=quarantine,
        on_stored=lambda readings: None,
        settings=ListenerSettings(client_id="bench-listener"),
    )


def _publish(port: int) -> None:
    start_ms = unix_ms() - N_A_UNIT * STEP_MS
    publishers = []
    for unit in range(N_UNITS):
        command = [program("mosquitto_pub") or "mosquitto_pub", "-p", str(port), "-q", "1", "-l"]
        command += ["-t", f"compressors/bench-{unit}/readings"]
        publisher = subprocess.Popen(command, stdin=subprocess.PIPE)
        lines = (_payload(start_ms + i * STEP_MS, i) for i in range(N_A_UNIT))
        publishers.append((publisher, b"".join(lines)))
    for publisher, text in publishers:
        publisher.communicate(text, timeout=LIMIT_S)


def _payload(at_ms: int, seq: int) -> bytes:
    fields = (at_ms, 20 + seq % 700 / 10, seq % 1000, 400 + seq / 360, seq)
    return (
        b'{"ts": %d, "discharge_temp_c": %.1f, "pressure_kpa": %d, "hours": %.2f, '
        b'"ambient_rh_pct": 63, "seq": %d}\n'
    ) % fields


def _until(true: Callable[[], object], what: str) -> None:
    end_s = time.monotonic() + LIMIT_S
    while not true():
        if time.monotonic() > end_s:
            raise RuntimeError(f"not within {LIMIT_S:.0f} s: {what}")
        time.sleep(0.005)
