"""Light machines that are hot before the next reading, and runs that nobody saw: what both do to the air."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from ingest.reading import Readings
from models import ambient, soak
from models.air_filter import AIR
from models.plant import Machine
from tests.unit.models.histories import QUIET, fold, machine_history, observed
from tests.unit.models.test_ambient import CONST, HOUR_S, state

LIGHT = Machine(loop_j_k=25_000.0, frame_j_k=12_000.0, case_w_k=10.0)
"""Oil and little iron; 19.5 kW warm it by 50 K in about two minutes."""
STARTS = [(hour, minutes, 0.8) for hour, minutes in enumerate([3, 5, 4, 9, 2, 6, 30, 4, 7, 3] * 4, start=2)]


def seen_every(every_s: int, air_c: float) -> Readings:
    truth = machine_history(STARTS, air_c=air_c, hours=48.0, machine=LIGHT)
    return observed(truth, dataclasses.replace(QUIET, every_s=every_s, hours_step_h=0.1))


@pytest.mark.parametrize("every_s", [60, 120, 300])
@pytest.mark.parametrize("air_c", [-5.0, 8.0, 20.0])
def test_a_cold_start_between_two_readings_is_no_change_of_units(every_s: int, air_c: float) -> None:
    found = fold(seen_every(every_s, air_c))
    s = found.state.memory[0]
    assert s["temp_f"] == 0.0
    assert not any(run.peak_temp_c < air_c - 3.0 for run in found.runs)
    assert s["ambient_c"] == pytest.approx(air_c, abs=5.0)


def test_a_unit_met_warm_after_a_run_that_nobody_saw_tells_no_warmer_air() -> None:
    for ran, warm_c in ((True, 19.0), (False, 40.0)):
        s = state(12.0, 1.0)
        s["swing_k"], s["temp_c"], s["t"] = 0.5, warm_c, 20.0 * HOUR_S
        ambient.drift(s, CONST, 20.0 * HOUR_S)
        before_c, before_k2 = float(s["ambient_c"]), float(s["air_p"][AIR, AIR])
        soak.after_silence(s, CONST, 20.0 * HOUR_S, 20.0 * HOUR_S, ran)
        assert s["ambient_c"] == before_c
        assert s["air_p"][AIR, AIR] > before_k2, "but it is a sign that something was missed"


def test_a_unit_met_cold_tells_colder_air_even_after_a_run_that_nobody_saw() -> None:
    s = state(20.0, 4.0)
    s["swing_k"], s["temp_c"] = 0.5, 5.0
    ambient.drift(s, CONST, 20.0 * HOUR_S)
    soak.after_silence(s, CONST, 20.0 * HOUR_S, 20.0 * HOUR_S, True)
    assert s["ambient_c"] < 12.0


@pytest.mark.parametrize("usual_pct", [40.0, 80.0])
def test_a_humidity_sensors_error_counts_for_more_in_dry_air(usual_pct: float) -> None:
    """Read 3 % too high all day: a dry noon seems as much cooler as 3 % of its vapour make, and knows it."""
    s = state(20.0, 0.25)
    s["rh_pct"], s["rh_t"] = usual_pct + 3.0, math.inf
    for minute in range(1, 13 * 60):
        ambient.drift(s, CONST, 60.0 * minute)
        s["ambient_c"], s["air_p"][AIR, AIR] = 20.0, 0.25
    s["rh_pct"] = s["rh_smooth"] = 10.0 + 3.0
    for minute in range(13 * 60, 14 * 60):
        ambient.drift(s, CONST, 60.0 * minute)
    taken_k = 3.0 * abs(1.0 / 13.0 - 1.0 / (usual_pct + 3.0)) / 0.062
    assert math.sqrt(s["ambient_var"]) >= 0.8 * taken_k


def test_the_engine_beside_a_running_machine_is_forgotten_after_the_stop() -> None:
    s = state(15.0, 1.0)
    doubt_k = []
    for minute in range(1, 181):
        s["running"] = 1.0 if 60 <= minute < 120 else 0.0
        ambient.drift(s, CONST, 60.0 * minute)
        doubt_k.append(math.sqrt(s["ambient_var"]))
    assert doubt_k[118] ** 2 - doubt_k[58] ** 2 >= 0.9 * ambient.ENGINE_K**2
    assert doubt_k[179] < doubt_k[118] - 1.0
    assert np.diff(doubt_k[60:100]).min() > 0.0
