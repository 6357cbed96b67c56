"""Spikes, smoothing, recent lows and highs, meter steps: each kept right through what trucks send."""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models import signals
from models.state import Record, fresh_state

NAN = math.nan


@pytest.fixture
def s() -> Record:
    return fresh_state()[0]


@given(values=st.lists(st.floats(-60.0, 180.0), min_size=3, max_size=30))
def test_without_spike_is_the_median_of_three(values: list[float]) -> None:
    s = fresh_state()[0]
    given = [signals.without_spike(s, 10.0 * i, value, False) for i, value in enumerate(values)]
    assert given[:2] == values[:2]
    assert given[2:] == [statistics.median(values[i - 2 : i + 1]) for i in range(2, len(values))]


@pytest.mark.parametrize("every_s", [5.0, 30.0, 60.0, 120.0, 300.0])
@pytest.mark.parametrize("spike_k", [-40.0, -25.0, 15.0, 40.0])
def test_a_lone_spike_gets_through_at_no_pace(s: Record, every_s: float, spike_k: float) -> None:
    temps_c = [20.0, 20.0, 20.0 + spike_k, 20.0, 20.0]
    given = [signals.without_spike(s, every_s * i, value, False) for i, value in enumerate(temps_c)]
    assert given == [20.0] * 5


def test_a_warm_up_that_pressure_shows_is_not_held_back(s: Record) -> None:
    temps_c = [5.0, 5.0, 25.0, 43.0, 57.0]
    given = [signals.without_spike(s, 60.0 * i, value, True) for i, value in enumerate(temps_c)]
    assert given == temps_c


def test_without_spike_after_silence_takes_the_newest(s: Record) -> None:
    for t in (0.0, 10.0, 20.0):
        signals.without_spike(s, t, 80.0, False)
    assert signals.without_spike(s, 21.0 + signals.FORGET_S, 12.0, False) == 12.0


def test_smoothing_follows_a_step_by_its_time_constant(s: Record) -> None:
    signals.take_temp(s, 0.0, 20.0, True)
    signals.take_temp(s, signals.SMOOTHING_S, 30.0, True)
    # First-order lag: 1 - 1/e of the step after one time constant.
    assert s["smooth_c"] == pytest.approx(20.0 + 10.0 * (1.0 - math.exp(-1.0)))


def test_smoothing_does_not_depend_on_how_often_it_is_fed() -> None:
    often, seldom = fresh_state()[0], fresh_state()[0]
    signals.take_temp(often, 0.0, 20.0, True)
    signals.take_temp(seldom, 0.0, 20.0, True)
    for t in range(5, 65, 5):
        signals.take_temp(often, float(t), 30.0, True)
    signals.take_temp(seldom, 60.0, 30.0, True)
    assert often["smooth_c"] == pytest.approx(seldom["smooth_c"])


def test_valley_and_peak_bracket_the_smoothed_temperature(s: Record) -> None:
    rng = np.random.default_rng(5)
    for i, temp_c in enumerate(50.0 + np.cumsum(rng.normal(0.0, 1.0, 500))):
        signals.take_temp(s, 10.0 * i, float(temp_c), True)
        assert s["valley_c"] <= s["smooth_c"] <= s["peak_c"]
        assert s["valley_t"] <= 10.0 * i
        assert s["peak_t"] <= 10.0 * i


def test_a_slow_warming_day_lifts_the_valley_with_it(s: Record) -> None:
    for minute in range(600):
        signals.take_temp(s, 60.0 * minute, 10.0 + 0.03 * minute, True)
    assert s["smooth_c"] - s["valley_c"] < 0.5


def test_a_warm_up_leaves_the_valley_at_its_start(s: Record) -> None:
    for t in range(0, 700, 10):
        signals.take_temp(s, float(t), 10.0 + max(t - 300, 0) * 0.05, True)
    assert s["valley_t"] == pytest.approx(300.0, abs=30.0)
    assert s["smooth_c"] - s["valley_c"] > 15.0


@pytest.mark.parametrize("every_s", [5, 10, 60])
def test_recent_mean_is_the_mean_of_what_came_then(s: Record, every_s: int) -> None:
    times = np.arange(0, 600, every_s, dtype=float)
    temps = 20.0 + 0.05 * times
    for t, temp_c in zip(times, temps, strict=True):
        signals.take_temp(s, float(t), float(temp_c), True)
    # Bounds on the edges of half minutes, where the bins begin.
    wanted = temps[(times >= 300.0) & (times < 420.0)].mean()
    assert signals.recent_mean_c(s, 300.0, 420.0) == pytest.approx(wanted)
    assert math.isnan(signals.recent_mean_c(s, 5000.0, 6000.0))


