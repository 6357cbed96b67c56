"""The fold does not depend on where history is cut, nor on the order and number of times it came in."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.database import open_database
from ingest.reading import Readings
from ingest.register import Register
from ingest.results import Results
from ingest.store.embedded import EmbeddedStore
from models import engine
from models.analyst import Analyst
from models.artefact import load_models
from models.records import Finding, Run, WaterDay
from models.replay import Replay, replay_unit
from tests.unit.models.histories import (
    ICING_UNIT,
    NEVER_HOT_UNIT,
    PARAMETERS,
    SHORT_CYCLING_UNIT,
    Folded,
    fold,
    rows_of,
    simulated,
)

FAULTY = (SHORT_CYCLING_UNIT, NEVER_HOT_UNIT, ICING_UNIT, 3, 6, 36)
"""The three patterns alone, two of them together, every 10 s to every 60 s."""
SMALL = (SHORT_CYCLING_UNIT, ICING_UNIT, 27)
"""A few thousand readings each."""


def folded(index: int, *cuts: int) -> Folded:
    unit = simulated(index)
    edges = [0, *sorted(cuts), len(unit.readings)]
    chunks = [unit.readings[start:end] for start, end in itertools.pairwise(edges)]
    return fold(*chunks, profile=unit.profile)


@pytest.fixture(scope="module", params=FAULTY)
def whole(request: pytest.FixtureRequest) -> tuple[int, Folded]:
    return request.param, folded(request.param)


@settings(max_examples=12)
@given(parts=st.lists(st.floats(0.0, 1.0), max_size=12))
def test_where_chunks_are_cut_changes_nothing(whole: tuple[int, Folded], parts: list[float]) -> None:
    index, once = whole
    cut = folded(index, *(round(part * len(simulated(index).readings)) for part in parts))
    assert cut.told == once.told
    assert engine.encode_state(cut.state) == engine.encode_state(once.state)


def test_one_reading_at_a_time_is_the_same_fold() -> None:
    unit = simulated(SHORT_CYCLING_UNIT)
    few = unit.readings[:600]
    once = fold(few, profile=unit.profile)
    each = fold(*(few[i : i + 1] for i in range(len(few))), profile=unit.profile)
    assert each.told == once.told
    assert engine.encode_state(each.state) == engine.encode_state(once.state)


def test_a_state_goes_through_bytes_unharmed(whole: tuple[int, Folded]) -> None:
    index, once = whole
    unit = simulated(index)
    half = len(unit.readings) // 2
    before = fold(unit.readings[:half], profile=unit.profile)
    restored = engine.decode_state(engine.encode_state(before.state))
    after = fold(unit.readings[half:], profile=unit.profile, state=restored)
    joined = Folded(state=after.state, events=before.events + after.events)
    assert joined.told == once.told


def test_every_finding_was_there_when_it_says_and_not_a_reading_sooner(whole: tuple[int, Folded]) -> None:
    index, once = whole
    unit = simulated(index)
    assert once.findings
    at_ms = unit.readings.observed_at_ms
    for finding in once.findings:
        flagged_ms = round(finding.first_flagged_at.timestamp() * 1000)
        assert flagged_ms in at_ms
        before = fold(unit.readings[at_ms < flagged_ms], profile=unit.profile).newest.findings
        there = fold(unit.readings[at_ms <= flagged_ms], profile=unit.profile).newest.findings
        assert finding.finding_id not in before
        same = there[finding.finding_id]
        assert (same.start_at, same.first_flagged_at) == (finding.start_at, finding.first_flagged_at)
        assert same.confidence == finding.confidence
        assert same.end_at is None
        # Nothing that was told by then has gone or begun otherwise.
        for earlier in before.values():
            later = once.newest.findings[earlier.finding_id]
            assert (later.start_at, later.first_flagged_at) == (earlier.start_at, earlier.first_flagged_at)


def test_the_sump_is_accounted_for_to_the_last_gram(whole: tuple[int, Folded]) -> None:
    _, once = whole
    for run in once.runs:
        change_g = run.water_end_g - run.water_start_g
        assert change_g == pytest.approx(run.water_in_g - run.water_out_g, rel=0.0, abs=1e-9)
        assert min(run.water_start_g, run.water_end_g, run.water_in_g, run.water_out_g) >= 0.0
    for earlier, later in itertools.pairwise(once.runs):
        assert earlier.end_at is not None
        assert earlier.end_at <= later.start_at
        assert earlier.water_end_g == pytest.approx(later.water_start_g, rel=0.0, abs=1e-9)
    for day in once.water_days:
        assert 0.0 <= day.low <= day.grams <= day.high


@dataclasses.dataclass(frozen=True, kw_only=True)
class Truck:
    """A unit's live operation over real stores."""

    store: EmbeddedStore
    register: Register
    results: Results
    analyst: Analyst

    def come_in(self, readings: Readings, order: list[list[int]]) -> None:
        rows = rows_of(readings)
        for batch in order:
            arrived = [rows[i] for i in batch]
            self.store.append(arrived)
            self.analyst.note_stored(arrived)
            self.analyst.catch_up(readings.unit_id)

    def known(self, unit_id: str) -> tuple[list[Run], list[Finding], list[WaterDay]]:
        findings = [f for f in self.results.findings(Finding, unit_id) if not f.withdrawn]
        return (
            self.results.runs(Run, unit_id),
            sorted(findings, key=lambda f: (f.start_at, f.pattern)),
            self.results.water_days(WaterDay, unit_id),
        )

    def replayed(self, unit_id: str) -> Replay:
        return replay_unit(self.store, self.register, unit_id, parameters=PARAMETERS, models=load_models())


