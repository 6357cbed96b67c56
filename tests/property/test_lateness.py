"""Whatever way readings come in, what is said at the end is what one fold of them in order says."""

from __future__ import annotations

import dataclasses
import functools
import itertools
from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec
import numpy as np
import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from ingest.database import open_database
from ingest.finding_versions import FindingVersions
from ingest.maintenance import Maintenance, Work
from ingest.reading import Readings
from ingest.register import Register
from ingest.results import Results
from ingest.store.embedded import EmbeddedStore
from models import engine
from models.analyst import Analyst
from models.artefact import load_models
from models.records import Finding, Run, UnitStatus, WaterDay
from models.replay import replay_unit
from models.said import carries_on, same
from tests.unit.models.histories import (
    DAY_MS,
    ICING_UNIT,
    PARAMETERS,
    SHORT_CYCLING_UNIT,
    fold,
    rows_of,
    simulated,
)
from tests.unit.models.test_analyst_killed import NEVER, Killed, killed_after

HISTORIES = (SHORT_CYCLING_UNIT, ICING_UNIT, 27)
"""Units of a few thousand readings over six days; each has findings of one pattern."""
MOST_BLOCKS = 12
MINUTE_MS = 60_000

names = (f"truck-{n}" for n in itertools.count())


class Delivery(msgspec.Struct, frozen=True):
    """Rows that the network brings together, and what happens next."""

    rows: tuple[int, ...]
    noted: bool
    """False: the process died between storing and noting, or another one stored them."""
    restarted: bool
    caught_up: bool
    now_ms: int | None = None
    """Until when nothing more is known to have come, to judge the silence; None: not known."""
    killed_after: int = NEVER
    """The process dies when it has written so often."""
    recorded: tuple[tuple[Work, int], ...] = ()
    """Work that people record before the look, each with when it was done. [Unix ms]"""
    taken_back: int = 0
    """Of the records so far, the oldest ones that are taken back before the look."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Site:
    """Databases that outlive the analysts working on them."""

    store: EmbeddedStore
    database: sa.Engine
    register: Register
    results: Results

    def analyst(self) -> Analyst:
        return Analyst(self.store, self.database, self.register, PARAMETERS, load_models())

    def new_unit(self, index: int, shift_ms: int) -> Readings:
        """A simulated unit's history under a name of its own, moved in time."""
        unit = simulated(index)
        readings = dataclasses.replace(
            unit.readings, unit_id=next(names), observed_at_ms=unit.readings.observed_at_ms + shift_ms
        )
        self.register.put(msgspec.structs.replace(unit.profile, unit_id=readings.unit_id), 0)
        return readings

    def come_in(
        self, readings: Readings, deliveries: Sequence[Delivery], end_ms: int | None = None
    ) -> list[Finding]:
        """Let it all arrive, and at last look at what there is; every finding as the board showed it."""
        rows, analyst, shown = rows_of(readings), self.analyst(), list[Finding]()
        for delivery in deliveries:
            arrived = [rows[i] for i in delivery.rows]
            self.store.append(arrived)
            self.work_is_recorded(readings.unit_id, delivery)
            if delivery.restarted or not delivery.noted:
                analyst = self.analyst()
            else:
                analyst.note_stored(arrived)
            if delivery.caught_up:
                try:
                    with killed_after(self.database, delivery.killed_after):
                        analyst.catch_up(readings.unit_id, delivery.now_ms)
                except Killed:
                    analyst = self.analyst()
                shown += self.results.findings(Finding, readings.unit_id)
        analyst.catch_up(readings.unit_id, end_ms)
        return shown

    def work_is_recorded(self, unit_id: str, delivery: Delivery) -> None:
        """People record work on the unit, and take records back."""
        records = Maintenance(self.database)
        for work, done_at_ms in delivery.recorded:
            records.record(unit_id, work, done_at_ms, by="fitter", now_ms=done_at_ms)
        for service in records.of(unit_id)[: delivery.taken_back]:
            records.take_back(service.service_id, by="fitter", now_ms=service.done_at_ms)

    def said(self, unit_id: str) -> dict[str, object]:
        """All that stands in the results."""
        findings = [one for one in self.results.findings(Finding, unit_id) if not one.withdrawn]
        return {
            "runs": self.results.runs(Run, unit_id),
            "findings": sorted(findings, key=lambda one: (one.start_at, one.pattern)),
            "water": self.results.water_days(WaterDay, unit_id),
            "status": as_json(self.results.status(UnitStatus, unit_id)),
        }


