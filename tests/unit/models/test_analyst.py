"""The analyst over real stores: restarts, checkpoints, late readings, findings undone, traces."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import pytest
import sqlalchemy as sa

from ingest.database import open_database
from ingest.finding_versions import FindingVersions
from ingest.reading import Readings
from ingest.register import Register
from ingest.results import Checkpoint, Results, Watermark
from ingest.store.embedded import EmbeddedStore
from models import engine
from models.analyst import Analyst
from models.artefact import load_models
from models.records import Finding, Pattern, Run, UnitStatus, WaterDay
from models.said import Cause
from tests.unit.models.histories import (
    DAY_MS,
    ICING_UNIT,
    PARAMETERS,
    PROFILE,
    SHORT_CYCLING_UNIT,
    by_hand,
    fold,
    rows_of,
    simulated,
)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Site:
    """One database, one store, and analysts that come and go."""

    store: EmbeddedStore
    database: sa.Engine
    register: Register
    results: Results

    def analyst(self) -> Analyst:
        return Analyst(self.store, self.database, self.register, PARAMETERS, load_models())

    def known(self, unit_id: str = "unit") -> tuple[list[Run], list[Finding], list[WaterDay]]:
        findings = self.results.findings(Finding, unit_id)
        return (
            self.results.runs(Run, unit_id),
            sorted(findings, key=lambda f: f.finding_id),
            self.results.water_days(WaterDay, unit_id),
        )

    def arrive(self, analyst: Analyst, readings: Readings) -> list[engine.Event]:
        rows = rows_of(readings)
        self.store.append(rows)
        analyst.note_stored(rows)
        return analyst.catch_up(readings.unit_id)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    database = open_database(f"sqlite:///{tmp_path / 'operations.db'}")
    store = EmbeddedStore(tmp_path / "readings.db")
    register = Register(database)
    register.put(PROFILE, 0)
    for index in (SHORT_CYCLING_UNIT, ICING_UNIT):
        register.put(simulated(index).profile, 0)
    yield Site(store=store, database=database, register=register, results=Results(database))
    store.close()
    database.dispose()


def expected(readings: Readings, index: int) -> tuple[list[Run], list[Finding], list[WaterDay]]:
    whole = fold(readings, profile=simulated(index).profile)
    days = dict(whole.newest.water_days)
    days |= {day.date: day for day in engine.unfinished(whole.state) if isinstance(day, WaterDay)}
    return whole.runs, sorted(whole.findings, key=lambda f: f.finding_id), list(days.values())


@pytest.mark.parametrize("index", [SHORT_CYCLING_UNIT, ICING_UNIT])
def test_a_new_analyst_goes_on_where_the_last_one_stopped(site: Site, index: int) -> None:
    readings = simulated(index).readings
    for part in np.array_split(np.arange(len(readings)), 5):
        site.arrive(site.analyst(), readings[part])
    assert site.known(readings.unit_id) == expected(readings, index)


def test_an_analyst_killed_before_it_folded_leaves_nothing_out(site: Site) -> None:
    readings = simulated(ICING_UNIT).readings
    site.arrive(site.analyst(), readings[:1500])
    site.store.append(rows_of(readings[1500:]))
    site.analyst().catch_up(readings.unit_id)
    assert site.known(readings.unit_id) == expected(readings, ICING_UNIT)


def test_late_readings_stored_before_a_kill_are_found_after_it(site: Site) -> None:
    """Stored, acknowledged, but the process died before it folded them; nobody tells the next one."""
    readings = simulated(ICING_UNIT).readings
    late = np.zeros(len(readings), bool)
    late[600:1400] = True
    site.arrive(site.analyst(), readings[~late])
    site.store.append(rows_of(readings[late]))
    site.analyst().catch_up(readings.unit_id)
    runs, findings, water = site.known(readings.unit_id)
    assert (runs, [f for f in findings if not f.withdrawn], water) == expected(readings, ICING_UNIT)


def test_catching_up_with_nothing_new_says_nothing(site: Site) -> None:
    readings = simulated(ICING_UNIT).readings
    analyst = site.analyst()
    site.arrive(analyst, readings)
    before = site.known(readings.unit_id)
    assert analyst.catch_up(readings.unit_id) == []
    assert site.known(readings.unit_id) == before


def test_a_checkpoint_of_another_version_has_the_history_folded_anew(site: Site) -> None:
    readings = simulated(ICING_UNIT).readings
    site.arrive(site.analyst(), readings[:2000])
    checkpoint = site.results.checkpoint_before(readings.unit_id)
    assert checkpoint is not None
    site.results.save(checkpoint=Checkpoint(readings.unit_id, checkpoint[0], b"of another version"))
    site.arrive(site.analyst(), readings[2000:])
    assert site.known(readings.unit_id) == expected(readings, ICING_UNIT)


def test_a_day_leaves_a_checkpoint(site: Site) -> None:
    readings = simulated(ICING_UNIT).readings
    site.arrive(site.analyst(), readings)
    days = np.unique(readings.observed_at_ms // DAY_MS)
    for day in days[1:]:
        checkpoint = site.results.checkpoint_before(readings.unit_id, int(day) * DAY_MS)
        assert checkpoint is not None
        assert day * DAY_MS - checkpoint[0] <= DAY_MS + np.max(np.diff(readings.observed_at_ms))


def test_a_unit_nobody_registered_is_analysed_with_the_usual_ratings(site: Site) -> None:
    stranger = dataclasses.replace(simulated(ICING_UNIT).readings, unit_id="stranger")
    site.arrive(site.analyst(), stranger[:500])
    assert site.register.get("stranger") is None
    assert site.results.status(UnitStatus, "stranger") is not None


def test_the_status_is_that_of_the_newest_reading(site: Site) -> None:
    readings = simulated(ICING_UNIT).readings
    site.arrive(site.analyst(), readings)
    status = site.results.status(UnitStatus, readings.unit_id)
    profile = simulated(ICING_UNIT).profile
    state = fold(readings, profile=profile).state
    assert status is not None
    wanted = engine.status(state, profile, PARAMETERS, load_models())
    assert msgspec.json.encode(status) == msgspec.json.encode(wanted)


def wet_day_then_a_long_run() -> tuple[Readings, np.ndarray]:
    """Five cool runs of a minute; next day it runs hot for hours and goes on, mostly with the valve shut."""
    at_s = np.arange(0, 31 * 3600, 10)
    wet = (at_s % 10800 < 60) & (at_s >= 10800) & (at_s < 6 * 10800)
    hot = (at_s >= 28 * 3600) & (at_s < 31 * 3600)
    shut = (at_s > 28.05 * 3600) & (at_s < 30.98 * 3600)
    ripple = at_s // 10 % 3
    pressure_kpa = np.select([shut, hot | wet], [1110.0 + 2.0 * ripple, 850.0 + 2.0 * ripple], 0.0)
    readings = by_hand(
        at_s,
        # No leap in it: a sensor that leaps is itself a finding.
        temp_c=np.select([hot, wet], [np.minimum(24.0 + 0.4 * (at_s - 28 * 3600), 88.0), 30.0], 24.0)
        + 0.1 * ripple,
        pressure_kpa=pressure_kpa,
        hours=100.0 + np.floor(np.cumsum(wet | hot) / 36.0) / 10.0,
        rh_pct=85.0,
        ambient_c=24.0,
    )
    return readings, shut


def test_a_finding_that_late_readings_keep_open_is_open_again(site: Site) -> None:
    """Across the gap the sump seemed to dry; the late rows show that the valve was shut all the while."""
    readings, late = wet_day_then_a_long_run()
    analyst = site.analyst()
    site.arrive(analyst, readings[~late])
    (dried,) = site.results.findings(Finding, "unit")
    assert dried.pattern is Pattern.SHORT_CYCLING
    assert dried.end_at is not None
    site.arrive(analyst, readings[late])
    (standing,) = site.results.findings(Finding, "unit")
    assert [standing] == fold(readings).findings
    assert standing.finding_id == dried.finding_id
    assert standing.end_at is None


def test_a_finding_that_late_readings_undo_is_kept_as_withdrawn(site: Site) -> None:
    unit = simulated(SHORT_CYCLING_UNIT)
    readings = unit.readings
    at_h = (readings.observed_at_ms - unit.start_at_ms) / 3.6e6
    late = (at_h > 4.0) & (at_h < 8.0)
    whole, torn = (fold(part, profile=unit.profile) for part in (readings, readings[~late]))
    gone = [f for f in torn.findings if f.finding_id not in whole.newest.findings]
    assert gone, "the torn history must tell what the whole one does not"
    analyst = site.analyst()
    site.arrive(analyst, readings[~late])
    events = site.arrive(analyst, readings[late])
    kept = {f.finding_id: f for f in site.results.findings(Finding, readings.unit_id)}
    for finding in gone:
        withdrawn = kept[finding.finding_id]
        assert withdrawn.withdrawn
        assert withdrawn in events
        assert withdrawn.end_at is not None
        assert withdrawn.first_flagged_at == finding.first_flagged_at
    assert [f for f in kept.values() if not f.withdrawn] == whole.findings
    standing = site.results.findings(Finding, readings.unit_id, standing_only=True)
    assert standing == [f for f in whole.findings if f.end_at is None]


def test_what_was_said_stays_beside_what_is_said_now(site: Site) -> None:
    """The withdrawn finding as it was said, its withdrawal, and what took its place: each with its cause."""
    unit = simulated(SHORT_CYCLING_UNIT)
    at_h = (unit.readings.observed_at_ms - unit.start_at_ms) / 3.6e6
    late = (at_h > 4.0) & (at_h < 8.0)
    analyst = site.analyst()
    site.arrive(analyst, unit.readings[~late])
    (said,) = site.results.findings(Finding, unit.readings.unit_id)
    site.arrive(analyst, unit.readings[late])
    site.analyst().catch_up(unit.readings.unit_id)
    gone, *now = sorted(site.results.findings(Finding, unit.readings.unit_id), key=lambda f: not f.withdrawn)
    assert now
    kept = FindingVersions(site.database).of_unit(Finding, unit.readings.unit_id)
    assert [(one.finding, one.cause) for one in kept] == [
        (said, Cause.FIRST),
        *sorted(
            ((gone, Cause.LATE_DATA), *((one, Cause.FIRST) for one in now)), key=lambda one: one[0].start_at
        ),
    ]


def test_corrected_ratings_are_named_as_the_cause(site: Site) -> None:
    readings, profile = simulated(ICING_UNIT).readings, simulated(ICING_UNIT).profile
    site.arrive(site.analyst(), readings)
    site.register.put(msgspec.structs.replace(profile, max_pressure_kpa=300.0), 0)
    site.analyst().catch_up(readings.unit_id)
    kept = FindingVersions(site.database).of_unit(Finding, readings.unit_id)
    assert {one.cause for one in kept if one.finding.withdrawn} == {Cause.WORKED_ANEW}


def test_the_watermark_tells_how_far_and_when(site: Site) -> None:
    readings = simulated(ICING_UNIT).readings
    now_ms = [7]
    analyst = Analyst(site.store, site.database, site.register, PARAMETERS, load_models(), lambda: now_ms[-1])
    site.arrive(analyst, readings[:-1])
    newest_ms = readings.observed_at_ms.tolist()

    def mark() -> Watermark:
        found = site.results.watermark(readings.unit_id)
        assert found is not None
        return found

    assert mark()[:3] == (newest_ms[-2], 7, len(readings) - 1)
    now_ms.append(9)
    site.arrive(analyst, readings[-1:])
    assert mark()[:3] == (newest_ms[-1], 9, len(readings))


def test_late_readings_of_one_unit_leave_the_others_alone(site: Site) -> None:
    analyst = site.analyst()
    one = by_hand(range(0, 3600, 10))
    two = dataclasses.replace(one, unit_id="other")
    site.arrive(analyst, one[::2])
    site.arrive(analyst, two)
    other = site.known("other")
    site.arrive(analyst, one[1::2])
    assert site.known("other") == other
    assert site.known() == (*expected_plain(one)[:2], expected_plain(one)[2])


def expected_plain(readings: Readings) -> tuple[list[Run], list[Finding], list[WaterDay]]:
    whole = fold(readings)
    days = [day for day in engine.unfinished(whole.state) if isinstance(day, WaterDay)]
    return whole.runs, whole.findings, [*whole.water_days, *days]


@pytest.mark.parametrize("part", [(0.0, 1.0), (0.0, 0.1), (0.45, 0.55), (0.9, 1.0), (0.5, 0.5)])
def test_a_trace_is_that_of_a_fold_from_the_start(site: Site, part: tuple[float, float]) -> None:
    unit = simulated(ICING_UNIT)
    readings = unit.readings
    analyst = site.analyst()
    site.arrive(analyst, readings)
    first, last = readings.observed_at_ms[[0, -1]]
    start_ms, end_ms = (int(first + share * (last + 1 - first)) for share in part)
    trace = analyst.trace(readings.unit_id, start_ms, end_ms)
    whole = engine.trace(engine.initial_state(readings.unit_id), readings, unit.profile, PARAMETERS)
    rows = (readings.observed_at_ms >= start_ms) & (readings.observed_at_ms < end_ms)
    for field in dataclasses.fields(trace):
        if field.name != "readings":
            np.testing.assert_array_equal(getattr(trace, field.name), getattr(whole, field.name)[rows])
    np.testing.assert_array_equal(trace.readings.observed_at_ms, readings.observed_at_ms[rows])


def test_a_unit_that_never_spoke_has_nothing_to_say(site: Site) -> None:
    analyst = site.analyst()
    assert analyst.catch_up("unit") == []
    assert site.known() == ([], [], [])
    assert len(analyst.trace("unit", 0, 10**13).running) == 0
