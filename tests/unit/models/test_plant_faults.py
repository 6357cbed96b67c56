"""Faults of cooling and pressure in the simulated machine, against energy and mass balances done by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from models.faulty_fleets import BUILDS_SLOWLY, OVERHEATS, MachineFault, faulty_unit
from models.plant import FAST, Duty, Faults, Machine, Truth, Weather, simulate
from models.plant_steps import saturation_pa

ATM_KPA = 101.325


def history(
    machine: Machine = FAST,
    *,
    air_c: float = 21.0,
    legs: tuple[tuple[int, float], ...] = ((0, 1.0),),
    minutes: int = 120,
    **parts: float,
) -> Truth:
    """One machine in constant dry air from cold; `parts` are the fault columns, constant."""
    hours = minutes // 60 + 2
    return simulate(
        machine,
        weather=Weather(
            step_s=3600.0,
            temp_c=np.full(hours, air_c),
            vapour_pa=np.full(hours, 0.05 * saturation_pa(air_c)),
        ),
        duty=Duty(
            change_s=np.array([60 * at for at, _ in legs]),
            demand_frac=np.array([demand for _, demand in legs]),
            drain_s=np.empty(0, np.int64),
        ),
        faults=Faults(
            change_s=np.array([0]),
            stuck_open_frac=np.array([0.0]),
            **{name: np.array([value]) for name, value in parts.items()},
        ),
        start_at_ms=0,
        duration_s=60 * minutes,
        step_s=1,
    )


@pytest.mark.parametrize("cooler_frac", [1.0, 0.7, 0.5])
def test_where_a_blocked_cooler_settles_is_the_balance_of_heat(cooler_frac: float) -> None:
    """Shaft power over all conductances: cooler with the valve wide open, delivered air, and frame to case in
    series; the air's flow is the nameplate's at 1.006 kJ/kgK."""
    truth = history(FAST._replace(valve_open_c=10.0), minutes=900, cooler_frac=cooler_frac)
    air_kg_s = FAST.free_air_m3_s * ATM_KPA * 1000.0 / (287.042 * 294.15)
    case_w_k = 1.0 / (1.0 / FAST.loop_frame_w_k + 1.0 / FAST.case_w_k)
    lost_w_k = cooler_frac * FAST.cooler_w_k + air_kg_s * 1006.0 + case_w_k
    assert truth.discharge_temp_c[-1] - 21.0 == pytest.approx(FAST.shaft_w / lost_w_k, rel=0.01)


def test_a_standing_fan_drives_it_into_the_switch_and_it_stays_off_until_let_go() -> None:
    machine = FAST._replace(shutdown_c=113.0)
    truth = history(machine, legs=((0, 1.0), (60, -1.0), (100, 1.0)), minutes=140, cooler_frac=0.1)
    first, second = truth.runs
    assert first.end_s < 3600
    assert first.peak_temp_c == pytest.approx(113.0, abs=0.5)
    assert not truth.running[first.end_s + 5 : 6000].any()
    assert second.start_s == 6000


def test_without_a_switch_it_goes_on_heating() -> None:
    truth = history(cooler_frac=0.1)
    assert truth.runs[0].end_s == 7200
    assert truth.runs[0].peak_temp_c > 120.0


def test_a_leak_is_a_tool_that_nobody_holds() -> None:
    leaking, drawn = history(legs=((0, 0.3),), leak_frac=0.3), history(legs=((0, 0.6),))
    for field in ("pressure_kpa", "discharge_temp_c", "flow_frac", "water_g"):
        np.testing.assert_allclose(getattr(leaking, field), getattr(drawn, field), atol=1e-9)


@pytest.mark.parametrize("air_frac", [1.0, 0.5, 0.25])
def test_less_air_fills_the_receiver_slower(air_frac: float) -> None:
    """Boyle: sump and receiver hold their volume times gauge over atmospheric pressure of free air."""
    machine = FAST._replace(line_m3=0.2, line_leak_s=1e9)
    truth = history(machine, legs=((0, 0.0),), minutes=10, air_frac=air_frac)
    target_kpa = 900.0
    took_s = float(np.argmax(truth.pressure_kpa >= target_kpa))
    free_m3 = (machine.sump_gas_m3 + machine.line_m3) * target_kpa / ATM_KPA
    assert took_s == pytest.approx(free_m3 / (air_frac * machine.free_air_m3_s), rel=0.03, abs=2.0)


def test_what_is_not_told_is_healthy() -> None:
    told = history(legs=((0, 0.5),), cooler_frac=1.0, air_frac=1.0, leak_frac=0.0)
    untold = history(legs=((0, 0.5),))
    for field in dataclasses.fields(Truth):
        if field.name not in ("runs", "start_at_ms", "step_s"):
            np.testing.assert_array_equal(getattr(told, field.name), getattr(untold, field.name))


@pytest.mark.parametrize("kind", MachineFault)
def test_a_faulty_unit_has_its_fault_and_no_other(kind: MachineFault) -> None:
    unit = faulty_unit(3, 0, kind, days=10)
    faults = unit.spec.faults
    assert unit.spec.tags == {kind.value}
    assert unit.spec.sensor_faults == ()
    assert (faults.cooler_frac is not None) == (kind in OVERHEATS)
    assert (faults.air_frac is not None or faults.leak_frac is not None) == (kind in BUILDS_SLOWLY)
    assert (len(faults.change_s) == 0) == (kind is MachineFault.NONE)
    assert np.all(faults.table[:, 1:] >= 0.0)
    again = faulty_unit(3, 0, kind, days=10)
    np.testing.assert_array_equal(again.readings.pressure_kpa, unit.readings.pressure_kpa)
