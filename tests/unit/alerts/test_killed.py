"""The process dies while late data are worked in: after the next start the alarms are what they would be."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest

from alerts.alarm import Alarm
from alerts.desk import AlarmDesk, AlertSettings
from ingest.reading import Readings
from tests.unit.alerts.conftest import Clock
from tests.unit.models.histories import rows_of
from tests.unit.models.test_analyst import Site
from tests.unit.models.test_analyst_killed import (
    CYCLING,
    ICING,
    LATE,
    NEVER,
    Killed,
    analyst,
    copied,
    killed_after,
    opened,
)


def desk_of(site: Site, settings: AlertSettings, clock: Clock) -> AlarmDesk:
    return AlarmDesk(site.database, site.register, settings, lambda *_: None, clock)


def lived_through(site: Site, readings: Readings, settings: AlertSettings, clock: Clock) -> None:
    """History as it came, every few hours, with the desk beside it."""
    desk, worker = desk_of(site, settings, clock), analyst(site)
    for rows in np.array_split(np.arange(len(readings)), 30):
        clock.now = dt.datetime.fromtimestamp(readings.observed_at_ms[rows[-1]] / 1000, dt.UTC)
        site.store.append(rows_of(readings[rows]))
        worker.catch_up(readings.unit_id, hear=desk.consider)
        desk.tick()


def minutes_pass(desk: AlarmDesk, clock: Clock) -> list[Alarm]:
    for _ in range(5):
        clock.pass_by(minutes=1)
        desk.tick()
    return desk.alarms()


def one_that_stands(site: Site, settings: AlertSettings, clock: Clock) -> str:
    """The start of its condition is going to move."""
    site.register.put(CYCLING.profile, 0)
    lived_through(site, CYCLING.readings[~LATE], settings, clock)
    site.store.append(rows_of(CYCLING.readings[LATE]))
    return CYCLING.readings.unit_id


def some_that_are_over(site: Site, settings: AlertSettings, clock: Clock) -> str:
    """With the right ratings there was nothing to tell of."""
    site.register.put(msgspec.structs.replace(ICING.profile, max_pressure_kpa=300.0), 0)
    lived_through(site, ICING.readings, settings, clock)
    site.register.put(ICING.profile, 0)
    return ICING.readings.unit_id


@pytest.mark.parametrize("story", [one_that_stands, some_that_are_over])
def test_the_alarms_after_a_kill_are_those_without_it(
    story: Callable[[Site, AlertSettings, Clock], str],
    settings: AlertSettings,
    clock: Clock,
    tmp_path: Path,
) -> None:
    with opened(tmp_path) as site:
        unit_id = story(site, settings, clock)
        before = minutes_pass(desk_of(site, settings, clock), clock)
    now = clock.now
    with copied(tmp_path, tmp_path / "unkilled") as site:
        desk = desk_of(site, settings, clock)
        with killed_after(site.database, NEVER) as commits:
            analyst(site).catch_up(unit_id, hear=desk.consider)
        n_commits, wanted = len(commits), minutes_pass(desk, clock)
    assert {one.finding.finding_id for one in wanted} != {one.finding.finding_id for one in before} or any(
        one.finding.withdrawn for one in wanted
    )
    for n_writes in range(1, n_commits):
        clock.now = now
        with copied(tmp_path, tmp_path / str(n_writes)) as site:
            desk = desk_of(site, settings, clock)
            with killed_after(site.database, n_writes), pytest.raises(Killed):
                analyst(site).catch_up(unit_id, hear=desk.consider)
            desk = desk_of(site, settings, clock)
            analyst(site).catch_up(unit_id, hear=desk.consider)
            assert minutes_pass(desk, clock) == wanted, n_writes


def test_nobody_hears_of_what_is_half_worked_out(
    settings: AlertSettings, clock: Clock, tmp_path: Path
) -> None:
    """However long it lies there: the store may be away for hours in the middle of a rewind."""
    with opened(tmp_path) as site:
        unit_id = one_that_stands(site, settings, clock)
        before = minutes_pass(desk_of(site, settings, clock), clock)
        with killed_after(site.database, 3), pytest.raises(Killed):
            analyst(site).catch_up(unit_id)
        assert minutes_pass(desk_of(site, settings, clock), clock) == before
