"""How far units have been analysed and what was said of their findings, from real databases."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from alerts.desk import AlarmDesk, AlertSettings
from dashboards.live_sources import LiveSources
from dashboards.words import finding_state
from ingest.database import open_database
from ingest.maintenance import Work
from ingest.quality import Quality
from ingest.reading import Reading
from ingest.register import Register
from ingest.results import Results, Said, Watermark
from ingest.store import EmbeddedStore
from models.records import Pattern
from models.said import Cause, taken_back
from tests.unit.dashboards.invented import NOW, NOW_MS, finding, status, trace

WORKED_ON: list[str] = []
"""Units whose work has changed, as the sources tell it."""
SHORT_CYCLING = finding(3, Pattern.SHORT_CYCLING)


class InventedAnalyst:
    """Stands for the analyst: the board asks it for nothing but traces."""

    trace = staticmethod(trace)


@pytest.fixture
def database(tmp_path: Path) -> Iterator[sa.Engine]:
    engine = open_database(f"sqlite:///{tmp_path / 'operations.db'}")
    yield engine
    engine.dispose()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    one = EmbeddedStore(tmp_path / "readings.db")
    yield one
    one.close()


@pytest.fixture
def desk(database: sa.Engine) -> AlarmDesk:
    return AlarmDesk(database, Register(database), AlertSettings(), lambda *_: None, lambda: NOW)


@pytest.fixture
def sources(database: sa.Engine, store: EmbeddedStore, desk: AlarmDesk) -> LiveSources:
    return LiveSources(
        database=database,
        store=store,
        register=Register(database),
        desk=desk,
        analyst=InventedAnalyst(),
        on_work=WORKED_ON.append,
    )


def reading(at_ms: int, **more: int) -> Reading:
    return Reading(unit_id="rm-03", observed_at_ms=at_ms, received_at_ms=NOW_MS, **more)


def test_a_unit_lags_by_what_is_stored_and_not_yet_analysed(
    sources: LiveSources, database: sa.Engine, store: EmbeddedStore
) -> None:
    assert sources.watermark("rm-03") is None
    at = NOW - dt.timedelta(minutes=10)
    at_ms = NOW_MS - 600_000
    store.append([reading(at_ms)])
    Results(database).save(status=status(3, observed_at=at), watermark=Watermark(at_ms, NOW_MS, 1))
    mark = sources.watermark("rm-03")
    assert mark is not None
    assert (mark.analysed_until, mark.analysed_at, mark.n_readings, mark.behind_s) == (at, NOW, 1, 0.0)
    store.append([reading(NOW_MS - 60_000)])
    mark = sources.watermark("rm-03")
    assert mark is not None
    assert mark.behind_s == 540.0
    store.append([reading(NOW_MS + 10**10, quality=int(Quality.CLOCK_WRONG))])
    mark = sources.watermark("rm-03")
    assert mark is not None
    assert mark.behind_s == 0.0, "a clock that runs years ahead is no lag of ours"


def test_an_alarm_shows_every_version_of_what_is_behind_it(
    sources: LiveSources, database: sa.Engine, desk: AlarmDesk
) -> None:
    Results(database).save(finding_records=[SHORT_CYCLING])
    said = Said(SHORT_CYCLING.unit_id, [(SHORT_CYCLING, Cause.FIRST)], NOW_MS)
    Results(database).save(said=said)
    desk.consider([SHORT_CYCLING])
    (alarm,) = sources.alarms()
    assert [(one.cause, one.finding, one.said_at, one.mailed_at) for one in alarm.said] == [
        (Cause.FIRST, SHORT_CYCLING, NOW, NOW)
    ]
    assert sources.alarm(alarm.alarm_id) == alarm
    assert tuple(sources.finding_versions("rm-03")) == alarm.said


def test_a_withdrawn_finding_is_not_said_to_have_ended() -> None:
    assert finding_state(SHORT_CYCLING) == "stands"
    assert finding_state(taken_back(SHORT_CYCLING)).startswith("withdrawn")


def test_work_is_recorded_taken_back_and_told_at_once(sources: LiveSources) -> None:
    WORKED_ON.clear()
    done_at = NOW - dt.timedelta(hours=3)
    made = sources.record_work("rm-03", Work.DRAIN, done_at, "Bay 2", NOW)
    assert (made.work, made.done_at, made.recorded_at, made.recorded_by) == (
        Work.DRAIN,
        done_at,
        NOW,
        "Bay 2",
    )
    assert sources.work("rm-03") == [made]
    assert sources.work("rm-04") == []
    for unit_id, number in (("rm-04", made.number), ("rm-03", made.number + 1)):
        with pytest.raises(KeyError):
            sources.take_work_back(unit_id, number, "Bay 2", NOW)
    assert sources.work("rm-03") == [made]
    sources.take_work_back("rm-03", made.number, "Yard desk", NOW)
    (kept,) = sources.work("rm-03")
    assert (kept.taken_back_at, kept.taken_back_by) == (NOW, "Yard desk")
    with pytest.raises(KeyError):
        sources.take_work_back("rm-03", made.number, "Yard desk", NOW)
    assert WORKED_ON == ["rm-03", "rm-03"]


def test_work_to_come_is_refused(sources: LiveSources) -> None:
    WORKED_ON.clear()
    with pytest.raises(ValueError, match="until now"):
        sources.record_work("rm-03", Work.DRAIN, NOW + dt.timedelta(seconds=1), "Bay 2", NOW)
    assert (sources.work("rm-03"), WORKED_ON) == ([], [])
