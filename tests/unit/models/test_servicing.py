"""A drain or an oil change empties the ledger at its instant, live and in replay, however late it is told."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.database import open_database
from ingest.finding_versions import FindingVersions
from ingest.maintenance import Maintenance, Service, Work
from ingest.reading import Readings
from ingest.register import Register
from ingest.results import Results
from ingest.store.embedded import EmbeddedStore
from models import engine, moisture
from models.analyst import Analyst
from models.artefact import load_models
from models.records import Event, Finding, Pattern, Run, UnitStatus, WaterDay
from models.replay import Collector, replay_unit
from models.said import Cause
from models.servicing import UNDRAINED_SHARE
from tests.unit.models.histories import (
    DAY_MS,
    PARAMETERS,
    SHORT_CYCLING_UNIT,
    Folded,
    rows_of,
    simulated,
)

UNIT = simulated(SHORT_CYCLING_UNIT)
READINGS = UNIT.readings
FIRST_MS, LAST_MS = int(READINGS.observed_at_ms[0]), int(READINGS.observed_at_ms[-1])


def service(done_at_ms: int, work: Work = Work.DRAIN) -> Service:
    return Service(
        service_id=0,
        unit_id=UNIT.profile.unit_id,
        work=work,
        done_at_ms=done_at_ms,
        recorded_at_ms=done_at_ms,
        recorded_by="yard",
    )


def folded(chunks: Sequence[Readings], services: Sequence[Service]) -> tuple[engine.State, list[Event]]:
    state, events = engine.initial_state(UNIT.profile.unit_id), []
    for chunk in chunks:
        state, found = engine.advance(state, chunk, UNIT.profile, PARAMETERS, load_models(), services)
        events += found
    state, found = engine.settle(state, load_models(), services)
    return state, [*events, *found]


def water_of(state: engine.State) -> tuple[float, float, float]:
    s = state.memory[0]
    return float(s["water_low_g"]), float(s["water_g"]), float(s["water_high_g"])


def wettest_ms() -> int:
    """An instant between two readings at which the sump holds the most."""
    told = engine.trace(engine.initial_state(UNIT.profile.unit_id), READINGS, UNIT.profile, PARAMETERS)
    resting = np.where(told.running, -1.0, np.nan_to_num(told.water_g))
    return int(READINGS.observed_at_ms[int(np.argmax(resting))]) + 1


def test_a_drain_after_the_last_reading_shows_at_once() -> None:
    _, before_g, before_high_g = water_of(folded([READINGS], [])[0])
    assert before_g > 20.0
    state, _ = folded([READINGS], [service(LAST_MS + 60_000)])
    assert water_of(state)[:2] == (0.0, 0.0)
    left_g = moisture.FILM_G + UNDRAINED_SHARE * (before_high_g - moisture.FILM_G)
    assert water_of(state)[2] == pytest.approx(left_g)
    changed, _ = folded([READINGS], [service(LAST_MS + 60_000, Work.OIL_CHANGE)])
    assert water_of(changed) == (0.0, 0.0, moisture.FILM_G)
    status = engine.status(state, UNIT.profile, PARAMETERS, load_models())
    assert status is not None
    assert (status.water_g, status.dry_out_min) == (0.0, 0.0)


def test_it_ends_the_finding_that_its_water_had_opened() -> None:
    def standing(services: list[Service]) -> list[Pattern]:
        return [finding.pattern for finding in engine.standing(folded([READINGS], services)[0])]

    assert Pattern.SHORT_CYCLING in standing([])
    assert Pattern.SHORT_CYCLING not in standing([service(LAST_MS + 1)])


def test_days_before_the_work_keep_their_water() -> None:
    long_after_ms = LAST_MS + 3 * DAY_MS
    _, events = folded([READINGS], [])
    held_g = water_of(folded([READINGS], [])[0])[1]
    state, events = folded([READINGS], [service(long_after_ms)])
    days = [event for event in events if isinstance(event, WaterDay)][-3:]
    assert [day.grams for day in days] == [held_g] * 3
    (today,) = [event for event in engine.unfinished(state) if isinstance(event, WaterDay)]
    assert today.grams == 0.0
    assert (today.date - days[-1].date).days == 1


def test_work_during_a_run_leaves_a_run_whose_account_closes() -> None:
    runs = [event for event in folded([READINGS], [])[1] if isinstance(event, Run)]
    run = max(runs, key=lambda one: one.water_start_g)
    middle_ms = int(1000 * (run.start_at.timestamp() + run.last_at.timestamp()) / 2)
    _, events = folded([READINGS], [service(middle_ms)])
    (same,) = [event for event in events if isinstance(event, Run) and event.start_at == run.start_at]
    assert same.water_start_g == 0.0
    account_g = same.water_in_g - same.water_out_g - same.water_carried_over_g
    assert same.water_end_g == pytest.approx(account_g, abs=1e-9)
    assert same.water_end_g <= run.water_end_g


instants = st.one_of(
    st.integers(FIRST_MS - DAY_MS, LAST_MS + DAY_MS), st.sampled_from(READINGS.observed_at_ms.tolist())
)
works = st.lists(st.tuples(instants, st.sampled_from(Work)), max_size=4, unique=True)


@settings(max_examples=15)
@given(done=works, parts=st.lists(st.floats(0.0, 1.0), max_size=5))
def test_chunks_may_be_cut_anywhere(done: list[tuple[int, Work]], parts: list[float]) -> None:
    services = [service(at_ms, work) for at_ms, work in done]
    edges = [0, *sorted(int(part * len(READINGS)) for part in parts), len(READINGS)]
    chunks = [READINGS[start:end] for start, end in itertools.pairwise(edges)]
    whole, events = folded([READINGS], services)
    state, found = folded(chunks, services[::-1])
    assert state.memory.tobytes() == whole.memory.tobytes()
    assert state.serviced == whole.serviced == tuple(sorted(one.key for one in services))
    assert Folded(state=state, events=found).told == Folded(state=whole, events=events).told


@pytest.fixture
def home(tmp_path: Path) -> Iterator[tuple[Analyst, Maintenance, Results, EmbeddedStore, Register]]:
    database = open_database(f"sqlite:///{tmp_path / 'operations.db'}")
    store, register = EmbeddedStore(tmp_path / "readings.db"), Register(database)
    register.put(UNIT.profile, 0)
    analyst = Analyst(store, database, register, PARAMETERS, load_models())
    yield analyst, Maintenance(database), Results(database), store, register
    store.close()
    database.dispose()


def test_work_told_late_counts_from_when_it_was_done_and_can_be_taken_back(home) -> None:
    analyst, kept, results, store, register = home
    unit_id = UNIT.profile.unit_id
    store.append(rows_of(READINGS))
    analyst.catch_up(unit_id)
    days = results.water_days(WaterDay, unit_id)
    done = kept.record(unit_id, Work.DRAIN, wettest_ms(), by="yard", now_ms=LAST_MS + DAY_MS)
    analyst.catch_up(unit_id)
    replayed = replay_unit(
        store, register, unit_id, parameters=PARAMETERS, models=load_models(), services=kept.of(unit_id)
    )
    assert results.water_days(WaterDay, unit_id) == list(replayed.water_days)
    assert results.runs(Run, unit_id) == list(replayed.runs)
    standing = [f for f in results.findings(Finding, unit_id) if not f.withdrawn]
    assert sorted(standing, key=lambda f: f.finding_id) == sorted(
        replayed.findings, key=lambda f: f.finding_id
    )
    assert replayed.water_days != tuple(days)
    kept.take_back(done.service_id, by="yard", now_ms=LAST_MS + DAY_MS)
    analyst.catch_up(unit_id)
    assert results.water_days(WaterDay, unit_id) == days


def test_work_told_late_or_taken_back_is_the_cause_of_what_it_corrects(home, tmp_path: Path) -> None:
    """Nobody is told of late readings where somebody has recorded a drain."""
    analyst, kept, results, store, _ = home
    unit_id, at_ms = UNIT.profile.unit_id, wettest_ms()
    database = open_database(f"sqlite:///{tmp_path / 'operations.db'}")
    store.append(rows_of(READINGS))
    analyst.catch_up(unit_id)
    before = results.findings(Finding, unit_id)
    done = kept.record(unit_id, Work.DRAIN, at_ms, by="yard", now_ms=LAST_MS + DAY_MS)
    analyst.catch_up(unit_id)
    assert results.findings(Finding, unit_id) != before, "a drain that changes nothing tests nothing"
    kept.take_back(done.service_id, by="yard", now_ms=LAST_MS + DAY_MS)
    analyst.catch_up(unit_id)
    causes = [version.cause for version in FindingVersions(database).of_unit(Finding, unit_id)]
    database.dispose()
    assert Cause.OTHER_WORK in causes
    assert Cause.LATE_DATA not in causes


def test_readings_that_come_after_work_was_told_are_folded_before_it(home) -> None:
    """The truck sends what it had kept back after somebody has recorded a drain: nobody tells the analyst."""
    analyst, kept, results, store, _ = home
    unit_id = UNIT.profile.unit_id
    half = len(READINGS) // 2
    store.append(rows_of(READINGS[:half]))
    analyst.catch_up(unit_id)
    kept.record(unit_id, Work.DRAIN, LAST_MS + 1, by="yard", now_ms=LAST_MS + 1)
    analyst.catch_up(unit_id)
    store.append(rows_of(READINGS[half:]))
    analyst.catch_up(unit_id)
    found = Collector()
    state, events = folded([READINGS], [service(LAST_MS + 1)])
    found.take([*events, *engine.unfinished(state)])
    assert results.runs(Run, unit_id) == list(found.runs.values())
    status = results.status(UnitStatus, unit_id)
    assert status is not None
    assert status.water_g == 0.0
    assert math.isclose(status.observed_at.timestamp() * 1000.0, LAST_MS, abs_tol=1.0)
