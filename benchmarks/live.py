"""Live analysis: what a reading costs once it is stored, and what ten thousand units take of memory.

The memory is that of a process of its own, so that nothing else that was measured counts:
``python -m benchmarks.live FOLDER`` holds every unit's state and prints its figures.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import msgspec
import numpy as np

from benchmarks.row import Row, at_most, shown
from ingest.database import open_database
from ingest.profile import UnitProfile
from ingest.reading import Reading, Readings
from ingest.register import Register
from ingest.store import EmbeddedStore
from models.analyst import Analyst
from models.artefact import load_models
from models.parameters import Parameters

STEP_MS = 10_000
START_MS = 1_767_614_400_000
"""2026-01-05 12:00 UTC."""
N_LIVE, ROUNDS = 200, 20
N_BATCHED, BATCH = 50, 60
"""Readings that come together once a truck is back in coverage: ten minutes at 10 s."""
N_HELD, HELD_READINGS = 10_000, 12
MIB = 1024.0 * 1024.0


class Held(msgspec.Struct, frozen=True):
    """Memory of the process that holds the units, before they came and with them all. [bytes]"""

    without: int
    with_all: int


def measure(folder: Path) -> list[Row]:
    """Cost of a reading, one and many a call, with its standing written down; memory of a large fleet."""
    with Site(folder, N_LIVE + N_BATCHED) as site:
        site.round(range(N_LIVE), 0, 40)
        one_s = np.sum([site.round(range(N_LIVE), 40 + n, 41 + n) for n in range(ROUNDS)])
        batched = range(N_LIVE, N_LIVE + N_BATCHED)
        site.round(batched, 0, 40)
        many_s = np.sum([site.round(batched, 40 + n * BATCH, 40 + (n + 1) * BATCH) for n in range(4)])
    command = [sys.executable, "-m", "benchmarks.live", str(folder / "held")]
    held = msgspec.json.decode(subprocess.run(command, check=True, capture_output=True).stdout, type=Held)
    per_unit_kib = (held.with_all - held.without) / 1024.0 / N_HELD
    return [
        shown("live, a reading a call, with its standing", 1000.0 * one_s / (N_LIVE * ROUNDS), "ms/reading"),
        shown(f"live, {BATCH} readings a call", 1000.0 * many_s / (N_BATCHED * BATCH * 4), "ms/reading"),
        shown(f"memory of a unit, {N_HELD:,} units live", per_unit_kib, "KiB"),
        at_most(f"resident memory with {N_HELD:,} units live", held.with_all / MIB, "MiB", 1024.0),
    ]


class Site:
    """Databases, an analyst, and units that are in the middle of a cool run."""

    def __init__(self, folder: Path, n_units: int) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._store = EmbeddedStore(folder / "live.db")
        self._database = open_database(f"sqlite:///{folder / 'live-operations.db'}")
        register = Register(self._database)
        register.put_many([UnitProfile(unit_id=_name(n)) for n in range(n_units)], START_MS)
        self._analyst = Analyst(self._store, self._database, register, Parameters(), load_models())

    def __enter__(self) -> Site:
        return self

    def __exit__(self, *_: object) -> None:
        self._store.close()
        self._database.dispose()

    def round(self, units: range, first: int, last: int) -> float:
        """Readings `first` to `last` of each unit come in; seconds that their analysis takes."""
        rows = [_reading(n, i) for n in units for i in range(first, last)]
        self._store.append_columns(
            *(Readings.from_rows(_name(n), [_reading(n, i) for i in range(first, last)]) for n in units)
        )
        self._analyst.note_stored(rows)
        began_s = time.perf_counter()
        for n in units:
            self._analyst.catch_up(_name(n))
        return time.perf_counter() - began_s


def _name(n: int) -> str:
    return f"unit-{n:05d}"


def _reading(n: int, i: int) -> Reading:
    """Reading `i` of unit `n`: it starts after two minutes, warms, and its pressure ripples."""
    at_ms, running = START_MS + i * STEP_MS + n % 10_000, i >= 12
    return Reading(
        unit_id=_name(n),
        observed_at_ms=at_ms,
        received_at_ms=at_ms,
        discharge_temp_c=5.0 + (40.0 * (1.0 - np.exp(-(i - 11) / 60.0)) if running else 0.0),
        pressure_kpa=900.0 + i % 7 if running else 0.0,
        hours=100.0 + (i // 36 / 10.0 if running else 0.0),
        ambient_rh_pct=70.0,
    )


def _resident_bytes() -> int:
    fields = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return int(fields["VmRSS"].split()[0]) * 1024


def _hold(folder: Path) -> Held:
    """Take in every unit as live operation does."""
    with Site(folder, N_HELD) as site:
        site.round(range(1), 0, HELD_READINGS)
        without = _resident_bytes()
        for first in range(0, N_HELD, 500):
            site.round(range(first, first + 500), 0, HELD_READINGS + 12)
        return Held(without=without, with_all=_resident_bytes())


if __name__ == "__main__":
    sys.stdout.buffer.write(msgspec.json.encode(_hold(Path(sys.argv[1]))))
