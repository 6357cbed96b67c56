"""From publishing a reading to the board's data, with 1,000 units that each report every 10 s."""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path

import numpy as np
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from benchmarks.broker import mosquitto
from benchmarks.row import Row, at_most
from dewline import settings
from dewline.pictures import free_port
from dewline.runtime import Runtime
from ingest.listener import unix_ms

N_UNITS = 1000
EVERY_S = 10.0
FOR_S = 30.0
SETTLE_S = 12.0
"""The first round registers every unit and is not counted. [s]"""


class Watched(Runtime):
    """A runtime that notes when each unit's newest reading can be seen."""

    def __init__(self, loaded: settings.Loaded) -> None:
        super().__init__(loaded)
        self.seen_at_s: list[tuple[str, float]] = []

    def _analyse(self, unit_id: str) -> None:
        super()._analyse(unit_id)
        self.seen_at_s.append((unit_id, time.perf_counter()))


def measure(folder: Path) -> list[Row]:
    """p99 over every reading of the last rounds."""
    with mosquitto(folder) as port:
        flags = {"broker.host": "127.0.0.1", "broker.port": port, "board.port": free_port()}
        with Watched(settings.load(folder / "home", flags)) as runtime:
            sent = _publish(port)
            time.sleep(2.0)
        waits_s = _waits_s(sent, runtime.seen_at_s)
    return [
        at_most("publish to board, 1,000 units at 10 s, p99", float(np.quantile(waits_s, 0.99)), "s", 1.5)
    ]


def _publish(port: int) -> list[tuple[str, float]]:
    """Sends evenly; returns unit and time of each message."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench-trucks")
    client.max_inflight_messages_set(2000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent: list[tuple[str, float]] = []
    began_s, pause = time.perf_counter(), threading.Event()
    n = int(N_UNITS * (FOR_S + SETTLE_S) / EVERY_S)
    for i in range(n):
        pause.wait(max(0.0, began_s + i * EVERY_S / N_UNITS - time.perf_counter()))
        unit_id = f"unit-{i % N_UNITS:04d}"
        message = {"ts": unix_ms(), "discharge_temp_c": 60.0, "pressure_kpa": 800, "hours": 100.0}
        sent.append((unit_id, time.perf_counter()))
        client.publish(f"compressors/{unit_id}/readings", json.dumps(message).encode(), qos=1)
    client.loop_stop()
    client.disconnect()
    return [(unit_id, at_s) for unit_id, at_s in sent if at_s - began_s > SETTLE_S]


def _waits_s(sent: list[tuple[str, float]], seen: list[tuple[str, float]]) -> list[float]:
    """How long each message took; one that was never seen counts as endless."""
    by_unit: dict[str, list[float]] = {}
    for unit_id, at_s in seen:
        by_unit.setdefault(unit_id, []).append(at_s)
    return [
        min((seen_s - at_s for seen_s in by_unit.get(unit_id, []) if seen_s > at_s), default=float("inf"))
        for unit_id, at_s in sent
    ]
