"""From publishing a reading to the unit's status in the database; 1,000 units report every 10 s."""

from __future__ import annotations

import json
import math
import threading
import time
from collections import defaultdict
from pathlib import Path
from typing import NamedTuple

import numpy as np
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from benchmarks.broker import mosquitto
from benchmarks.row import Row, at_most
from dewline import settings
from dewline.pictures import free_port
from dewline.runtime import Runtime
from ingest.listener import unix_ms
from ingest.results import Results
from models.records import UnitStatus

N_UNITS = 1000
EVERY_S = 10.0
FOR_S = 30.0
PATIENCE_S = 30.0
"""A reading that takes longer counts as never seen. [s]"""
SETTLE_S = 12.0
"""The first round registers every unit and is not counted. [s]"""


class Watched(Runtime):
    """A runtime that notes how far each unit's stored status has come, and when."""

    def __init__(self, loaded: settings.Loaded) -> None:
        super().__init__(loaded)
        self.seen: dict[str, list[tuple[int, float]]] = defaultdict(list)
        """Of each unit: instant its status has come to [Unix ms], and when it stood there. [s]"""

    def _analyse(self, unit_id: str) -> None:
        super()._analyse(unit_id)
        at_s = time.perf_counter()
        status = Results(self.database).status(UnitStatus, unit_id)
        if status is not None:
            observed_at_ms = round(status.observed_at.timestamp() * 1000)
            self.seen[unit_id].append((observed_at_ms, at_s))


class Sent(NamedTuple):
    """One published reading."""

    unit_id: str
    observed_at_ms: int
    at_s: float


def measure(folder: Path) -> list[Row]:
    """p99 over every reading of the last rounds."""
    with mosquitto(folder) as port:
        flags = {"broker.host": "127.0.0.1", "broker.port": port, "board.port": free_port()}
        with Watched(settings.load(folder / "home", flags)) as runtime:
            sent = _publish(port)
            _await(sent, runtime.seen)
        waits_s = [_wait_s(one, runtime.seen[one.unit_id]) for one in sent]
    name = "publish to status in the database, 1,000 units at 10 s, p99"
    return [at_most(name, float(np.quantile(waits_s, 0.99, method="higher")), "s", 1.5)]


def _publish(port: int) -> list[Sent]:
    """Sends evenly; returns what was sent once every unit was known."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench-trucks")
    client.max_inflight_messages_set(2000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent: list[Sent] = []
    began_s, pause = time.perf_counter(), threading.Event()
    n = int(N_UNITS * (FOR_S + SETTLE_S) / EVERY_S)
    for i in range(n):
        pause.wait(max(0.0, began_s + i * EVERY_S / N_UNITS - time.perf_counter()))
        unit_id = f"unit-{i % N_UNITS:04d}"
        observed_at_ms = unix_ms()
        message = {"ts": observed_at_ms, "discharge_temp_c": 60.0, "pressure_kpa": 800, "hours": 100.0}
        sent.append(Sent(unit_id, observed_at_ms, time.perf_counter()))
        last = client.publish(f"compressors/{unit_id}/readings", json.dumps(message).encode(), qos=1)
    last.wait_for_publish(PATIENCE_S)
    client.disconnect()
    client.loop_stop()
    return [one for one in sent if one.at_s - began_s > SETTLE_S]


def _await(sent: list[Sent], seen: dict[str, list[tuple[int, float]]]) -> None:
    """Until the status of every unit has come to its last reading, or that has taken too long."""
    last_ms = {one.unit_id: one.observed_at_ms for one in sent}
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        if all(seen[unit_id] and seen[unit_id][-1][0] >= at_ms for unit_id, at_ms in last_ms.items()):
            return
        time.sleep(0.1)


def _wait_s(sent: Sent, seen: list[tuple[int, float]]) -> float:
    """Until the status had come to that reading; endless when it never did."""
    return next((at_s - sent.at_s for newest_ms, at_s in seen if newest_ms >= sent.observed_at_ms), math.inf)
