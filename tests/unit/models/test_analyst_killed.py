"""The analyst killed between any two of its writes: the next one ends where one that lives would have.

A kill is an exception that nothing catches, thrown when a transaction of the operations database has been
committed.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import msgspec
import numpy as np
import pytest
import sqlalchemy as sa
from sqlalchemy.pool import PoolProxiedConnection

from ingest.database import open_database
from ingest.finding_versions import FindingVersions
from ingest.maintenance import Maintenance, Work
from ingest.reading import Readings
from ingest.register import Register
from ingest.results import Results
from ingest.store.embedded import EmbeddedStore
from models.analyst import Analyst
from models.artefact import load_models
from models.records import Finding, Run, UnitStatus
from models.replay import replay_unit
from tests.unit.models.histories import (
    ICING_UNIT,
    NEVER_HOT_UNIT,
    PARAMETERS,
    SHORT_CYCLING_UNIT,
    rows_of,
    simulated,
)
from tests.unit.models.test_analyst import Site

CYCLING, ICING = simulated(SHORT_CYCLING_UNIT), simulated(ICING_UNIT)
HOUR_MS = 3_600_000
LATE = (CYCLING.readings.observed_at_ms > CYCLING.start_at_ms + 4 * HOUR_MS) & (
    CYCLING.readings.observed_at_ms < CYCLING.start_at_ms + 8 * HOUR_MS
)
"""Without these hours the engine flags what it does not flag with them."""


NEVER = -1


class Killed(BaseException):
    """Nothing in the program catches it."""


class News(msgspec.Struct, frozen=True):
    """What an analyst knew, and what it finds when it next looks."""

    unit_id: str
    prepare: Callable[[Site], None]
    bring: Callable[[Site], None]


def put(site: Site, readings: Readings) -> None:
    site.store.append(rows_of(readings))


def late_readings() -> News:
    return News(
        CYCLING.readings.unit_id,
        lambda site: put(site, CYCLING.readings[~LATE]),
        lambda site: put(site, CYCLING.readings[LATE]),
    )


def other_ratings() -> News:
    def prepare(site: Site) -> None:
        put(site, ICING.readings)
        site.register.put(msgspec.structs.replace(ICING.profile, max_pressure_kpa=300.0), 0)

    return News(ICING.readings.unit_id, prepare, lambda site: site.register.put(ICING.profile, 0))


def days_of_news() -> News:
    return News(
        ICING.readings.unit_id,
        lambda site: put(site, ICING.readings[:1900]),
        lambda site: put(site, ICING.readings[1900:]),
    )


def a_drain_taken_back() -> News:
    """Recorded on the second day, so that what the sump held after it counts again."""

    def prepare(site: Site) -> None:
        put(site, CYCLING.readings)
        done_at_ms = CYCLING.start_at_ms + 30 * HOUR_MS
        Maintenance(site.database).record(
            CYCLING.readings.unit_id, Work.OIL_CHANGE, done_at_ms, by="fitter", now_ms=done_at_ms
        )

    def bring(site: Site) -> None:
        assert Maintenance(site.database).take_back(1, by="fitter", now_ms=1)

    return News(CYCLING.readings.unit_id, prepare, bring)


ALL_NEWS = {
    "late readings": late_readings,
    "other ratings": other_ratings,
    "days of news": days_of_news,
    "a drain taken back": a_drain_taken_back,
}


@contextmanager
def opened(folder: Path) -> Iterator[Site]:
    database = open_database(f"sqlite:///{folder / 'operations.db'}")
    store = EmbeddedStore(folder / "readings.db")
    try:
        yield Site(store=store, database=database, register=Register(database), results=Results(database))
    finally:
        store.close()
        database.dispose()


def analyst(site: Site) -> Analyst:
    return Analyst(site.store, site.database, site.register, PARAMETERS, load_models(), lambda: 7)


@contextmanager
def killed_after(database: sa.Engine, n_writes: int) -> Iterator[list[object]]:
    """Kill whoever commits the `n_writes`-th transaction; the commits so far."""
    commits: list[object] = []

    def die(connection: PoolProxiedConnection) -> None:
        connection.commit()
        commits.append(connection)
        if len(commits) == n_writes:
            raise Killed

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(database.dialect, "do_commit", die)
        yield commits


def kept(site: Site, unit_id: str) -> dict[str, object]:
    """All that stands in the operations database, checkpoints and what is in hand included."""
    checkpoints = site.results.checkpoint_instants(unit_id)
    return {
        "known": site.known(unit_id),
        "versions": [
            (one.finding, one.cause) for one in FindingVersions(site.database).of_unit(Finding, unit_id)
        ],
        "checkpoints": [(at_ms, site.results.checkpoint(unit_id, at_ms)) for at_ms in checkpoints],
        "status": msgspec.json.encode(site.results.status(UnitStatus, unit_id)),
        "watermark": site.results.watermark(unit_id),
        "in hand": site.results.rewind_in_hand(unit_id),
        "unsaid": site.results.unsaid(Finding, unit_id),
    }


class Prepared(msgspec.Struct, frozen=True):
    """Databases as they are when the news has come in and nobody has looked yet."""

    unit_id: str
    folder: Path
    said: list[Finding]
    now: list[Finding]
    wanted: dict[str, object]
    """What an analyst that is not killed makes of them."""
    n_commits: int


@pytest.fixture(scope="module", params=ALL_NEWS)
def prepared(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    folder, news = tmp_path_factory.mktemp("before"), ALL_NEWS[request.param]()
    with opened(folder) as site:
        site.register.put(CYCLING.profile, 0)
        site.register.put(ICING.profile, 0)
        news.prepare(site)
        analyst(site).catch_up(news.unit_id)
        said = site.results.findings(Finding, news.unit_id)
        news.bring(site)
    with copied(folder, tmp_path_factory.mktemp("unkilled")) as site:
        with killed_after(site.database, NEVER) as commits:
            analyst(site).catch_up(news.unit_id)
        found = replay_unit(
            site.store,
            site.register,
            news.unit_id,
            parameters=PARAMETERS,
            models=load_models(),
            services=Maintenance(site.database).of(news.unit_id),
        )
        standing = [one for one in site.results.findings(Finding, news.unit_id) if not one.withdrawn]
        assert sorted(standing, key=lambda one: (one.start_at, one.pattern)) == list(found.findings)
        now, wanted = site.results.findings(Finding, news.unit_id), kept(site, news.unit_id)
        assert site.results.runs(Run, news.unit_id) == [run for run in found.runs if run.end_at is not None]
    return Prepared(news.unit_id, folder, said, now, wanted, len(commits))


@contextmanager
def copied(folder: Path, target: Path) -> Iterator[Site]:
    target.mkdir(exist_ok=True)
    for path in folder.glob("*.db"):
        shutil.copy(path, target)
    with opened(target) as site:
        yield site


def kill(site: Site, unit_id: str, n_writes: int) -> None:
    with killed_after(site.database, n_writes), pytest.raises(Killed):
        analyst(site).catch_up(unit_id)


def test_there_is_something_to_lose(prepared: Prepared) -> None:
    assert prepared.said
    assert prepared.now != prepared.said
    assert prepared.n_commits >= 4


def test_killed_once_between_any_two_writes(prepared: Prepared, tmp_path: Path) -> None:
    for n_writes in range(1, prepared.n_commits + 1):
        with copied(prepared.folder, tmp_path / str(n_writes)) as site:
            kill(site, prepared.unit_id, n_writes)
            if n_writes < prepared.n_commits:
                assert site.results.findings(Finding, prepared.unit_id) == prepared.said
            analyst(site).catch_up(prepared.unit_id)
            assert kept(site, prepared.unit_id) == prepared.wanted, n_writes


def test_killed_at_every_start_a_little_further_on(prepared: Prepared, tmp_path: Path) -> None:
    with copied(prepared.folder, tmp_path) as site:
        for n_writes in (1, 2, 1, 2, 2):
            kill(site, prepared.unit_id, n_writes)
        analyst(site).catch_up(prepared.unit_id)
        assert kept(site, prepared.unit_id) == prepared.wanted


@pytest.mark.parametrize("second", [1, 2])
def test_killed_again_in_another_place(prepared: Prepared, tmp_path: Path, second: int) -> None:
    """The second time on a rewind from a later day, with doubts that only the database knows."""
    with copied(prepared.folder, tmp_path) as site:
        kill(site, prepared.unit_id, prepared.n_commits - 2)
        kill(site, prepared.unit_id, second)
        analyst(site).catch_up(prepared.unit_id)
        assert kept(site, prepared.unit_id) == prepared.wanted


def test_what_nobody_took_in_is_handed_on_again(prepared: Prepared, tmp_path: Path) -> None:
    """The alarm desk fails, or the process dies, when all has been written and nobody has heard of it."""
    heard: list[list[Finding]] = []

    def hear(findings: Sequence[Finding]) -> None:
        heard.append(sorted(findings, key=lambda one: one.finding_id))
        if len(heard) < 3:
            raise Killed

    with copied(prepared.folder, tmp_path) as site:
        first = analyst(site)
        for one in (first, first, analyst(site)):
            try:
                one.catch_up(prepared.unit_id, hear=hear)
            except Killed:
                continue
        changed = {one.finding_id for one in heard[0] if one not in prepared.said}
        assert changed
        for again in heard[1:]:
            assert changed <= {one.finding_id for one in again}
            assert all(one in site.results.findings(Finding, prepared.unit_id) for one in again)
        n_heard = len(heard)
        first.catch_up(prepared.unit_id, hear=hear)
        assert len(heard) == n_heard


@pytest.mark.parametrize("index", [SHORT_CYCLING_UNIT, NEVER_HOT_UNIT])
def test_a_start_alone_says_nothing_anew(index: int, tmp_path: Path) -> None:
    """A day that is folded again after a restart is no late data, and changes nothing that was said."""
    unit, said = simulated(index), []
    for restarted in (False, True):
        with opened(tmp_path / str(restarted)) as site:
            site.register.put(unit.profile, 0)
            one = analyst(site)
            for rows in np.array_split(np.arange(len(unit.readings)), 40):
                one = analyst(site) if restarted else one
                put(site, unit.readings[rows])
                one.catch_up(unit.readings.unit_id)
            versions = FindingVersions(site.database).of_unit(Finding, unit.readings.unit_id)
            said.append([(version.finding, version.cause) for version in versions])
    assert said[0]
    assert said[0] == said[1]
