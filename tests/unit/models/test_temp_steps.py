"""A temperature of a parked unit that steps in seconds and stays: no run, a flag, and no heat hidden."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

from ingest.quality import Quality
from ingest.reading import Readings
from ingest.units_of_measure import MS_PER_S
from models import engine
from models.artefact import load_models
from models.records import Pattern
from tests.unit.models.histories import (
    PARAMETERS,
    PROFILE,
    QUIET,
    changed,
    fold,
    machine_history,
    observed,
    seconds,
)

RUNS = [(1, 40, 0.7), (4, 6, 0.8), (7, 3, 0.5), (9, 90, 0.3), (14, 2, 0.8), (16, 25, 0.6)]
"""Start [h], length [min], demand."""
STEPPED = int(Quality.SENSOR_STEPPED)
PARKED_S = 5 * 3600


@functools.cache
def history(every_s: int) -> Readings:
    return observed(machine_history(RUNS), dataclasses.replace(QUIET, every_s=every_s, hours_step_h=0.05))


def stepped(every_s: int, step_k: float) -> Readings:
    readings = history(every_s)
    at_s = (readings.observed_at_ms - readings.observed_at_ms[0]) / MS_PER_S
    step = np.where(at_s > PARKED_S, step_k, 0.0)
    return dataclasses.replace(readings, discharge_temp_c=readings.discharge_temp_c + step)


def flagged(readings: Readings) -> list[float]:
    trace = engine.trace(engine.initial_state("unit"), readings, PROFILE, PARAMETERS)
    at_ms = readings.observed_at_ms[(trace.quality & STEPPED) != 0]
    return [float(at) for at in (at_ms - readings.observed_at_ms[0]) / MS_PER_S]


@pytest.mark.parametrize("every_s", [10, 30, 60])
@pytest.mark.parametrize("step_k", [-12.0, 8.0, 12.0, 15.0, 18.0, 25.0, 40.0])
def test_a_step_is_no_run_and_is_flagged_once(every_s: int, step_k: float) -> None:
    readings = stepped(every_s, step_k)
    found = fold(readings)
    starts = [round(seconds(run.start_at)) for run in found.runs]
    assert starts == pytest.approx([3600 * start_h for start_h, _, _ in RUNS], abs=1.5 * every_s)
    (at_s,) = flagged(readings)
    assert PARKED_S < at_s <= PARKED_S + 120 + 3 * every_s
    status = engine.status(found.state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    assert status.doubtful["sensor_stepped"] == 1


def test_an_overheat_that_a_stepped_sensor_shows_is_told_until_the_sensor_is_right_again() -> None:
    readings = stepped(10, 25.0)
    (told,) = fold(readings).findings
    assert told.pattern is Pattern.OVERHEATING
    assert told.end_at is None
    at_s = (readings.observed_at_ms - readings.observed_at_ms[0]) / MS_PER_S
    mended = changed(
        readings, "discharge_temp_c", at_s > 15 * 3600, history(10).discharge_temp_c[at_s > 15 * 3600]
    )
    (told,) = fold(mended).findings
    assert told.end_at is not None


@pytest.mark.parametrize("every_s", [10, 30, 60, 120, 300])
def test_sound_starts_are_no_steps(every_s: int) -> None:
    assert flagged(history(every_s)) == []


@pytest.mark.parametrize("every_s", [10, 30, 60])
def test_starts_of_which_neither_pressure_nor_meter_tell_are_no_steps(every_s: int) -> None:
    """Found by their warming alone, within two readings and as long as oil takes to come to the sensor."""
    readings = history(every_s)
    readings = changed(readings, "pressure_kpa", slice(None), np.nan)
    readings = changed(readings, "hours", slice(None), np.nan)
    assert flagged(readings) == []
    starts = [seconds(run.start_at) for run in fold(readings).runs]
    longer = [3600.0 * start_h for start_h, minutes, _ in RUNS if minutes >= 6]
    assert all(min(abs(start - at) for start in starts) <= 2 * every_s + 60 for at in longer)
