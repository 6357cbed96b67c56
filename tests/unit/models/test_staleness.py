"""Old messages over again: found when the machine can't stand so still, not while it may."""

from __future__ import annotations

import dataclasses

import msgspec
import numpy as np
import pytest

from ingest.reading import SIGNALS, Readings
from models.plant import Truth
from models.records import Finding, Pattern
from models.sensors import Instruments
from tests.unit.models.histories import (
    DAY_S,
    MONDAY_MS,
    PROFILE,
    QUIET,
    by_hand,
    fold,
    machine_history,
    observed,
    seconds,
)

START_S, END_S = 2 * 3600, 2 * 3600 + 2400


@pytest.fixture(scope="module")
def truth() -> Truth:
    return machine_history([(START_S / 3600, 40, 0.7), (6.0, 40, 0.7)], hours=12.0)


@pytest.fixture(scope="module")
def clean(truth: Truth) -> Readings:
    return observed(truth)


def repeated(readings: Readings, from_s: float, to_s: float) -> Readings:
    """The first message of the span in place of all its messages."""
    at_s = (readings.observed_at_ms - MONDAY_MS) / 1000.0
    rows = np.flatnonzero((at_s >= from_s) & (at_s < to_s))
    columns = {name: getattr(readings, name).copy() for name in SIGNALS}
    for values in columns.values():
        values[rows] = values[rows[0]]
    return dataclasses.replace(readings, **columns)


def stale(readings: Readings) -> list[Finding]:
    return [one for one in fold(readings).findings if one.pattern is Pattern.STALE_TELEMETRY]


def test_a_machine_that_moves_is_heard(clean: Readings) -> None:
    assert fold(clean).findings == []


def test_a_message_repeated_through_a_run_is_found_within_it(clean: Readings) -> None:
    from_s, to_s = START_S + 600, START_S + 1920
    (found,) = stale(repeated(clean, from_s, to_s))
    assert from_s <= seconds(found.start_at) <= from_s + 10
    assert 900 <= seconds(found.first_flagged_at) - from_s <= 930
    assert to_s <= seconds(found.end_at) <= to_s + 10
    assert "A run was in hand" in found.evidence[1].text


def test_nothing_else_is_said_of_it(clean: Readings) -> None:
    found = fold(repeated(clean, START_S + 600, END_S + 5400)).findings
    assert [one.pattern for one in found] == [Pattern.STALE_TELEMETRY]


def test_ten_minutes_of_it_are_let_pass(clean: Readings) -> None:
    assert stale(repeated(clean, START_S + 600, START_S + 1200)) == []


def test_hot_oil_that_does_not_cool_is_found(clean: Readings) -> None:
    from_s = END_S + 300
    (found,) = stale(repeated(clean, from_s, from_s + 5400))
    assert seconds(found.first_flagged_at) - from_s <= 2400
    assert seconds(found.end_at) == pytest.approx(from_s + 5400, abs=10)
    assert "does not cool" in found.evidence[1].text


def test_a_parked_cold_unit_may_say_the_same_for_days() -> None:
    assert stale(by_hand(range(0, 5 * DAY_S, 60), temp_c=15.0)) == []


def test_a_run_that_only_the_meter_tells_of_afterwards_is_found_then(clean: Readings) -> None:
    """The controller hung while the unit was cold; it ran meanwhile."""
    (found,) = stale(repeated(clean, 1800.0, 5 * 3600.0))
    assert seconds(found.start_at) == pytest.approx(1800, abs=10)
    assert seconds(found.first_flagged_at) == seconds(found.end_at) == pytest.approx(5 * 3600, abs=10)
    assert "gained 0.7 h meanwhile" in found.evidence[1].text


def test_a_run_in_a_silence_is_none(clean: Readings) -> None:
    at_s = (clean.observed_at_ms - MONDAY_MS) / 1000.0
    silent = repeated(clean, 1800.0, 5 * 3600.0)[(at_s < 2000) | (at_s > 5 * 3600 - 60)]
    assert stale(silent) == []


def test_steady_running_on_coarse_sensors_is_none() -> None:
    """One degree, eight kilopascals, a tenth of an hour, hours of it."""
    coarse = dataclasses.replace(
        QUIET, temp_step_c=1.0, pressure_step_kpa=8.0, rh_step_pct=1.0, hours_step_h=0.1, every_s=60
    )
    truth = machine_history([(1.0, 420, 0.6)], hours=9.0)
    assert stale(observed(truth, coarse)) == []


def test_a_heated_sump_may_stand_still() -> None:
    heated = by_hand(range(0, 2 * DAY_S, 60), temp_c=18.0, ambient_c=-10.0)
    profile = msgspec.structs.replace(PROFILE, cold_weather_kit=True)
    assert fold(heated, profile=profile).findings == []


@pytest.mark.parametrize("cut_s", [START_S + 700, START_S + 1500, END_S + 900])
def test_where_chunks_are_cut_changes_nothing(clean: Readings, cut_s: float) -> None:
    readings = repeated(clean, START_S + 600, END_S + 5400)
    cut = int(np.searchsorted(readings.observed_at_ms, MONDAY_MS + 1000 * cut_s))
    assert fold(readings[:cut], readings[cut:]).told == fold(readings).told


def test_a_history_cut_short_flags_it_at_the_same_instant(clean: Readings) -> None:
    readings = repeated(clean, START_S + 600, END_S + 5400)
    (whole,) = stale(readings)
    at_ms = round(whole.first_flagged_at.timestamp() * 1000)
    (early,) = stale(readings[readings.observed_at_ms <= at_ms])
    assert (early.first_flagged_at, early.end_at) == (whole.first_flagged_at, None)
    assert stale(readings[readings.observed_at_ms < at_ms]) == []


@pytest.mark.parametrize("every_s", [10, 30, 60, 300])
def test_at_every_sampling_interval(every_s: int) -> None:
    truth = machine_history([(START_S / 3600, 90, 0.7)], hours=6.0)
    instruments: Instruments = dataclasses.replace(QUIET, every_s=every_s)
    assert len(stale(repeated(observed(truth, instruments), START_S + 900, START_S + 4500))) == 1
