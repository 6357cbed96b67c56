"""Sensors and telemetry: what they round off, lose, delay and repeat, and that they invent nothing else."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest

from ingest.units_of_measure import KPA_PER_PSI
from models.plant import FAST, Duty, Faults, Truth, Weather, simulate
from models.sensors import (
    NOT_AVAILABLE_KPA,
    NOT_AVAILABLE_TEMP_C,
    Instruments,
    Observed,
    SensorFault,
    SensorFaultKind,
    observe,
)

SPANS = [(3600, 7200), (40000, 41000)]
EXACT = Instruments(
    temp_noise_k=0.0,
    temp_step_c=0.0,
    temp_lag_s=0.0,
    pressure_noise_kpa=0.0,
    pulsation_kpa=0.0,
    pressure_step_kpa=0.0,
    lost_frac=0.0,
    outages_per_day=0.0,
)


@functools.cache
def day() -> Truth:
    return simulate(
        FAST,
        weather=Weather(step_s=3600.0, temp_c=np.full(26, 12.0), vapour_pa=np.full(26, 900.0)),
        duty=Duty(
            change_s=np.array([3600, 7200, 40000, 41000]),
            demand_frac=np.array([0.6, -1.0, 0.3, -1.0]),
            drain_s=np.empty(0, np.int64),
        ),
        faults=Faults.none(),
        start_at_ms=1_700_000_000_000,
        duration_s=86400,
        start_hours=100.0,
    )


def observed(instruments: Instruments, *faults: SensorFault, seed: int = 0) -> Observed:
    return observe(
        day(),
        instruments,
        unit_id="unit",
        wanted_spans_s=SPANS,
        faults=faults,
        rng=np.random.default_rng(seed),
    )


def test_observe_perfect_instruments_show_the_truth() -> None:
    readings, truth = observed(EXACT).readings, day()
    assert len(readings) == len(truth.running)
    assert np.array_equal(readings.observed_at_ms, truth.observed_at_ms)
    assert readings.discharge_temp_c == pytest.approx(truth.discharge_temp_c, abs=1e-6)
    assert readings.pressure_kpa == pytest.approx(truth.port_pressure_kpa)
    assert (readings.received_at_ms > readings.observed_at_ms).all()
    assert np.isnan(readings.ambient_temp_c).all()
    assert (readings.seq == -1).all()


@pytest.mark.parametrize("step", [1.0, KPA_PER_PSI, 4.0, 8.0])
def test_observe_rounds_to_the_sensors_steps(step: float) -> None:
    readings = observed(replace(EXACT, temp_step_c=1.0, pressure_step_kpa=step)).readings
    for values, size in ((readings.pressure_kpa, step), (readings.discharge_temp_c, 1.0)):
        assert values / size == pytest.approx(np.round(values / size), abs=1e-9)
    assert np.abs(readings.pressure_kpa - day().port_pressure_kpa).max() <= step / 2 + 1e-9


def test_observe_hour_meter_counts_whole_steps_of_running_time() -> None:
    hours = observed(replace(EXACT, hours_step_h=0.1)).readings.hours
    assert hours[0] == 100.0
    assert set(np.round(np.diff(hours), 4).tolist()) <= {0.0, 0.1}
    # 3600 s and 1000 s of running make 1.277 h, shown as 1.2.
    assert hours[-1] == pytest.approx(101.2)


def test_observe_key_on_controller_is_silent_while_parked() -> None:
    readings = observed(replace(EXACT, only_key_on=True, key_before_s=60, key_after_s=300)).readings
    at_s = (readings.observed_at_ms - day().start_at_ms) // 1000
    awake = np.zeros(len(at_s), np.bool_)
    for start_s, end_s in SPANS:
        awake |= (at_s >= start_s - 60) & (at_s < end_s + 300)
    assert awake.all()
    assert len(at_s) == pytest.approx((3600 + 1000 + 2 * 360) / 10, abs=2)


def test_observe_sampling_interval_must_fit_the_truth() -> None:
    with pytest.raises(ValueError, match="every_s 15 is not a multiple of step_s 10"):
        observed(replace(EXACT, every_s=15))


def test_observe_outage_delays_or_loses_rows() -> None:
    often = replace(EXACT, outages_per_day=6.0, outage_mean_s=5000.0)
    late = observed(often, seed=3).readings
    lost = observed(replace(often, keeps_rows=False), seed=3).readings
    delay_ms = late.received_at_ms - late.observed_at_ms
    assert len(late) == len(day().running)
    assert delay_ms.max() > 1_000_000
    assert len(lost) < len(late)


def test_observe_arrivals_hold_every_row_and_repeat_some() -> None:
    result = observed(replace(EXACT, repeated_frac=0.1, outages_per_day=3.0), seed=4)
    counts = np.bincount(result.arrival_row, minlength=len(result.readings))
    assert counts.min() == 1
    assert counts.max() == 2
    assert (counts == 2).mean() == pytest.approx(0.1, abs=0.02)
    assert (np.diff(result.arrival_at_ms) >= 0).all()


def test_observe_bus_codes_arrive_as_values() -> None:
    """SAE J1939: one byte of 255 is "not available"; at 1 degC a bit from -40, and at 8 kPa a bit."""
    assert NOT_AVAILABLE_TEMP_C == 255 * 1.0 - 40.0
    assert NOT_AVAILABLE_KPA == 255 * 8.0
    readings = observed(replace(EXACT, code_frac=0.01)).readings
    assert (readings.discharge_temp_c == NOT_AVAILABLE_TEMP_C).any()
    assert (readings.pressure_kpa == NOT_AVAILABLE_KPA).any()


@pytest.mark.parametrize("kind", SensorFaultKind)
def test_observe_fault_touches_only_its_own_time_and_signal(kind: SensorFaultKind) -> None:
    clean = observed(EXACT).readings
    faulty = observed(EXACT, SensorFault(kind=kind, start_s=4000, end_s=41000)).readings
    at_s = (clean.observed_at_ms - day().start_at_ms) // 1000
    within = (at_s >= 4000) & (at_s < 41000)
    for name in ("discharge_temp_c", "pressure_kpa", "hours", "ambient_rh_pct"):
        before, after = getattr(clean, name), getattr(faulty, name)
        if name != "ambient_rh_pct":
            assert np.array_equal(before[~within], after[~within])
    changed = {
        name
        for name in ("discharge_temp_c", "pressure_kpa", "hours")
        if not np.array_equal(getattr(clean, name), getattr(faulty, name), equal_nan=True)
    }
    expected = {
        SensorFaultKind.TEMP_DEAD: {"discharge_temp_c"},
        SensorFaultKind.STALE: {"discharge_temp_c", "pressure_kpa", "hours"},
    }.get(kind, {"pressure_kpa"})
    assert changed == expected


def test_observe_frozen_pressure_stands_while_temperature_moves() -> None:
    fault = SensorFault(kind=SensorFaultKind.PRESSURE_FROZEN, start_s=6000, end_s=60000)
    readings = observed(EXACT, fault).readings
    at_s = (readings.observed_at_ms - day().start_at_ms) // 1000
    within = (at_s >= 6000) & (at_s < 60000)
    assert np.ptp(readings.pressure_kpa[within]) == 0.0
    assert np.ptp(readings.discharge_temp_c[within]) > 20.0


def test_observe_pulsation_vanishes_when_stopped() -> None:
    readings = observed(replace(EXACT, pulsation_kpa=8.0, pressure_noise_kpa=0.5)).readings
    stopped = ~day().running & (day().port_pressure_kpa < 1.0)
    assert np.std(readings.pressure_kpa[stopped]) == pytest.approx(0.5, abs=0.1)
    running = day().running & (day().pressure_kpa > 900.0)
    residual_kpa = (readings.pressure_kpa - day().port_pressure_kpa)[running]
    assert np.std(residual_kpa) == pytest.approx(8.5, abs=1.5)


def test_observe_replaced_hour_meter_starts_from_nothing() -> None:
    readings = observed(replace(EXACT, meter_replaced_s=20000)).readings
    at_s = (readings.observed_at_ms - day().start_at_ms) // 1000
    assert readings.hours[at_s < 20000][-1] == pytest.approx(101.0)
    assert readings.hours[at_s >= 20000][0] == 0.0
    # 1000 s of running after the change make 0.277 h, shown as 0.25.
    assert readings.hours[-1] == pytest.approx(0.25)


@pytest.mark.parametrize("drift_s_day", [-20.0, 20.0])
def test_observe_drifting_clock_never_shows_an_instant_twice(drift_s_day: float) -> None:
    readings = observed(replace(EXACT, clock_drift_s_day=drift_s_day)).readings
    assert (np.diff(readings.observed_at_ms) > 0).all()
    shift_s = (readings.observed_at_ms[-1] - day().observed_at_ms[-1]) / 1000.0
    assert shift_s == pytest.approx(drift_s_day, abs=0.02)
