"""Replay of stored history: the whole of it, a part of it, and what falls into which part."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.database import open_database
from ingest.register import Register
from ingest.store.embedded import EmbeddedStore
from models.artefact import load_models
from models.replay import Replay, replay_unit
from tests.unit.models.histories import DAY_MS, ICING_UNIT, PARAMETERS, fold, simulated

UNIT = simulated(ICING_UNIT)
UNIT_ID = UNIT.readings.unit_id


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[EmbeddedStore, Register]]:
    folder: Path = tmp_path_factory.mktemp("replay")
    database = open_database(f"sqlite:///{folder / 'operations.db'}")
    store, register = EmbeddedStore(folder / "readings.db"), Register(database)
    register.put(UNIT.profile, 0)
    store.append_columns(UNIT.readings)
    yield store, register
    store.close()
    database.dispose()


def replayed(
    stores: tuple[EmbeddedStore, Register], start_ms: int | None = None, end_ms: int | None = None
) -> Replay:
    return replay_unit(
        *stores, UNIT_ID, start_ms=start_ms, end_ms=end_ms, parameters=PARAMETERS, models=load_models()
    )


def at(ms: int) -> dt.datetime:
    return dt.datetime.fromtimestamp(ms / 1000, dt.UTC)


def test_the_whole_history_is_what_the_fold_gives(stores: tuple[EmbeddedStore, Register]) -> None:
    whole, found = fold(UNIT.readings, profile=UNIT.profile), replayed(stores)
    assert found.readings == len(UNIT.readings)
    assert list(found.runs) == whole.runs
    assert {f.finding_id: f for f in found.findings} == whole.newest.findings
    assert list(found.findings) == sorted(found.findings, key=lambda f: (f.start_at, f.pattern))
    assert len(found.water_days) == 6
    assert [day.date for day in found.water_days] == sorted(day.date for day in found.water_days)


def test_a_replay_up_to_an_instant_knows_nothing_of_later(stores: tuple[EmbeddedStore, Register]) -> None:
    end_ms = UNIT.start_at_ms + 3 * DAY_MS + DAY_MS // 3
    found = replayed(stores, end_ms=end_ms)
    until = UNIT.readings[UNIT.readings.observed_at_ms < end_ms]
    assert found.readings == len(until)
    assert {f.finding_id: f for f in found.findings} == fold(until, profile=UNIT.profile).newest.findings
    assert all(f.first_flagged_at < at(end_ms) for f in found.findings)


def test_a_replay_from_an_instant_remembers_what_was_before(stores: tuple[EmbeddedStore, Register]) -> None:
    whole = replayed(stores)
    middle = whole.findings[1]
    assert middle.end_at is not None
    start_ms = round(middle.end_at.timestamp() * 1000)
    part = replayed(stores, start_ms=start_ms)
    assert part.findings == tuple(f for f in whole.findings if f.end_at is None or f.end_at >= middle.end_at)
    assert middle in part.findings
    assert whole.findings[0] not in part.findings
    assert part.runs == tuple(run for run in whole.runs if run.end_at is None or run.end_at >= at(start_ms))
    assert part.water_days == tuple(day for day in whole.water_days if day.date >= at(start_ms).date())


def test_what_still_runs_is_told_without_an_end(stores: tuple[EmbeddedStore, Register]) -> None:
    run = replayed(stores).runs[2]
    assert run.end_at is not None
    middle_ms = round((run.start_at.timestamp() + run.end_at.timestamp()) * 500)
    last = replayed(stores, end_ms=middle_ms).runs[-1]
    assert (last.start_at, last.end_at) == (run.start_at, None)
    assert last.last_at < at(middle_ms)


def test_progress_counts_readings(stores: tuple[EmbeddedStore, Register]) -> None:
    done: list[int] = []
    replay_unit(*stores, UNIT_ID, parameters=PARAMETERS, models=load_models(), on_progress=done.append)
    assert done[-1] == len(UNIT.readings)
    assert done == sorted(done)


def test_a_unit_without_readings_has_no_history(stores: tuple[EmbeddedStore, Register]) -> None:
    store, register = stores
    nothing = replay_unit(store, register, "silent", parameters=PARAMETERS, models=load_models())
    assert nothing == Replay(runs=(), findings=(), water_days=(), readings=0)
