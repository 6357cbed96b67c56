"""Where the pressure sensor contradicts everything else: each kind, how long, and when it has come right."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from ingest.reading import Readings
from models import engine
from models.artefact import load_models
from models.conflict import BLOWDOWN_S, ENOUGH_READINGS, FILL_S
from models.plant import Truth
from models.state import (
    HIGH_WHILE_STOPPED,
    LOW_WHILE_RUNNING,
    PRESSURE_DOUBT,
    PRESSURE_SOUND,
    SLOW_TO_FOLLOW,
    STUCK_ACROSS_EDGE,
    Record,
)
from tests.unit.models.histories import (
    MONDAY_MS,
    PARAMETERS,
    PROFILE,
    QUIET,
    changed,
    fold,
    machine_history,
    observed,
)

START_S, END_S, SECOND_S, THIRD_S = 2 * 3600, 2 * 3600 + 2400, 6 * 3600, 9 * 3600
KIND = 0


@pytest.fixture(scope="module")
def truth() -> Truth:
    return machine_history(
        [(START_S / 3600, 40, 0.7), (SECOND_S / 3600, 40, 0.7), (THIRD_S / 3600, 30, 0.6)],
        air_c=-8.0,
        hours=12.0,
    )


@pytest.fixture(scope="module")
def clean(truth: Truth) -> Readings:
    return observed(truth)


def at_s(readings: Readings) -> np.ndarray:
    return (readings.observed_at_ms - MONDAY_MS) / 1000.0


def moments(readings: Readings, kind: float) -> Record:
    _, rows = engine.decision_rows(readings, PROFILE, PARAMETERS)
    return rows[rows["kind"] == kind]


def seen(rows: Record) -> np.ndarray:
    return rows["t"] - MONDAY_MS / 1000.0


def stuck_from(readings: Readings, from_s: float, to_s: float, value_kpa: float) -> Readings:
    """The sensor shows one value, give or take its noise, in part of the history."""
    t = at_s(readings)
    part = (t >= from_s) & (t < to_s)
    noise_kpa = np.random.default_rng(2).normal(0.0, 0.5, part.sum())
    return changed(readings, "pressure_kpa", part, value_kpa + noise_kpa)


@pytest.mark.parametrize("every_s", [10, 60])
@pytest.mark.parametrize("hours_step_h", [0.01, 0.1])
def test_a_sound_sensor_is_never_in_doubt(truth: Truth, every_s: int, hours_step_h: float) -> None:
    readings = observed(truth, dataclasses.replace(QUIET, every_s=every_s, hours_step_h=hours_step_h))
    assert len(moments(readings, PRESSURE_DOUBT)) == 0
    assert all(run.pressure_trusted for run in fold(readings).runs)


def test_near_zero_while_it_turns_and_warms(clean: Readings) -> None:
    iced = stuck_from(clean, SECOND_S - 1800, SECOND_S + 1500, 0.0)
    doubts = moments(iced, PRESSURE_DOUBT)
    assert set(doubts["features"][:, KIND]) == {LOW_WHILE_RUNNING}
    assert SECOND_S + FILL_S <= seen(doubts)[0] <= SECOND_S + FILL_S + 120.0
    assert seen(doubts)[-1] <= SECOND_S + 1500
    (sound,) = moments(iced, PRESSURE_SOUND)
    assert sound["t"] - MONDAY_MS / 1000.0 == pytest.approx(SECOND_S + 1500 + 60.0, abs=30.0)


def test_charged_long_after_the_stop(clean: Readings) -> None:
    iced = stuck_from(clean, END_S - 60, END_S + 7200, 900.0)
    doubts = moments(iced, PRESSURE_DOUBT)
    assert set(doubts["features"][:, KIND]) == {HIGH_WHILE_STOPPED}
    assert END_S + BLOWDOWN_S <= seen(doubts)[0] <= END_S + BLOWDOWN_S + 300.0
    (sound,) = moments(iced, PRESSURE_SOUND)
    assert sound["t"] - MONDAY_MS / 1000.0 == pytest.approx(END_S + 7200 + 60.0, abs=30.0)


def test_unmoved_across_a_start(clean: Readings) -> None:
    """Frozen at a pressure between rest and work: neither zero nor what a running sump holds."""
    iced = stuck_from(clean, SECOND_S - 900, SECOND_S + 1800, 300.0)
    kinds = moments(iced, PRESSURE_DOUBT)["features"][:, KIND]
    assert STUCK_ACROSS_EDGE in kinds


def test_creeping_after_its_true_value(clean: Readings) -> None:
    """A port all but shut: the sensor takes a quarter of an hour to show what is there in seconds."""
    t = at_s(clean)
    part = (t >= SECOND_S) & (t < SECOND_S + 1500)
    creeping = 900.0 * (1.0 - np.exp(-(t[part] - SECOND_S) / 900.0))
    doubts = moments(changed(clean, "pressure_kpa", part, creeping), PRESSURE_DOUBT)
    assert SLOW_TO_FOLLOW in doubts["features"][:, KIND]


@pytest.mark.parametrize("n", range(1, ENOUGH_READINGS))
def test_an_odd_message_or_two_are_no_contradiction(clean: Readings, n: int) -> None:
    t = at_s(clean)
    row = int(np.searchsorted(t, SECOND_S + 900))
    assert len(moments(changed(clean, "pressure_kpa", slice(row, row + n), 0.0), PRESSURE_DOUBT)) == 0


def test_the_run_is_marked_and_the_status_tells(clean: Readings) -> None:
    iced = stuck_from(clean, SECOND_S - 1800, SECOND_S + 1500, 0.0)
    first, second, third = fold(iced).runs
    assert (first.pressure_trusted, second.pressure_trusted, third.pressure_trusted) == (True, False, True)
    during = fold(iced[at_s(iced) < SECOND_S + 1200])
    status = engine.status(during.state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    assert not status.pressure_trusted
    assert status.running
    after = engine.status(fold(iced).state, PROFILE, PARAMETERS, load_models())
    assert after is not None
    assert after.pressure_trusted


def test_doubts_are_judged_often_at_first_and_seldom_later(clean: Readings) -> None:
    iced = stuck_from(clean, END_S - 60, SECOND_S - 600, 900.0)
    gaps_s = np.diff(seen(moments(iced, PRESSURE_DOUBT)))
    assert gaps_s[:5].max() <= 150.0
    assert gaps_s[-1] >= 500.0


def test_a_missing_sensor_contradicts_nothing(clean: Readings) -> None:
    silent = changed(clean, "pressure_kpa", slice(None), np.nan)
    assert len(moments(silent, PRESSURE_DOUBT)) == 0
    assert len(moments(silent, PRESSURE_SOUND)) == 0
