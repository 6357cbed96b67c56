"""Runs against the simulated machine's truth in all that trucks send: sampling, meters, lying pressure, gaps.

Truth is kept at one second and read by the trucks' sensors; every condition is what such a reading is turned
into. Nothing here is typed from the engine's own output.
"""

from __future__ import annotations

import dataclasses
import functools
import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.reading import FloatArray, IntArray, Readings
from models.plant import FAST, SLOW, Machine, Truth
from models.records import Run
from tests.unit.models.histories import (
    MONDAY_MS,
    QUIET,
    Folded,
    changed,
    fold,
    machine_history,
    observed,
    seconds,
)

HOURS = 14
MACHINES = {
    "modulating": SLOW,
    "light": FAST,
    "large receiver": SLOW._replace(line_m3=0.25),
    "slow blowdown": SLOW._replace(blowdown_s=25.0),
    "unloaded start": SLOW._replace(start_unloaded_s=15.0),
    "load/unload": SLOW._replace(load_unload=True, idle_power_frac=0.25, band_kpa=50.0, line_m3=0.1),
}
AIR_C = {"modulating": 15.0, "light": -8.0, "large receiver": 30.0, "slow blowdown": 5.0}
LENGTHS_MIN = (1.5, 5.0, 30.0, 90.0)
APART_MIN = (2.0, 3.0, 15.0, 60.0)
RESTARTED_MIN = 1.1


def plan(seed: int, every_s: int) -> list[tuple[float, float, float]]:
    """Runs (start [h], length [min], demand), each long enough for two readings, as each pause is."""
    rng = np.random.default_rng(seed)
    least_min = 2.2 * every_s / 60.0
    at_h, runs = 1.0 + rng.uniform(0.0, 0.5), []
    for length_min, pause_min in zip(
        rng.permutation(LENGTHS_MIN * 2), rng.permutation(APART_MIN * 2), strict=True
    ):
        length_min = max(length_min, least_min) * rng.uniform(1.0, 1.1)
        runs.append((at_h, length_min, rng.uniform(0.1, 0.9)))
        at_h += (length_min + max(pause_min, RESTARTED_MIN, least_min) * rng.uniform(1.0, 1.1)) / 60.0
    return runs


@functools.cache
def truth_of(kind: str, seed: int, every_s: int) -> Truth:
    runs = plan(seed, every_s)
    machine: Machine = MACHINES[kind]
    hours = math.ceil(runs[-1][0] + runs[-1][1] / 60.0) + 1.0
    return machine_history(
        runs, air_c=AIR_C.get(kind, 15.0), hours=max(hours, HOURS), machine=machine, step_s=1
    )


def readings_of(truth: Truth, every_s: int, hours_step_h: float = 0.05, seed: int = 1) -> Readings:
    return observed(truth, dataclasses.replace(QUIET, every_s=every_s, hours_step_h=hours_step_h), seed=seed)


def errors_s(found: Folded, truth: Truth) -> FloatArray:
    """Start and end of each run less the truth's, shape (n, 2); they must be the same runs."""
    got = [(seconds(run.start_at), seconds(run.end_at)) for run in found.runs]
    wanted = [(run.start_s, run.end_s) for run in truth.runs]
    assert len(got) == len(wanted), (got, wanted)
    return np.subtract(got, wanted)


@pytest.mark.parametrize("hours_step_h", [0.01, 0.05, 0.1])
@pytest.mark.parametrize("every_s", [1, 5, 10, 60, 300])
@pytest.mark.parametrize("kind", MACHINES)
def test_clean_runs_start_and_end_within_one_sample(kind: str, every_s: int, hours_step_h: float) -> None:
    """Meter of 0.01 to 0.1 h, sound pressure, no gaps.

    A stop in the middle of an unloader's bleed shows no edge: there the bleed's length may be added, twice
    its time constant.
    """
    for seed in range(2):
        truth = truth_of(kind, seed, every_s)
        off_s = np.abs(errors_s(fold(readings_of(truth, every_s, hours_step_h)), truth))
        bleed_s = 2.0 * MACHINES[kind].unloaded_bleed_s if MACHINES[kind].load_unload else 0.0
        assert np.max(off_s[:, 0]) <= every_s
        # A reading in the middle of a slow blowdown may be held back as doubtful.
        slow_s = MACHINES[kind].blowdown_s if kind == "slow blowdown" else 0.0
        assert np.max(off_s[:, 1]) <= max(every_s + slow_s, bleed_s)