def test_the_pressure_floor_follows_down_at_once_and_up_slowly(s: Record) -> None:
    for t, pressure_kpa in ((0.0, 900.0), (10.0, 100.0), (70.0, 900.0)):
        signals.take_pressure(s, t, pressure_kpa)
    assert s["floor_kpa"] == pytest.approx(100.0 + 60.0 * signals.FLOOR_KPA_PER_S)


def test_pressure_anchor_tells_when_it_last_moved(s: Record) -> None:
    signals.take_pressure(s, 0.0, 500.0)
    signals.take_pressure(s, 10.0, 500.0 + signals.MOVED_KPA)
    assert s["anchor_t"] == 0.0
    signals.take_pressure(s, 20.0, 501.0 + signals.MOVED_KPA)
    assert s["anchor_t"] == 20.0


def test_pressure_holds_until_it_falls_faster_than_demand_draws_it(s: Record) -> None:
    for t in range(0, 60, 10):
        signals.take_pressure(s, float(t), 900.0 - t)
    assert s["hold_t"] == 50.0
    signals.take_pressure(s, 60.0, 600.0)
    assert s["hold_t"] == 50.0


@pytest.mark.parametrize("step_h", [0.01, 0.05, 0.1])
def test_hours_gained_are_what_the_meter_shows(s: Record, step_h: float) -> None:
    counts = np.floor(np.arange(0, 7200, 10) / 3600.0 / step_h + 1e-9)
    shown_h = np.round(100.0 + counts * step_h, 4)
    gained_h = [signals.take_hours(s, 10.0 * i, float(hours)) for i, hours in enumerate(shown_h)]
    assert sum(gained_h) == pytest.approx(shown_h[-1] - shown_h[0])
    assert min(gained_h) >= 0.0
    assert s["step_h"] == pytest.approx(step_h)


@pytest.mark.parametrize("step_h", [0.01, 0.05])
def test_seldom_readings_tell_the_meters_step_by_what_gains_have_in_common(s: Record, step_h: float) -> None:
    """Five minutes are 0.0833 h: a meter of hundredths shows 0.08 and 0.09 in turn."""
    counts = np.floor(np.arange(0, 7200, 300) / 3600.0 / step_h + 1e-9)
    for i, hours in enumerate(np.round(100.0 + counts * step_h, 4)):
        signals.take_hours(s, 300.0 * i, float(hours))
    assert s["step_h"] == pytest.approx(step_h)


@pytest.mark.parametrize("hours", [0.0, 99.9, 150.0])
def test_a_meter_that_steps_back_or_leaps_was_replaced(s: Record, hours: float) -> None:
    signals.take_hours(s, 0.0, 100.0)
    assert signals.take_hours(s, 60.0, hours) == -1.0
    assert signals.take_hours(s, 420.0, hours + 0.1) == pytest.approx(0.1)


def test_a_meter_of_whole_hours_may_step_by_one(s: Record) -> None:
    signals.take_hours(s, 0.0, 100.0)
    assert signals.take_hours(s, 60.0, 101.0) == 1.0


def test_hours_after_a_silence_may_have_gained_as_much_as_it_lasted(s: Record) -> None:
    signals.take_hours(s, 0.0, 100.0)
    assert signals.take_hours(s, 4 * 3600.0, 103.9) == pytest.approx(3.9)


def test_repeats_are_told_from_a_unit_at_rest(s: Record) -> None:
    row = (80.0, 900.0, 100.0, NAN)
    assert signals.stale_s(s, 0.0, *row) == 0.0
    assert not signals.repeats(s, 60.0, 10.0, *row), "short of the time that a steady machine may look steady"
    assert signals.repeats(s, signals.REPEATING_S + 1.0, 10.0, *row), "unreported signals are the same too"
    assert not signals.repeats(s, 120.0, 60.0, *row), "the second of two a minute apart"
    assert not signals.repeats(s, signals.REPEATING_S + 1.0, 10.0, 80.1, *row[1:])


def test_what_was_repeated_counts_as_silence_once_it_changes(s: Record) -> None:
    signals.stale_s(s, 0.0, 80.0, 900.0, 100.0, 60.0)
    assert signals.stale_s(s, 3600.0, 80.0, 900.0, 100.0, 60.0) == 0.0
    assert signals.stale_s(s, 7200.0, 20.0, 0.0, 100.0, 60.0) == 7200.0


def test_forget_starts_the_recent_past_afresh(s: Record) -> None:
    signals.without_spike(s, 0.0, 80.0, False)
    signals.take_temp(s, 0.0, 80.0, True)
    signals.take_pressure(s, 0.0, 900.0)
    signals.forget(s)
    signals.take_temp(s, 1.0, 10.0, True)
    signals.take_pressure(s, 1.0, 0.0)
    assert (s["smooth_c"], s["valley_c"], s["peak_c"], s["anchor_t"]) == (10.0, 10.0, 10.0, 1.0)