def as_json(record: object) -> bytes:
    """For records with NaN in them, which equals nothing."""
    return msgspec.json.encode(record)


def folded_in_order(site: Site, readings: Readings, end_ms: int | None = None) -> dict[str, object]:
    """What one fold from the first reading to the last says, with the silence after it until `end_ms`."""
    unit_id, models = readings.unit_id, load_models()
    services, profile = Maintenance(site.database).of(unit_id), site.register.get(unit_id)
    assert profile is not None
    replay = replay_unit(
        site.store, site.register, unit_id, parameters=PARAMETERS, models=models, services=services
    )
    state, _ = engine.advance(engine.initial_state(unit_id), readings, profile, PARAMETERS, models, services)
    state, _ = engine.settle(state, models, services)
    state, silent = engine.judge_silence(state, end_ms or 0, profile, PARAMETERS)
    findings = [*replay.findings, *(one for one in silent if isinstance(one, Finding))]
    return {
        "runs": [run for run in replay.runs if run.end_at is not None],
        "findings": sorted(findings, key=lambda one: (one.start_at, one.pattern)),
        "water": list(replay.water_days),
        "status": as_json(engine.status(state, profile, PARAMETERS, models)),
    }


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    folder: Path = tmp_path_factory.mktemp("site")
    database = open_database(f"sqlite:///{folder / 'operations.db'}")
    store = EmbeddedStore(folder / "readings.db")
    yield Site(store=store, database=database, register=Register(database), results=Results(database))
    store.close()
    database.dispose()


@functools.cache
def run_starts_ms(index: int) -> list[int]:
    """When its runs begin. [Unix ms]"""
    unit = simulated(index)
    return [round(run.start_at.timestamp() * 1000) for run in fold(unit.readings, profile=unit.profile).runs]


@st.composite
def shifts(draw: st.DrawFn, index: int) -> int:
    """None, or so far in time that midnight, where checkpoints are made, falls into or near a run. [ms]"""
    if draw(st.booleans()):
        return 0
    start_ms = draw(st.sampled_from(run_starts_ms(index)))
    return -(start_ms % DAY_MS) + MINUTE_MS * draw(st.integers(-40, 10))