@pytest.mark.parametrize("kind", ["modulating", "light", "unloaded start"])
@pytest.mark.parametrize("every_s", [60, 120])
def test_seldom_readings_end_no_run_a_reading_late(kind: str, every_s: int) -> None:
    """Neither way by more than half a reading beside what a slow sensor adds, and right on the average.

    The first reading of an emptied sump may be held back as one of another unit of measure.
    """
    off_s = np.concatenate(
        [errors_s(fold(readings_of(truth, every_s)), truth)[:, 1] for truth in _truths(kind, every_s)]
    )
    assert np.max(np.abs(off_s)) <= 0.5 * every_s + 15.0
    assert abs(float(np.mean(off_s))) <= 0.25 * every_s


def _truths(kind: str, every_s: int) -> list[Truth]:
    return [truth_of(kind, seed, every_s) for seed in range(3)]


@pytest.mark.parametrize(("kind", "every_s"), [("modulating", 10), ("light", 10), ("modulating", 60)])
def test_a_meter_of_the_trucks_engine_makes_no_run(kind: str, every_s: int) -> None:
    """Its hours go on before and after each run and while the truck only idles."""
    truth = truth_of(kind, 3, every_s)
    on = np.zeros(len(truth.running), np.bool_)
    rng = np.random.default_rng(4)
    for run in truth.runs:
        on[max(run.start_s - int(rng.uniform(60, 1200)), 0) : run.end_s + int(rng.uniform(60, 1200))] = True
    on[-3000:-600] = True
    counted_h = 100.0 + np.floor(np.cumsum(on) / 3600.0 / 0.05) * 0.05
    readings = readings_of(truth, every_s)
    row = (readings.observed_at_ms - MONDAY_MS) // 1000
    found = fold(dataclasses.replace(readings, hours=np.round(counted_h[row], 2)))
    assert np.max(np.abs(errors_s(found, truth))) <= every_s


@pytest.mark.parametrize("offset_kpa", [-20.0, 20.0, 60.0, 100.0])
def test_an_offset_of_the_pressure_moves_no_run(offset_kpa: float) -> None:
    truth = truth_of("modulating", 1, 10)
    readings = readings_of(truth, 10)
    off = dataclasses.replace(readings, pressure_kpa=readings.pressure_kpa + offset_kpa)
    assert np.max(np.abs(errors_s(fold(off), truth))) <= 10.0


