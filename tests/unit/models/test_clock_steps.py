"""A clock that is set back: time told twice, shuffled together. What comes late or in batches is not."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from ingest.quality import Quality
from ingest.reading import Readings
from ingest.units_of_measure import MS_PER_S
from models import engine
from models.artefact import load_models
from tests.unit.models.histories import (
    PARAMETERS,
    PROFILE,
    QUIET,
    fold,
    machine_history,
    observed,
    rows_of,
    seconds,
)

RUNS = [(1, 40, 0.7), (4, 6, 0.8), (7, 3, 0.5), (9, 90, 0.3), (14, 2, 0.8), (16, 25, 0.6)]
"""Start [h], length [min], demand."""
TRUTH = machine_history(RUNS)
WRONG = int(Quality.CLOCK_WRONG)


def history(every_s: int) -> Readings:
    return observed(TRUTH, dataclasses.replace(QUIET, every_s=every_s, hours_step_h=0.05))


def set_back(readings: Readings, from_h: float, to_h: float, back_s: float) -> Readings:
    """As a store holds what a truck sends whose clock is `back_s` behind for a while."""
    at_s = (readings.observed_at_ms - readings.observed_at_ms[0]) / MS_PER_S
    behind = (at_s >= from_h * 3600.0) & (at_s < to_h * 3600.0)
    at_ms = readings.observed_at_ms - np.where(behind, round(back_s * MS_PER_S), 0)
    moved = dataclasses.replace(readings, observed_at_ms=at_ms)
    return Readings.from_rows("unit", rows_of(moved))


def flags(readings: Readings) -> list[int]:
    return engine.trace(engine.initial_state("unit"), readings, PROFILE, PARAMETERS).quality.tolist()


@pytest.mark.parametrize("back_s", [540.0, 543.457, 3600.0, 3603.457], ids=str)
@pytest.mark.parametrize("every_s", [10, 60])
@pytest.mark.parametrize("span", [(9.0, 10.0), (9.05, 24.0), (1.2, 5.0), (8.9, 12.0)], ids=str)
def test_a_clock_set_back_accuses_no_sensor(span: tuple[float, float], every_s: int, back_s: float) -> None:
    readings = set_back(history(every_s), *span, back_s)
    found = fold(readings)
    assert found.findings == []
    # What was told twice at the very same instants the store keeps once: nothing is shuffled there.
    shuffled = readings.observed_at_ms[1:] - readings.observed_at_ms[:-1] < 0.9 * every_s * MS_PER_S
    assert (np.count_nonzero(shuffled) > 8) == (back_s % 60.0 != 0.0)
    assert any(flag & WRONG for flag in flags(readings)) == bool(np.count_nonzero(shuffled) > 8)


@pytest.mark.parametrize("every_s", [10, 60])
def test_runs_outside_the_shuffled_time_stay_as_they_are(every_s: int) -> None:
    readings = history(every_s)
    sound = [(seconds(run.start_at), seconds(run.end_at)) for run in fold(readings).runs]
    shuffled = fold(set_back(readings, 9.05, 10.0, 543.457)).runs
    spans = [(seconds(run.start_at), seconds(run.end_at)) for run in shuffled]
    assert spans[:3] == sound[:3]
    assert spans[-2:] == sound[-2:]


def test_it_can_be_seen_in_the_units_status() -> None:
    found = fold(set_back(history(10), 9.0, 10.0, 543.457))
    status = engine.status(found.state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    assert status.doubtful["clock_wrong"] > 40


@pytest.mark.parametrize("outage_min", [5, 60, 600])
def test_readings_kept_through_an_outage_and_sent_in_order_have_a_right_clock(outage_min: int) -> None:
    readings = history(10)
    at_ms = readings.observed_at_ms
    end_ms = at_ms[3000] + outage_min * 60 * MS_PER_S
    received = np.where((at_ms >= at_ms[3000]) & (at_ms < end_ms), end_ms, at_ms)
    late = dataclasses.replace(readings, received_at_ms=received)
    assert flags(late) == flags(readings)
    assert fold(late).told == fold(readings).told


@pytest.mark.parametrize("every", [6, 30, 360])
def test_readings_sent_in_batches_have_a_right_clock(every: int) -> None:
    readings = history(10)
    last = np.minimum((np.arange(len(readings)) // every + 1) * every - 1, len(readings) - 1)
    batched = dataclasses.replace(readings, received_at_ms=readings.observed_at_ms[last] + 900)
    assert flags(batched) == flags(readings)
    assert fold(batched).told == fold(readings).told


@pytest.mark.parametrize("seed", range(3))
def test_readings_that_a_bad_link_shuffles_have_a_right_clock(seed: int) -> None:
    """Every other message comes a minute to ten minutes late, each by as much as it happens to."""
    readings = history(10)
    late_ms = np.random.default_rng(seed).integers(61_000, 600_000, len(readings))
    late_ms[::2] = 0
    shuffled = dataclasses.replace(readings, received_at_ms=readings.received_at_ms + late_ms)
    assert np.mean([flag & WRONG != 0 for flag in flags(shuffled)]) < 0.02
    assert fold(shuffled).findings == fold(readings).findings


def test_one_message_sent_again_hours_later_has_a_right_clock() -> None:
    readings = history(10)
    received = readings.received_at_ms.copy()
    received[::50] += 7200 * MS_PER_S
    assert flags(dataclasses.replace(readings, received_at_ms=received)) == flags(readings)
