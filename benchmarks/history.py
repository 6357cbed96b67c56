"""A unit-year at 10 s: simulated once, imported as CSV, folded by the engine, and replayed from the store."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from benchmarks.row import Row, at_least, at_most
from dewline.demo import write_log
from dewline.demo_fleet import TRUCKS, profile_of, spec_of
from ingest.database import open_database
from ingest.listener import unix_ms
from ingest.logfiles import import_paths
from ingest.quarantine import Quarantine
from ingest.reading import Readings
from ingest.register import Register
from ingest.store import EmbeddedStore
from models import engine
from models.artefact import load_models
from models.fleets import make_unit
from models.parameters import Parameters
from models.replay import replay_unit

DAYS = 365
MS_PER_DAY = 86_400_000
TRUCK = TRUCKS[1]


def measure(folder: Path) -> list[Row]:
    """Import, engine alone, and the whole replay with its reading from the store."""
    readings = _unit_year()
    log = folder / "unit-year.csv"
    write_log(log, readings)
    store = EmbeddedStore(folder / "history.db")
    database = open_database(f"sqlite:///{folder / 'history-operations.db'}")
    register = Register(database)
    register.put(profile_of(TRUCK), unix_ms())
    report = import_paths([log], store, Quarantine(database), received_at_ms=unix_ms())
    models, parameters = load_models(), Parameters()
    # The first fold on a machine compiles; what is measured is every fold after it.
    engine.advance(
        engine.initial_state(TRUCK.unit_id), readings[:1000], profile_of(TRUCK), parameters, models
    )
    began_s = time.perf_counter()
    engine.advance(engine.initial_state(TRUCK.unit_id), readings, profile_of(TRUCK), parameters, models)
    engine_s = time.perf_counter() - began_s
    began_s = time.perf_counter()
    replayed = replay_unit(store, register, TRUCK.unit_id, parameters=parameters, models=models)
    replay_s = time.perf_counter() - began_s
    database.dispose()
    store.close()
    if replayed.readings != report.rows_new:
        raise RuntimeError(f"{replayed.readings} readings were replayed, expected {report.rows_new}")
    return [
        at_least("CSV import", report.rows_read / report.seconds, "rows/s", 300_000),
        at_least(f"engine, {len(readings):,} readings", len(readings) / engine_s, "readings/s", 2_000_000),
        at_most("replay of a unit-year at 10 s, with its read", replay_s, "s", 3.0),
    ]


def _unit_year() -> Readings:
    now_ms = unix_ms()
    rng = np.random.default_rng(11)
    spec = spec_of(TRUCK, history_s=DAYS * 86_400.0, now_utc_h=12.0, rng=rng)
    start_at_ms = (now_ms - DAYS * MS_PER_DAY) // 10_000 * 10_000
    return make_unit(spec, start_at_ms=start_at_ms, days=DAYS, rng=rng).readings
