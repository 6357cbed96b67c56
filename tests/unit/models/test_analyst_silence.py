"""Silence told live: once, as in replay, taken back when late readings fill it, kept over a restart."""

from __future__ import annotations

import msgspec
import pytest

from ingest.reading import Readings
from models import engine
from models.artefact import load_models
from models.records import Finding, Pattern
from models.replay import replay_unit
from tests.unit.models.histories import DAY_S, MONDAY_MS, PARAMETERS, by_hand
from tests.unit.models.test_analyst import Site, site

__all__ = ["site"]

H = 3600
BEFORE = by_hand(range(0, H, 600))
LAST_S = H - 600
LATER = by_hand(range(9 * DAY_S, 9 * DAY_S + H, 600))
NOW_MS = MONDAY_MS + 8 * DAY_S * 1000


def silent(found: list[engine.Event]) -> list[Finding]:
    return [one for one in found if isinstance(one, Finding) and one.pattern is Pattern.SILENT_UNIT]


def kept(site: Site) -> list[Finding]:
    return silent(list(site.results.findings(Finding, "unit")))


def replayed(site: Site) -> list[Finding]:
    found = replay_unit(site.store, site.register, "unit", parameters=PARAMETERS, models=load_models())
    return silent(list(found.findings))


def test_a_silence_is_told_once_and_is_that_of_the_replay(site: Site) -> None:
    analyst = site.analyst()
    site.arrive(analyst, BEFORE)
    assert silent(analyst.catch_up("unit", MONDAY_MS + DAY_S * 1000)) == []
    (told,) = silent(analyst.catch_up("unit", NOW_MS))
    assert analyst.catch_up("unit", NOW_MS + 30_000) == []
    assert kept(site) == [told]
    (ended,) = silent(site.arrive(analyst, LATER))
    assert kept(site) == [ended] == replayed(site)
    assert msgspec.structs.replace(ended, end_at=None) == told


@pytest.mark.parametrize("may_hear", [True, False])
def test_a_restart_neither_withdraws_nor_repeats_it(site: Site, may_hear: bool) -> None:
    analyst = site.analyst()
    site.arrive(analyst, BEFORE)
    (told,) = silent(analyst.catch_up("unit", NOW_MS))
    again = silent(site.analyst().catch_up("unit", NOW_MS + 60_000 if may_hear else None))
    assert again == [told]
    assert kept(site) == [told]


def test_without_a_clock_nothing_new_is_called_silent(site: Site) -> None:
    analyst = site.analyst()
    site.arrive(analyst, BEFORE)
    assert silent(analyst.catch_up("unit", None)) == []
    assert kept(site) == []


@pytest.mark.parametrize(
    "filling",
    [by_hand(range(2 * DAY_S, 8 * DAY_S, 6 * H)), by_hand([4 * DAY_S]), by_hand([LAST_S + 96 * H])],
    ids=["all of it", "its middle", "its last moment"],
)
@pytest.mark.parametrize("back_first", [True, False])
def test_late_readings_that_fill_it_take_it_back(site: Site, filling: Readings, back_first: bool) -> None:
    analyst = site.analyst()
    site.arrive(analyst, BEFORE)
    (told,) = silent(analyst.catch_up("unit", NOW_MS))
    if back_first:
        (ended,) = silent(site.arrive(analyst, LATER))
        assert ended.end_at is not None
    now = {one.finding_id: one for one in silent(site.arrive(analyst, filling))}
    assert now[told.finding_id].withdrawn
    if not back_first:
        site.arrive(analyst, LATER)
    assert [one for one in kept(site) if not one.withdrawn] == replayed(site)
    assert [one.finding_id for one in kept(site) if one.withdrawn] == [told.finding_id]


def test_late_readings_after_it_had_become_too_long_leave_it(site: Site) -> None:
    analyst = site.analyst()
    site.arrive(analyst, BEFORE)
    (told,) = silent(analyst.catch_up("unit", NOW_MS))
    site.arrive(analyst, LATER)
    site.arrive(analyst, by_hand([6 * DAY_S]))
    (now,) = kept(site)
    assert now.finding_id == told.finding_id
    assert not now.withdrawn
    assert [now] == replayed(site)


def test_old_readings_from_before_it_leave_it(site: Site) -> None:
    analyst = site.analyst()
    site.arrive(analyst, BEFORE)
    (told,) = silent(analyst.catch_up("unit", NOW_MS))
    site.arrive(analyst, by_hand([90.0]))
    assert kept(site) == [told]
