"""Humidity that grows old, is not sound or was never sent; and air as hot as any on record.

Sources: records of the WMO climate archive (air 56.7 degC, dew point 35 degC), from memory; handbook
psychrometrics.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from ingest.profile import UnitProfile
from ingest.reading import Readings
from models import ambient, engine
from models.artefact import load_models
from models.parameters import Parameters
from models.plant import SLOW, Duty, Faults, Truth, Weather, simulate
from models.records import Pattern
from models.state import Record, constants, fresh_state
from models.verdicts import RH, SOUND, STUCK
from tests.external.handbook import psychrolib
from tests.unit.models.histories import (
    MONDAY_MS,
    PARAMETERS,
    PROFILE,
    QUIET,
    by_hand,
    fold,
    machine_history,
    observed,
)

CONST = constants(UnitProfile(unit_id="unit"), Parameters())[0]
HOUR_S, DAYS, SILENT_FROM_H, FRONT_H = 3600.0, 10, 40.0, 48


def hours_of(readings: Readings) -> np.ndarray:
    return (readings.observed_at_ms - MONDAY_MS) / 3.6e6


@pytest.fixture(scope="module")
def warm_front() -> tuple[Truth, Readings]:
    """Five minutes of work five times a day; 4 degC and 70 % become 20 degC and 75 % on the third day."""
    h = np.arange(24 * DAYS + 2)
    mean_c = np.where(h < FRONT_H, 4.0, 20.0)
    air_c = mean_c + 5.0 * np.cos(2.0 * np.pi * (h - 15.0) / 24.0)
    wet = np.where(h < FRONT_H, 0.70, 0.75)
    vapour_pa = np.minimum(
        wet * psychrolib.GetSatVapPres(mean_c), 0.97 * psychrolib.GetSatVapPres(air_c.astype(float))
    )
    starts = [3600 * (24 * day + hour) for day in range(DAYS) for hour in (8, 10, 12, 14, 16)]
    truth = simulate(
        SLOW,
        weather=Weather(step_s=HOUR_S, temp_c=air_c, vapour_pa=vapour_pa),
        duty=Duty(
            change_s=np.array([at for start in starts for at in (start, start + 300)]),
            demand_frac=np.array([1.0, -1.0] * len(starts)),
            drain_s=np.empty(0, np.int64),
        ),
        faults=Faults(change_s=np.array([0]), stuck_open_frac=np.array([0.0])),
        start_at_ms=MONDAY_MS,
        duration_s=86_400 * DAYS,
        start_hours=100.0,
        step_s=10,
        start_temp_c=None,
        start_port_water_g=0.0,
    )
    readings = observed(truth, dataclasses.replace(QUIET, every_s=30))
    silent = hours_of(readings) > SILENT_FROM_H
    return truth, dataclasses.replace(
        readings, ambient_rh_pct=np.where(silent, np.nan, readings.ambient_rh_pct)
    )


@pytest.mark.parametrize("only_at_work", [False, True])
def test_a_humidity_sensor_that_fell_silent_is_forgotten_in_a_warm_front(
    warm_front: tuple[Truth, Readings], only_at_work: bool
) -> None:
    truth, readings = warm_front
    if only_at_work:
        hour = hours_of(readings) % 24.0
        readings = readings[(hour > 7.5) & (hour < 17.0)]
    told = engine.trace(engine.initial_state("unit"), readings, PROFILE, PARAMETERS)
    row = np.clip((1000 * np.round(hours_of(readings) * 3600)).astype(int) // 10_000, 0, None)
    off_k = told.ambient_temp_c - truth.air_temp_c[np.minimum(row, len(truth.air_temp_c) - 1)]
    later = hours_of(readings) > FRONT_H + 12.0
    assert np.mean(np.abs(off_k[later]) <= 2.0 * told.ambient_error_k[later]) >= 0.85
    found = fold(readings)
    held_g = truth.runs[-1].water_end_g
    s = found.state.memory[0]
    assert s["water_low_g"] <= held_g <= s["water_high_g"]
    assert Pattern.SHORT_CYCLING in {finding.pattern for finding in found.findings}


def aged(rh_pct: float, air_c: float, hours: float) -> Record:
    s = fresh_state()[0]
    s["t"] = s["first_t"] = 0.0
    s["temp_c"] = air_c
    ambient.first_guess(s, CONST, 0.0)
    s["ambient_c"], s["ambient_var"] = air_c, 1.0
    s["rh_pct"] = s["rh_smooth"] = rh_pct
    s["rh_t"] = 0.0
    ambient.take_vapour(s, CONST)
    s["ambient_t"] = hours * HOUR_S
    ambient.take_vapour(s, CONST)
    return s


def test_vapour_goes_from_what_was_told_to_what_is_assumed() -> None:
    told_pa = psychrolib.GetVapPresFromRelHum(20.0, 0.20)
    assumed_pa = psychrolib.GetVapPresFromRelHum(20.0, 0.60)
    vapour_pa = [float(aged(20.0, 20.0, hours)["vapour_pa"]) for hours in (0.5, 3.0, 6.0, 12.0, 48.0)]
    assert vapour_pa[0] == pytest.approx(told_pa, rel=1e-3)
    assert vapour_pa == sorted(vapour_pa)
    assert vapour_pa[-1] == pytest.approx(assumed_pa, rel=0.01)
    spread = [s["vapour_high_pa"] / s["vapour_low_pa"] for s in (aged(20.0, 20.0, h) for h in (0.5, 6.0))]
    assert spread[1] > 1.5 * spread[0]


def test_a_humidity_with_a_verdict_against_it_counts_for_nothing_at_once() -> None:
    s = aged(20.0, 20.0, 0.1)
    assert s["sensor_fault"][RH] == SOUND
    s["sensor_fault"][RH] = STUCK
    ambient.drift(s, CONST, 0.1 * HOUR_S + 60.0)
    ambient.take_vapour(s, CONST)
    assert s["vapour_pa"] == pytest.approx(psychrolib.GetVapPresFromRelHum(s["ambient_c"], 0.60), rel=1e-3)
    assert math.isnan(s["vapour_ln"])


def test_status_shows_no_humidity_of_hours_ago() -> None:
    at_s = np.arange(0, 4 * 3600, 60)
    readings = by_hand(at_s, temp_c=20.0, pressure_kpa=0.0, rh_pct=np.where(at_s <= 3600, 55.0, np.nan))
    models = load_models()
    shown = [
        engine.status(fold(readings[at_s <= until_s]).state, PROFILE, PARAMETERS, models)
        for until_s in (3600, 14_400)
    ]
    assert [status.ambient_rh_pct for status in shown if status] == pytest.approx(
        [55.0, math.nan], nan_ok=True
    )


@pytest.mark.parametrize("air_c", [30.0, 42.0, 50.0, 56.0])
def test_an_assumed_humidity_makes_no_more_vapour_than_air_ever_held(air_c: float) -> None:
    s = fresh_state()[0]
    s["ambient_c"], s["ambient_var"], s["ambient_t"] = air_c, 4.0, 0.0
    ambient.take_vapour(s, CONST)
    record_pa = psychrolib.GetSatVapPres(35.0)
    assert s["vapour_low_pa"] < s["vapour_pa"] <= s["vapour_high_pa"] <= record_pa * 1.001
    if air_c >= 50.0:
        assert s["vapour_pa"] == pytest.approx(record_pa, rel=1e-3)


@pytest.mark.parametrize("air_c", [35.0, 44.0, 46.0, 50.0, 56.0])
def test_the_hottest_yard_is_learnt_by_a_unit_heard_only_at_work(air_c: float) -> None:
    runs = [(24.0 * day + hour, 30, 0.6) for day in range(8) for hour in (9, 13)]
    truth = machine_history(runs, air_c=air_c, rh=0.25, hours=24.0 * 8)
    readings = observed(truth, dataclasses.replace(QUIET, every_s=30))
    at_h = (readings.observed_at_ms - truth.start_at_ms) / 3.6e6
    awake = np.zeros(len(readings), np.bool_)
    for start_h, _, _ in runs:
        awake |= (at_h > start_h - 0.02) & (at_h < start_h + 0.55)
    run = fold(readings[awake]).runs[-1]
    assert run.ambient_temp_c == pytest.approx(air_c, abs=2.0)
    assert run.ambient_error_k < 6.0
    # What comes in, squeezed to the run's pressure: the handbook's ideal gas, a kelvin high.
    squeezed_pa = 0.25 * psychrolib.GetSatVapPres(air_c) * (1034.0 + 101.325) / 101.325
    needed_c = max(psychrolib.GetTDewPointFromVapPres(150.0, squeezed_pa) + 10.0, 65.0)
    assert run.required_temp_c == pytest.approx(needed_c, abs=4.0)
