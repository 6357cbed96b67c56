"""The forecast to the shutdown region, against curves and machines whose end is known."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pytest

from ingest.reading import FloatArray, Readings
from models.overheat import HORIZON_MIN, REGION_C
from models.plant import SLOW, Duty, Faults, Machine, Weather, simulate
from models.plant_steps import saturation_pa
from models.records import Finding, Pattern
from tests.unit.models.histories import MONDAY_MS, by_hand, fold, observed, seconds

RATED_KPA = 1000.0
BEFORE_S = 3600


def curve(
    temp_c: FloatArray, *, every_s: int = 10, noise_k: float = 0.2, air_c: float = 20.0, seed: int = 1
) -> Readings:
    """An hour's rest, then a run under pressure with these true temperatures, one a second."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(0, BEFORE_S + len(temp_c), every_s)
    running = at_s >= BEFORE_S
    true_c = np.where(running, temp_c[np.maximum(at_s - BEFORE_S, 0)], temp_c[0])
    n = len(at_s)
    return by_hand(
        at_s,
        temp_c=np.round(true_c + rng.normal(0.0, noise_k, n), 1),
        pressure_kpa=np.where(running, RATED_KPA + rng.normal(0.0, 5.0, n), 0.0),
        hours=np.floor((100.0 + np.maximum(at_s - BEFORE_S, 0) / 3600.0) * 100.0) / 100.0,
        ambient_c=np.full(n, air_c),
    )


def approach(start_c: float, end_c: float, tau_min: float, minutes: float) -> FloatArray:
    """First-order approach: Newton's law of heating towards a steady end. [degC], one a second"""
    at_min = np.arange(int(minutes * 60)) / 60.0
    return end_c + (start_c - end_c) * np.exp(-at_min / tau_min)


def overheating(readings: Readings) -> list[Finding]:
    return [f for f in fold(readings).findings if f.pattern is Pattern.OVERHEATING]


def evidence(finding: Finding) -> dict[str, float]:
    return {fact.name: fact.value for fact in finding.evidence}


@pytest.mark.parametrize("tau_min", [4.0, 8.0, 15.0])
@pytest.mark.parametrize("every_s", [5, 10, 30])
def test_a_curve_into_the_region_is_flagged_before_it_gets_there(tau_min: float, every_s: int) -> None:
    """A sound warm-up to 82 degC, then towards 140 degC; the instant of crossing is the curve's own."""
    sound, rise = approach(20.0, 82.0, 5.0, 40.0), approach(82.0, 140.0, tau_min, 30.0)
    crossing_s = BEFORE_S + len(sound) + float(np.argmax(rise >= REGION_C))
    (finding,) = overheating(curve(np.concatenate([sound, rise]), every_s=every_s))
    flagged_s = seconds(finding.first_flagged_at)
    assert BEFORE_S + len(sound) < flagged_s < crossing_s
    first = overheating(
        curve(np.concatenate([sound, rise]), every_s=every_s)[: int(flagged_s // every_s) + 2]
    )
    assert evidence(first[0])["slope_k_min"] > 0.0


@pytest.mark.parametrize("end_c", [84.0, 92.0, 98.0, 103.0])
@pytest.mark.parametrize("tau_min", [3.0, 6.0, 12.0, 20.0])
def test_a_curve_that_levels_off_below_is_no_finding(end_c: float, tau_min: float) -> None:
    """Full load in air of 40 degC levels off near 98 degC and is healthy (published trade figures)."""
    for seed in (1, 2, 3):
        readings = curve(approach(38.0, end_c, tau_min, 150.0), air_c=38.0, noise_k=0.4, seed=seed)
        assert overheating(readings) == []


def test_standing_just_below_the_region_needs_no_rise() -> None:
    (finding,) = overheating(curve(approach(30.0, 107.0, 8.0, 120.0)))
    assert evidence(finding)["temp_c"] >= REGION_C - 5.0


@pytest.mark.parametrize("leap_k", [15.0, 40.0])
def test_a_leap_of_the_sensor_is_no_rise(leap_k: float) -> None:
    """To 97 and 122 degC: the first is no rise at all; what stays beyond the region is told as such."""
    steady = approach(20.0, 82.0, 5.0, 60.0)
    steady[2400:2460] += leap_k
    assert overheating(curve(steady)) == []


def machine(cooler_frac: float, *, load: float = 0.9, air_c: float = 25.0) -> tuple[Readings, float | None]:
    """Readings of four sound runs and one with less cooling, and when it truly reaches the region."""
    starts = [1.0, 3.0, 5.0, 7.0, 9.0]
    changes = [(int(3600 * h), load) for h in starts] + [(int(3600 * h + 3600), -1.0) for h in starts]
    changes.sort()
    hours = np.full(14, air_c)
    truth = simulate(
        Machine(loop_j_k=SLOW.loop_j_k),
        weather=Weather(
            step_s=3600.0, temp_c=hours, vapour_pa=0.5 * np.array([saturation_pa(c) for c in hours])
        ),
        duty=Duty(
            change_s=np.array([at for at, _ in changes]),
            demand_frac=np.array([demand for _, demand in changes]),
            drain_s=np.empty(0, np.int64),
        ),
        faults=Faults(
            change_s=np.array([9 * 3600 + 1800]),
            stuck_open_frac=np.array([0.0]),
            cooler_frac=np.array([cooler_frac]),
        ),
        start_at_ms=MONDAY_MS,
        duration_s=12 * 3600,
        start_hours=100.0,
    )
    hot = np.flatnonzero(truth.running & (truth.discharge_temp_c >= REGION_C))
    return observed(truth), None if not len(hot) else float(hot[0]) * truth.step_s


@pytest.mark.parametrize("cooler_frac", [0.05, 0.2, 0.4])
def test_a_standing_fan_is_flagged_within_the_run_before_the_region(cooler_frac: float) -> None:
    readings, region_s = machine(cooler_frac)
    assert region_s is not None
    (finding,) = overheating(readings)
    assert 9 * 3600 + 1800 < seconds(finding.first_flagged_at) < region_s - 30.0


def test_a_sound_machine_is_not_flagged_in_the_hottest_yard() -> None:
    readings, region_s = machine(1.0, load=1.0, air_c=40.0)
    assert region_s is None
    assert overheating(readings) == []


def test_closes_only_after_a_long_run_at_usual_heat() -> None:
    ill = np.concatenate([approach(20.0, 82.0, 5.0, 40.0), approach(82.0, 140.0, 5.0, 6.0)])
    cooled = approach(95.0, 20.0, 40.0, 180.0)
    well = approach(cooled[-1], 82.0, 5.0, 60.0)
    readings = curve(np.concatenate([ill, cooled, well]))
    rests = (readings.observed_at_ms - MONDAY_MS) / 1000.0 - BEFORE_S
    resting = (rests >= len(ill)) & (rests < len(ill) + len(cooled))
    run_s = np.clip(rests, 0, len(ill)) + np.clip(rests - len(ill) - len(cooled), 0, None)
    readings = dataclasses.replace(
        readings,
        pressure_kpa=np.where(resting, 0.0, readings.pressure_kpa),
        hours=100.0 + np.floor(run_s / 36.0) / 100.0,
    )
    (finding,) = overheating(readings)
    assert finding.end_at is not None
    assert finding.end_at - finding.start_at <= dt.timedelta(minutes=HORIZON_MIN)
    stopped = readings[: int((BEFORE_S + len(ill) + len(cooled)) / 10)]
    (standing,) = overheating(stopped)
    assert standing.end_at is None