def test_sampling_that_changes_in_mid_history_moves_no_run_further_than_its_sample() -> None:
    truth = truth_of("modulating", 0, 300)
    at_s: IntArray = np.arange(len(truth.running))
    slow = (at_s // 5400) % 2 == 1
    kept = np.where(slow, at_s % 300 == 7, at_s % 10 == 7)
    found = fold(readings_of(truth, 1)[kept])
    off_s = np.abs(errors_s(found, truth))
    for edges, error in zip([(run.start_s, run.end_s) for run in truth.runs], off_s, strict=True):
        for edge_s, off in zip(edges, error, strict=True):
            assert off <= (300.0 if slow[max(edge_s - 300, 0) : edge_s + 300].any() else 10.0)


def test_signals_that_are_sent_when_they_change_move_no_run() -> None:
    """Only what has changed is in a row, and nothing is sent for hours while the unit stands."""
    truth = truth_of("modulating", 2, 10)
    full = readings_of(truth, 1)
    bands = {"discharge_temp_c": 0.5, "pressure_kpa": 14.0, "hours": 1e-4, "ambient_rh_pct": 2.0}
    sent = {}
    for name, band in bands.items():
        values, kept, last = getattr(full, name), np.zeros(len(full), np.bool_), math.nan
        for i, value in enumerate(values):
            if not abs(value - last) < band:
                kept[i], last = True, value
        sent[name] = np.where(kept, values, np.nan)
    some = np.logical_or.reduce([~np.isnan(values) for values in sent.values()])
    found = fold(dataclasses.replace(full, **sent)[some])
    assert np.max(np.abs(errors_s(found, truth))) <= 30.0


def test_a_controller_that_restarts_in_mid_run_ends_none() -> None:
    """Silent for a minute and a half, then for some seconds nothing right."""
    truth = truth_of("modulating", 0, 10)
    readings = readings_of(truth, 10)
    at_s = (readings.observed_at_ms - MONDAY_MS) / 1000.0
    kept = np.ones(len(readings), np.bool_)
    for run in truth.runs:
        if run.duration_s > 600:
            back_s = run.start_s + 390
            kept &= ~((at_s > back_s - 90) & (at_s < back_s))
            waking = (at_s >= back_s) & (at_s < back_s + 20)
            readings = changed(readings, "pressure_kpa", waking, 0.0)
            readings = changed(readings, "hours", waking, np.round(readings.hours[waking] - 0.05, 2))
    assert np.max(np.abs(errors_s(fold(readings[kept]), truth))) <= 10.0


@pytest.mark.parametrize("hours_step_h", [0.01, 0.05])
@pytest.mark.parametrize("silent_min", [15, 60, 180])
@pytest.mark.parametrize("from_min", [-5, 25], ids=["over the start", "over the end"])
def test_the_meter_places_an_edge_in_a_gap(hours_step_h: float, silent_min: int, from_min: int) -> None:
    """To the meter's step, as the rest of the silence is known to be all standing or all running."""
    truth = machine_history([(2.0, 30.0, 0.6), (9.0, 40.0, 0.5)], hours=12.0)
    readings = readings_of(truth, 10, hours_step_h)
    at_s = (readings.observed_at_ms - MONDAY_MS) / 1000.0
    from_s = 2 * 3600 + 60.0 * from_min
    silent = (at_s > from_s) & (at_s < from_s + 60.0 * min(silent_min, 25 if from_min < 0 else 999))
    found = fold(readings[~silent])
    off_s = np.abs(errors_s(found, truth))
    assert np.max(off_s) <= 3600.0 * hours_step_h + 10.0


@pytest.mark.parametrize("length_min", [1.5, 4.0])
@pytest.mark.parametrize("cold", [True, False])
def test_a_run_hidden_between_two_readings_is_credited(length_min: float, cold: bool) -> None:
    """Five minutes apart, with the meter's step and the warmth left behind to prove it."""
    # The run before tells the meter's step; by the next day its warmth has gone.
    start_h = (26.0 if cold else 2.0) + 7.0 / 3600.0
    truth = machine_history([(1.0, 40.0, 0.6), (start_h, length_min, 0.6)], hours=start_h + 3.0, step_s=1)
    full = readings_of(truth, 1, 0.01)
    found = fold(full[(full.observed_at_ms // 1000) % 300 == 0])
    run, true = found.runs[-1], truth.runs[-1]
    assert len(found.runs) == len(truth.runs)
    assert run.inferred
    assert run.start_error_s is not None
    assert abs(seconds(run.start_at) - true.start_s) <= run.start_error_s
    assert abs(seconds(run.end_at) - true.end_s) <= run.end_error_s
    assert abs((seconds(run.end_at) - seconds(run.start_at)) - true.duration_s) <= 36.0
    memory = found.state.memory[0]
    assert memory["water_low_g"] <= true.water_end_g <= memory["water_high_g"]


def test_a_parked_truck_in_the_sun_and_over_its_engine_makes_no_run() -> None:
    truth = truth_of("modulating", 1, 10)
    readings = readings_of(truth, 10)
    at_s = (readings.observed_at_ms - MONDAY_MS) / 1000.0
    quiet_s = truth.runs[-1].end_s + 1800.0
    rise_k = np.where(
        at_s > quiet_s, 14.0 * (1.0 - np.exp(-np.clip(at_s - quiet_s, 0.0, None) / 1200.0)), 0.0
    )
    warmed = dataclasses.replace(readings, discharge_temp_c=readings.discharge_temp_c + rise_k)
    for spoilt in (
        warmed,
        changed(changed(warmed, "pressure_kpa", slice(None), np.nan), "hours", slice(None), 1.0),
    ):
        assert all(seconds(run.start_at) < quiet_s for run in fold(spoilt).runs)


SPOILS = st.tuples(
    st.sampled_from(["discharge_temp_c", "pressure_kpa", "hours", "gap", "soak"]),
    st.floats(0.5, HOURS - 1.0),
    st.floats(0.01, 3.0),
    st.sampled_from([math.nan, 0.0, 60.0, 500.0, 1034.0]),
)


def spoilt(readings: Readings, spoils: list[tuple[str, float, float, float]]) -> Readings:
    """Stretches in which a signal stands at a value, nothing comes, or metal warms the oil."""
    for name, from_h, for_h, value in spoils:
        at_h = (readings.observed_at_ms - MONDAY_MS) / 3.6e6
        inside = (at_h >= from_h) & (at_h < from_h + for_h)
        if name == "gap":
            readings = readings[~inside]
        elif name == "soak":
            bump_k = 12.0 * np.sin(np.pi * np.clip((at_h - from_h) / for_h, 0.0, 1.0))
            readings = dataclasses.replace(readings, discharge_temp_c=readings.discharge_temp_c + bump_k)
        else:
            readings = changed(readings, name, inside, value)
    return readings


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    kind=st.sampled_from(["modulating", "light", "load/unload"]),
    every_s=st.sampled_from([10, 60, 300]),
    spoils=st.lists(SPOILS, max_size=5),
)
def test_what_a_run_says_of_itself_holds_together(
    kind: str, every_s: int, spoils: list[tuple[str, float, float, float]]
) -> None:
    truth = truth_of(kind, 0, every_s)
    found = fold(spoilt(readings_of(truth, every_s), spoils))
    before = None
    for run in found.runs:
        assert_holds_together(run)
        assert before is None or before.end_at is None or before.end_at <= run.start_at
        before = run


def assert_holds_together(run: Run) -> None:
    assert run.end_at is not None
    assert run.start_at <= run.last_at <= run.end_at
    length_min = (run.end_at - run.start_at).total_seconds() / 60.0
    assert 0.0 <= run.dry_min <= run.hot_min <= length_min + 1e-6
    assert (run.time_to_hot_min is None) == (run.hot_min == 0.0)
    assert run.time_to_hot_min is None or run.time_to_hot_min >= 0.0
    assert (run.time_to_hot_min or 0.0) + run.hot_min <= length_min + 1e-6
    assert run.peak_temp_c >= run.start_temp_c
    gained_g = run.water_in_g - run.water_out_g - run.water_carried_over_g
    assert run.water_end_g == pytest.approx(run.water_start_g + gained_g, rel=0.0, abs=1e-9)
    for grams in (run.water_start_g, run.water_end_g, run.water_in_g, run.water_out_g, run.delivered_m3):
        assert grams == 0.0 or grams >= 1e-12, "a denormal figure"
    assert 0.0 < run.confidence < 1.0
    assert run.end_error_s >= 0.0
    assert run.start_error_s is None or run.start_error_s >= 0.0