@pytest.fixture(scope="module")
def truck(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Truck]:
    folder: Path = tmp_path_factory.mktemp("truck")
    database = open_database(f"sqlite:///{folder / 'operations.db'}")
    store = EmbeddedStore(folder / "readings.db")
    register = Register(database)
    analyst = Analyst(store, database, register, PARAMETERS, load_models())
    yield Truck(store=store, register=register, results=Results(database), analyst=analyst)
    store.close()
    database.dispose()


names = (f"truck-{n}" for n in itertools.count())


@st.composite
def arrivals(draw: st.DrawFn, n_rows: int) -> list[list[int]]:
    """Batches of rows: mostly in order, some held back to come with a later batch, some twice."""
    edges = sorted(draw(st.sets(st.integers(1, n_rows - 1), min_size=1, max_size=6)))
    batches = [list(range(a, b)) for a, b in itertools.pairwise([0, *edges, n_rows])]
    for _ in range(draw(st.integers(0, 3))):
        source = draw(st.integers(0, len(batches) - 1))
        if not batches[source]:
            continue
        target = draw(st.integers(source, len(batches) - 1))
        first = draw(st.integers(0, len(batches[source]) - 1))
        held = batches[source][first : first + draw(st.integers(1, 400))]
        if not draw(st.booleans()):
            batches[source] = [row for row in batches[source] if row not in set(held)]
        batches[target] = batches[target] + held
    return batches


@settings(max_examples=10, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data(), index=st.sampled_from(SMALL))
def test_live_operation_ends_where_replay_does(truck: Truck, data: st.DataObject, index: int) -> None:
    unit = simulated(index)
    readings = dataclasses.replace(unit.readings, unit_id=next(names))
    truck.register.put(msgspec.structs.replace(unit.profile, unit_id=readings.unit_id), 0)
    truck.come_in(readings, data.draw(arrivals(len(readings))))
    runs, findings, water = truck.known(readings.unit_id)
    once = fold(readings, profile=unit.profile)
    replayed = truck.replayed(readings.unit_id)
    assert runs == once.runs == [run for run in replayed.runs if run.end_at is not None]
    assert findings == list(replayed.findings)
    assert water == list(replayed.water_days)
    assert {f.finding_id: f for f in findings} == once.newest.findings


def test_the_order_in_which_the_network_brings_readings_changes_nothing(truck: Truck) -> None:
    unit = simulated(ICING_UNIT)
    readings = dataclasses.replace(unit.readings, unit_id=next(names))
    assert np.any(np.diff(unit.arrival_row) < 0), "some come late"
    truck.register.put(msgspec.structs.replace(unit.profile, unit_id=readings.unit_id), 0)
    truck.come_in(readings, [part.tolist() for part in np.array_split(unit.arrival_row, 17)])
    runs, findings, water = truck.known(readings.unit_id)
    replayed = truck.replayed(readings.unit_id)
    assert runs == [run for run in replayed.runs if run.end_at is not None]
    assert (findings, water) == (list(replayed.findings), list(replayed.water_days))
    before = truck.known(readings.unit_id)
    truck.come_in(readings, [list(range(0, len(readings), 3)), list(range(500))])
    assert truck.known(readings.unit_id) == before