@st.composite
def deliveries(draw: st.DrawFn, readings: Readings) -> list[Delivery]:
    """Every row at least once: in blocks of any size, some of them combed, in any order, some again."""
    n_rows = len(readings)
    midnights = np.flatnonzero(np.diff(readings.observed_at_ms // DAY_MS))
    near = st.builds(
        lambda row, off: int(np.clip(row + off, 1, n_rows - 1)),
        st.sampled_from(midnights),
        st.integers(-90, 90),
    )
    edges = sorted(draw(st.sets(st.integers(1, n_rows - 1) | near, max_size=MOST_BLOCKS)))
    blocks: list[list[int]] = []
    for start, end in itertools.pairwise([0, *edges, n_rows]):
        teeth = draw(st.sampled_from([1, 1, 1, 2, 3]))
        blocks += [list(range(start + tooth, end, teeth)) for tooth in range(teeth)]
    order = draw(st.permutations(range(len(blocks))) | st.just(range(len(blocks))))
    arriving = [blocks[i] for i in order]
    for _ in range(draw(st.integers(0, 3))):
        again = draw(st.sampled_from(blocks))
        arriving.insert(draw(st.integers(0, len(arriving))), again + again[:5])
    return [
        Delivery(
            rows=tuple(draw(st.sampled_from([block, block[::-1]]))),
            noted=draw(st.sampled_from([True, True, True, False])),
            restarted=draw(st.sampled_from([False, False, False, True])),
            caught_up=draw(st.sampled_from([True, True, False])),
        )
        for block in arriving
        if block
    ]


def assert_said_as_in_order(
    site: Site, readings: Readings, shown: Sequence[Finding], end_ms: int | None = None
) -> None:
    """All that stands is what one fold says, and all that was ever shown is kept beside it."""
    said, wanted = site.said(readings.unit_id), folded_in_order(site, readings, end_ms)
    for what, value in wanted.items():
        assert said[what] == value, what
    kept = FindingVersions(site.database).of_unit(Finding, readings.unit_id)
    for finding in [*shown, *site.results.findings(Finding, readings.unit_id)]:
        versions = [one.finding for one in kept if one.finding.finding_id == finding.finding_id]
        assert any(same(version, finding) or carries_on(version, finding) for version in versions)


WHATEVER_COMES = settings(
    max_examples=40,
    deadline=None,
    phases=(Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink),
    suppress_health_check=[
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
        HealthCheck.function_scoped_fixture,
    ],
)


def records_of_work(readings: Readings, end_ms: int) -> st.SearchStrategy[tuple[Work, int]]:
    """Work at a reading's very instant, between two of them, before the first or after the last."""
    at_ms = readings.observed_at_ms
    instants = st.builds(
        lambda row, off_ms: min(int(at_ms[row]) + off_ms, end_ms),
        st.integers(0, len(at_ms) - 1),
        st.sampled_from([0, 1, -1, 5_000, -DAY_MS, DAY_MS]),
    )
    return st.tuples(st.sampled_from(Work), instants)


@st.composite
def interrupted(draw: st.DrawFn, readings: Readings, end_ms: int) -> list[Delivery]:
    """The same, with work recorded and taken back, silences judged and processes killed at any moment."""
    instants = st.one_of(st.none(), st.integers(int(readings.observed_at_ms[0]), end_ms), st.just(end_ms))
    work = st.lists(records_of_work(readings, end_ms), max_size=1).map(tuple)
    return [
        msgspec.structs.replace(
            delivery,
            now_ms=draw(instants),
            killed_after=draw(st.sampled_from([NEVER, NEVER, 1, 2, 3])),
            recorded=draw(work),
            taken_back=draw(st.sampled_from([0, 0, 1])),
        )
        for delivery in draw(deliveries(readings))
    ]


@settings(WHATEVER_COMES, max_examples=25)
@given(data=st.data(), index=st.sampled_from(HISTORIES))
def test_work_silence_and_kills_in_between_change_nothing_of_that(
    site: Site, data: st.DataObject, index: int
) -> None:
    readings = site.new_unit(index, data.draw(shifts(index)))
    end_ms = int(readings.observed_at_ms[-1]) + DAY_MS * data.draw(st.sampled_from([0, 2, 5, 12]))
    shown = site.come_in(readings, data.draw(interrupted(readings, end_ms)), end_ms)
    assert_said_as_in_order(site, readings, shown, end_ms)


@WHATEVER_COMES
@given(data=st.data(), index=st.sampled_from(HISTORIES))
def test_any_order_any_repetition_any_delay_ends_in_the_same_words(
    site: Site, data: st.DataObject, index: int
) -> None:
    readings = site.new_unit(index, data.draw(shifts(index)))
    shown = site.come_in(readings, data.draw(deliveries(readings)))
    assert_said_as_in_order(site, readings, shown)


@pytest.mark.parametrize("index", HISTORIES)
def test_the_histories_have_something_to_lose(index: int) -> None:
    unit = simulated(index)
    assert fold(unit.readings, profile=unit.profile).findings


@pytest.mark.parametrize("noted", [True, False], ids=["noted", "found by itself"])
def test_what_comes_last_is_older_than_the_oldest_checkpoint(site: Site, noted: bool) -> None:
    """The first hours of six days arrive at the very end."""
    readings = site.new_unit(SHORT_CYCLING_UNIT, 0)
    first = int(np.searchsorted(readings.observed_at_ms, readings.observed_at_ms[0] + 5 * 60 * MINUTE_MS))
    rest = Delivery(tuple(range(first, len(readings))), noted=True, restarted=False, caught_up=True)
    site.come_in(readings, [rest])
    assert site.results.checkpoint_instants(readings.unit_id)[0] > readings.observed_at_ms[first]
    site.come_in(readings, [Delivery(tuple(range(first)), noted, restarted=False, caught_up=True)])
    assert site.said(readings.unit_id) == folded_in_order(site, readings)
