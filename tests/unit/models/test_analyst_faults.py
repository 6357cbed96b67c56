"""The analyst when things go wrong: killed too early, rows that land meanwhile, a store that fails.

Whatever happens, once every stored row has been folded the results are those of one fold in order.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

import msgspec
import numpy as np
import pytest

from dashboards.doubtful import of_last_day
from ingest.quality import Quality
from ingest.reading import Readings
from ingest.store import StoreError
from models.analyst import Analyst
from models.artefact import load_models
from models.checkpoints import MS_PER_DAY, kept_checkpoints
from models.records import UnitStatus
from tests.unit.models.histories import ICING_UNIT, PARAMETERS, by_hand, fold, rows_of, simulated
from tests.unit.models.test_analyst import Site, expected, site

__all__ = ["site"]

READINGS = simulated(ICING_UNIT).readings
UNIT_ID = READINGS.unit_id


def told(site: Site) -> object:
    """What stands in the results, without the findings that late rows have undone."""
    runs, findings, days = site.known(UNIT_ID)
    return runs, [finding for finding in findings if not finding.withdrawn], days


LATE = np.arange(len(READINGS)) // 400 % 3 == 1


def test_late_rows_that_a_killed_analyst_never_saw_are_folded_by_the_next(site: Site) -> None:
    site.arrive(site.analyst(), READINGS[~LATE])
    site.store.append(rows_of(READINGS[LATE]))
    site.analyst().catch_up(UNIT_ID)
    assert told(site) == expected(READINGS, ICING_UNIT)


def test_a_row_that_lands_while_its_unit_is_folded_is_not_missed(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    analyst, late = site.analyst(), rows_of(READINGS[LATE])
    site.store.append(rows_of(READINGS[~LATE]))
    chunks = site.store.chunks

    def land_meanwhile(*words: object, **more: object) -> Iterator[Readings]:
        for chunk in chunks(*words, **more):  # type: ignore[arg-type]
            yield chunk
            if late:
                site.store.append(late)
                analyst.note_stored(late)
                late.clear()

    monkeypatch.setattr(site.store, "chunks", land_meanwhile)
    analyst.catch_up(UNIT_ID)
    analyst.catch_up(UNIT_ID)
    assert told(site) == expected(READINGS, ICING_UNIT)


@pytest.mark.parametrize("restarted", [False, True], ids=["same analyst", "new analyst"])
def test_a_store_that_fails_in_the_middle_of_a_rewind_costs_nothing(
    site: Site, monkeypatch: pytest.MonkeyPatch, restarted: bool
) -> None:
    analyst = site.analyst()
    site.arrive(analyst, READINGS[~LATE])
    late = rows_of(READINGS[LATE])
    site.store.append(late)
    analyst.note_stored(late)

    def fail(*words: object, **more: object) -> Iterator[Readings]:
        raise StoreError("the disk is away")

    with monkeypatch.context() as broken:
        broken.setattr(site.store, "chunks", fail)
        with pytest.raises(StoreError, match="the disk is away"):
            analyst.catch_up(UNIT_ID)
    (site.analyst() if restarted else analyst).catch_up(UNIT_ID)
    assert told(site) == expected(READINGS, ICING_UNIT)


def test_rows_with_a_wrong_clock_hide_no_late_ones(site: Site) -> None:
    """Such rows lie years ahead, so they are met at every look at what is new, and count for nothing."""
    ahead = dataclasses.replace(
        READINGS[-3:],
        observed_at_ms=READINGS.observed_at_ms[-3:] + 3000 * MS_PER_DAY,
        quality=READINGS.quality[-3:] | int(Quality.CLOCK_WRONG),
    )
    analyst = site.analyst()
    site.arrive(analyst, READINGS[~LATE])
    site.arrive(analyst, ahead)
    for _ in range(3):
        analyst.catch_up(UNIT_ID)
    site.arrive(analyst, READINGS[LATE])
    assert told(site) == expected(READINGS, ICING_UNIT)


def test_readings_left_out_for_their_time_are_told_for_a_day(site: Site) -> None:
    """They never reach the fold, whether their clock runs ahead or fell back to years ago."""
    now_ms = int(READINGS.received_at_ms[-1])
    analyst = Analyst(
        site.store, site.database, site.register, PARAMETERS, load_models(), clock_ms=lambda: now_ms
    )
    site.arrive(analyst, READINGS)
    before = told(site)
    for days, n in ((3000, 3), (-1800, 4)):
        wrong = dataclasses.replace(
            READINGS[-n:],
            observed_at_ms=READINGS.observed_at_ms[-n:] + days * MS_PER_DAY,
            quality=READINGS.quality[-n:] | int(Quality.CLOCK_WRONG),
        )
        site.arrive(analyst, wrong)
    assert _status(site).doubtful["clock_wrong"] == 7
    assert of_last_day(_status(site))[-1].startswith("7 readings had a time that can't be right.")
    assert told(site) == before
    now_ms += 2 * MS_PER_DAY
    analyst.catch_up(UNIT_ID)
    assert "clock_wrong" not in _status(site).doubtful


def _status(site: Site) -> UnitStatus:
    status = site.results.status(UnitStatus, UNIT_ID)
    assert status is not None
    return status


def test_corrected_ratings_have_the_history_folded_anew(site: Site) -> None:
    analyst = site.analyst()
    profile = simulated(ICING_UNIT).profile
    site.register.put(msgspec.structs.replace(profile, rated_cfm=2.0 * profile.rated_cfm), 0)
    site.arrive(analyst, READINGS)
    before = told(site)
    site.register.put(profile, 0)
    analyst.catch_up(UNIT_ID)
    assert told(site) != before
    assert told(site) == expected(READINGS, ICING_UNIT)
    assert site.results.status(UnitStatus, UNIT_ID) is not None


def test_a_run_across_a_checkpoint_that_late_rows_undo_is_gone(site: Site) -> None:
    """The day's last row has a spike of pressure: without the rows after it a run seems to begin there."""
    at_s = np.arange(86_400 - 1800, 86_400 + 1800, 10)
    run = (at_s >= 86_400 + 120) & (at_s < 86_400 + 900)
    spike = at_s == 86_390
    readings = by_hand(
        at_s,
        temp_c=15.0 + np.where(run, 0.05 * (at_s - 86_520), 0.0),
        pressure_kpa=np.where(run | spike, 900.0 + at_s // 10 % 3, 0.0),
    )
    late = (at_s >= 86_400) & (at_s < 86_520)
    (seeming,), (true,) = fold(readings[~late]).runs, fold(readings).runs
    assert seeming.start_at < true.start_at
    analyst = site.analyst()
    site.arrive(analyst, readings[~late])
    assert site.known()[0] == [seeming]
    site.arrive(analyst, readings[late])
    assert site.known()[0] == [true]


def test_repeats_and_late_rows_have_no_whole_history_counted(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only what lies between the checkpoint before the oldest row that came and the newest row."""
    analyst, asked = site.analyst(), []
    site.arrive(analyst, READINGS)
    count = site.store.count

    def counting(*words: object, **more: object) -> int:
        asked.append(count(*words, **more))  # type: ignore[arg-type]
        return asked[-1]

    monkeypatch.setattr(site.store, "count", counting)
    site.arrive(analyst, READINGS[-20:])
    assert len(asked) == 1
    assert asked[0] <= np.max(
        np.bincount(READINGS.observed_at_ms // MS_PER_DAY - READINGS.observed_at_ms[0] // MS_PER_DAY)
    )


def test_old_checkpoints_thin_out_to_one_a_week() -> None:
    daily = [day * MS_PER_DAY for day in range(100)]
    kept = kept_checkpoints(daily)
    assert kept[-14:] == daily[-14:]
    older = [instant for instant in kept if instant < daily[-15]]
    assert len({instant // (7 * MS_PER_DAY) for instant in older}) == len(older)
    assert kept_checkpoints(kept) == kept
    assert kept_checkpoints([]) == []
