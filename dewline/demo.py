"""`dewline demo`: the invented fleet's history is simulated and imported, then its trucks publish live.

Everything goes the way of real trucks: history as log files through the import, the present over MQTT to the
broker. Only the machines are simulated (`models.plant`), and only this file and the tests know it.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import shlex
import shutil
import tempfile
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from pyarrow import csv

from dewline import demo_fleet
from dewline.console import Terminal
from dewline.demo_fleet import TRUCKS, Truck, profile_of, spec_of
from dewline.fleet import opened_register
from dewline.logs import import_logs
from dewline.runtime import Runtime
from dewline.settings import FILE_NAME, Loaded
from ingest.listener import BrokerAddress, unix_ms
from ingest.reading import SIGNALS, IntArray, Readings
from models.fleets import FleetUnit, make_unit

MARKER = "this-is-a-demo"
"""A file in every demo home: only a folder that has it is ever emptied."""
DAYS_AHEAD = 2
"""For so long the trucks go on publishing. [d]"""
MS_PER_DAY = 86_400_000
MS_PER_H = 3_600_000
SETTINGS = """# Settings of the demo; `dewline settings --home <this folder>` prints all there are.
[mail]
recipients = ["service.manager@ninefold.example"]

[[mail.routes]]
yards = ["North Yard"]
recipients = ["north.yard@ninefold.example", "service.manager@ninefold.example"]
units = "si"
"""


class HomeInUse(FileExistsError):  # noqa: N818 - read as a sentence where it is caught
    """The folder holds something that the demo must not mix with."""


@dataclass(frozen=True, kw_only=True)
class LiveTruck:
    """What a truck will send, in order: when, and which row."""

    readings: Readings
    row: IntArray
    send_at_ms: IntArray


@contextmanager
def demo_home(home: Path | None, *, fresh: bool) -> Iterator[Path]:
    """A folder of the demo's own: the one named, or a temporary one that goes when the block ends.

    Raises
    ------
    HomeInUse
        When the folder named holds anything but a demo, or a demo and `fresh` was not asked for.
    """
    if home is None:
        with tempfile.TemporaryDirectory(prefix="dewline-demo-", ignore_cleanup_errors=True) as temporary:
            _furnish(Path(temporary))
            yield Path(temporary)
        return
    home = home.expanduser().absolute()
    if home.exists() and any(home.iterdir()):
        if not (home / MARKER).exists():
            raise HomeInUse(f"{home} is no demo's home: name an empty folder, or one that does not exist")
        if not fresh:
            raise HomeInUse(
                f"{home} has a demo already: `dewline serve --home {shlex.quote(str(home))}` shows it, "
                "--fresh begins anew"
            )
        shutil.rmtree(home)
    _furnish(home)
    yield home


def run(
    loaded: Loaded,
    terminal: Terminal,
    stop: threading.Event,
    *,
    days: int,
    seed: int,
    ready: threading.Event | None = None,
) -> None:
    """Make the history, start everything, and let the trucks publish until `stop`.

    Parameters
    ----------
    days : int
        Length of the history. [d]
    seed : int
        The same seed, start and length give the same fleet.
    ready : Event, optional
        Set once the whole history has been analysed.
    """
    now_ms = unix_ms()
    terminal.say("12 trucks of an invented contractor; nothing shown is real.")
    live = _make_history(loaded, terminal, now_ms, days, seed)
    with Runtime(loaded) as runtime, ExitStack() as trucks:
        terminal.say(f"Board at {runtime.board.url}")
        _await_analysis(runtime, terminal, stop)
        for unit_id, truck in live.items():
            trucks.enter_context(Publisher(unit_id, truck, runtime.broker_address, loaded))
        if ready is not None:
            ready.set()
        terminal.say(
            f"{len(live)} trucks publish to {runtime.broker_address}; e-mails lie in "
            f"{loaded.home / 'outbox'} and on the board's mail page. Ctrl+C ends the demo."
        )
        runtime.wait(stop)


def _make_history(
    loaded: Loaded, terminal: Terminal, now_ms: int, days: int, seed: int
) -> dict[str, LiveTruck]:
    live: dict[str, LiveTruck] = {}
    folder = loaded.home / "history"
    folder.mkdir(exist_ok=True)
    with terminal.progress("simulating", len(TRUCKS) * days, "truck days") as bar:
        for index, truck in enumerate(TRUCKS):
            unit = simulated(truck, now_ms=now_ms, days=days, rng=np.random.default_rng([seed, index]))
            past = unit.arrival_at_ms <= now_ms
            write_log(folder / f"{truck.unit_id}.csv", unit.readings[np.unique(unit.arrival_row[past])])
            live[truck.unit_id] = LiveTruck(
                readings=unit.readings, row=unit.arrival_row[~past], send_at_ms=unit.arrival_at_ms[~past]
            )
            bar.advance(days)
    with opened_register(loaded) as register:
        register.put_many([profile_of(truck) for truck in TRUCKS], now_ms)
    import_logs(loaded, [folder], terminal, dry_run=False)
    return live


def simulated(truck: Truck, *, now_ms: int, days: int, rng: np.random.Generator) -> FleetUnit:
    """A truck from `days` before now to `DAYS_AHEAD` after it."""
    history_s = days * MS_PER_DAY / 1000
    start_at_ms = (now_ms - days * MS_PER_DAY) // 10_000 * 10_000
    spec = spec_of(truck, history_s=history_s, now_utc_h=now_ms % MS_PER_DAY / MS_PER_H, rng=rng)
    return make_unit(spec, start_at_ms=start_at_ms, days=days + DAYS_AHEAD, rng=rng)


def write_log(path: Path, readings: Readings) -> None:
    """Readings as a log file in the form that `dewline import` takes; signals not reported are left empty."""
    columns = {
        "time": pa.array(readings.observed_at_ms, pa.timestamp("ms", "UTC")).cast(pa.string()),
        "unit": pa.repeat(pa.scalar(readings.unit_id), len(readings)),
    }
    for name in SIGNALS:
        columns[name] = pa.array(np.round(getattr(readings, name), 3), from_pandas=True)
    if (readings.seq >= 0).any():
        columns["seq"] = pa.array(readings.seq)
    csv.write_csv(pa.table(columns), path)


def payload_of(readings: Readings, row: int) -> bytes:
    """One reading as a truck sends it; what it does not measure is left out."""
    at = dt.datetime.fromtimestamp(int(readings.observed_at_ms[row]) / 1000, dt.UTC)
    message: dict[str, Any] = {"ts": at.isoformat(timespec="milliseconds").replace("+00:00", "Z")}
    for name in SIGNALS:
        value = float(getattr(readings, name)[row])
        if not math.isnan(value):
            message[name] = round(value, 3)
    if readings.seq[row] >= 0:
        message["seq"] = int(readings.seq[row])
    return json.dumps(message).encode()


class Publisher:
    """One truck's modem: its own client, birth and last will, and its readings when they are due."""

    def __init__(self, unit_id: str, truck: LiveTruck, broker: BrokerAddress, loaded: Loaded) -> None:
        self._truck = truck
        self._topic = f"{loaded.settings.listener.prefix}/{unit_id}"
        self._stop = threading.Event()
        # The embedded broker speaks 3.1.1, as many truck modems do.
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"demo-{unit_id}", protocol=MQTTProtocolVersion.MQTTv311
        )
        self._client.will_set(f"{self._topic}/link", "offline", qos=1, retain=True)
        self._client.on_connect = self._on_connect
        self._broker = broker
        self._thread = threading.Thread(target=self._publish, name=f"demo-{unit_id}", daemon=True)

    def __enter__(self) -> Publisher:
        self._client.connect_async(self._broker.host, self._broker.port)
        self._client.loop_start()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: mqtt.Client, *_: object) -> None:
        client.publish(f"{self._topic}/link", "online", qos=1, retain=True)

    def _publish(self) -> None:
        truck = self._truck
        for row, send_at_ms in zip(truck.row.tolist(), truck.send_at_ms.tolist(), strict=True):
            if self._stop.wait(max(0.0, (send_at_ms - unix_ms()) / 1000)):
                return
            self._client.publish(f"{self._topic}/readings", payload_of(truck.readings, row), qos=1)


def _furnish(home: Path) -> None:
    home.mkdir(parents=True, exist_ok=True)
    (home / MARKER).write_text(f"Made by `dewline demo` for {demo_fleet.CUSTOMER}, which does not exist.\n")
    (home / FILE_NAME).write_text(SETTINGS)


def _await_analysis(runtime: Runtime, terminal: Terminal, stop: threading.Event) -> None:
    total = len(TRUCKS)
    with terminal.progress("analysing", total, "trucks") as bar:
        while not stop.wait(0.2):
            done = total - min(runtime.n_unanalysed(), total)
            bar.reach(done)
            if done == total:
                return
