"""Kinds of machine, crew, site and telemetry a simulated fleet is drawn from.

Training and held-out fleets share no machine family, climate or crew, so that a model is examined on
machines of another kind than it has seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ingest.units_of_measure import KPA_PER_PSI
from models.plant import Faults, Machine
from models.sensors import Instruments, SensorFault, SensorFaultKind

DAY_S = 86400


def _scaled(machine: Machine, gpm: float, rng: np.random.Generator) -> Machine:
    """Hydraulic flow drives it: air and power go with the flow, and every port is different."""
    speed = gpm / 18.0
    return machine._replace(
        free_air_m3_s=machine.free_air_m3_s * speed * rng.uniform(0.95, 1.05),
        shaft_w=machine.shaft_w * speed * rng.uniform(0.93, 1.07),
        cooler_w_k=machine.cooler_w_k * rng.uniform(0.75, 1.35),
        case_w_k=machine.case_w_k * rng.uniform(0.7, 1.5),
        cooler_still_frac=rng.uniform(0.15, 0.6),
        frame_j_k=machine.frame_j_k * rng.uniform(0.6, 1.8),
        loop_frame_w_k=machine.loop_frame_w_k * rng.uniform(0.6, 1.5),
        min_pressure_valve_kpa=rng.uniform(345.0, 415.0),
        line_leak_s=float(rng.choice([1800.0, 14400.0, 86400.0])),
        blowdown_s=rng.uniform(6.0, 25.0) if rng.random() < 0.9 else rng.uniform(40.0, 120.0),
        enclosure_rise_k=rng.uniform(0.0, 8.0),
        port_gain_frac=float(np.exp(rng.uniform(np.log(0.004), np.log(0.3)))),
        port_lag_s=rng.uniform(300.0, 2400.0),
        port_wetting_g_h=float(np.exp(rng.uniform(np.log(0.03), np.log(0.5)))),
        port_drain_s=float(np.exp(rng.uniform(np.log(20_000.0), np.log(1_000_000.0)))),
        port_freeze_c=rng.uniform(-4.0, -0.5),
        port_w_k=rng.uniform(0.015, 0.08),
        port_plug_g=rng.uniform(0.3, 0.8),
        restart_kpa=rng.uniform(70.0, 140.0),
        start_unloaded_s=float(rng.choice([0.0, 0.0, 5.0, 15.0])),
    )


def _modulating(rng: np.random.Generator, loop_kj_k: tuple[float, float]) -> Machine:
    return Machine(
        band_kpa=rng.uniform(40.0, 100.0),
        loop_j_k=1000.0 * rng.uniform(*loop_kj_k),
        dry_effectiveness=float(np.exp(rng.uniform(np.log(0.04), np.log(0.35)))),
        idle_power_frac=rng.uniform(0.6, 0.75),
        valve_open_c=rng.uniform(74.0, 81.0),
        valve_span_k=rng.uniform(8.0, 14.0),
        valve_leak_frac=rng.uniform(0.01, 0.05),
        line_m3=rng.uniform(0.005, 0.04),
    )


def _load_unload(
    rng: np.random.Generator, receiver_l: tuple[float, float], loop_kj_k: tuple[float, float]
) -> Machine:
    return _modulating(rng, loop_kj_k)._replace(
        load_unload=True,
        band_kpa=rng.uniform(30.0, 70.0),
        reload_drop_kpa=rng.uniform(70.0, 170.0),
        unloaded_kpa=rng.uniform(220.0, 400.0),
        unloaded_bleed_s=rng.uniform(8.0, 30.0),
        idle_power_frac=rng.uniform(0.2, 0.35),
        line_m3=0.001 * rng.uniform(*receiver_l),
    )


def _slow_valve(rng: np.random.Generator) -> Machine:
    return _modulating(rng, (55.0, 150.0))._replace(
        valve_open_c=rng.uniform(70.0, 84.0),
        valve_span_k=rng.uniform(5.0, 18.0),
        valve_hysteresis_k=rng.uniform(1.0, 6.0),
        valve_lag_s=rng.uniform(20.0, 90.0),
        rated_kpa=rng.uniform(860.0, 1100.0),
    )


def _wide(rng: np.random.Generator) -> Machine:
    """Any thermal loop that could be built, so that no model learns the constants of the few families."""
    loop_kj_k = float(np.exp(rng.uniform(np.log(18.0), np.log(170.0))))
    machine = (
        _modulating(rng, (loop_kj_k, loop_kj_k))
        if rng.random() < 0.5
        else _load_unload(rng, (20.0, 400.0), (loop_kj_k, loop_kj_k))
    )
    return machine._replace(
        valve_open_c=rng.uniform(66.0, 88.0),
        valve_span_k=rng.uniform(4.0, 20.0),
        valve_leak_frac=rng.uniform(0.0, 0.08),
        valve_hysteresis_k=rng.uniform(0.0, 6.0),
        valve_lag_s=rng.uniform(0.0, 120.0),
        idle_power_frac=machine.idle_power_frac * rng.uniform(0.8, 1.2),
        rated_kpa=rng.uniform(800.0, 1100.0),
        sump_gas_m3=rng.uniform(0.005, 0.02),
    )


MACHINES: dict[str, Callable[[np.random.Generator], Machine]] = {
    "modulating_light": lambda rng: _modulating(rng, (28.0, 60.0)),
    "modulating_heavy": lambda rng: _modulating(rng, (60.0, 120.0)),
    "load_unload": lambda rng: _load_unload(rng, (60.0, 200.0), (35.0, 110.0)),
    "wide": _wide,
    "modulating_slow_valve": _slow_valve,
    "load_unload_large": lambda rng: _load_unload(rng, (150.0, 400.0), (90.0, 160.0)),
    "compact": lambda rng: _modulating(rng, (20.0, 35.0))._replace(frame_j_k=12000.0, sump_gas_m3=0.006),
}


def machine(family: str, gpm: float, rng: np.random.Generator) -> Machine:
    """One machine of a family at a hydraulic flow. [US gal/min]"""
    return _scaled(MACHINES[family](rng), gpm, rng)


@dataclass(frozen=True, kw_only=True)
class FleetKind:
    """What a fleet is drawn from."""

    families: tuple[str, ...]
    climates: tuple[str, ...]
    operators: tuple[str, ...]


KINDS = {
    "training": FleetKind(
        families=("modulating_light", "modulating_heavy", "load_unload", "wide", "wide", "wide"),
        climates=("humid_warm", "temperate", "cold"),
        operators=(
            "all_day",
            "sessions",
            "bursts",
            "bursts_then_work",
            "top_up",
            "light_long",
            "idle_exercised",
            "idle",
            "mixed",
        ),
    ),
    "held_out": FleetKind(
        families=("modulating_slow_valve", "load_unload_large", "compact"),
        climates=("marine", "mountain", "hot_dry", "continental"),
        operators=(
            "crew_shifts",
            "steady_work",
            "sparse_bursts",
            "bursts_exercised",
            "idle_exercised_wrong",
            "quick_jobs",
            "long_light_shift",
        ),
    ),
}

CYCLING_OPERATORS = frozenset(
    {"bursts", "bursts_then_work", "sparse_bursts", "bursts_exercised", "quick_jobs", "idle_exercised_wrong"}
)
"""Crews who may ruin a machine with short runs, weather permitting."""
LONG_OPERATORS = frozenset(
    {"all_day", "sessions", "light_long", "mixed", "bursts_then_work", "crew_shifts", "steady_work"}
    | {"long_light_shift"}
)
"""Crews whose runs are long enough to show a valve that lets no heat build."""


def valve_fault(days: int, rng: np.random.Generator) -> tuple[str, Faults]:
    """A thermal valve that jams open: how it came about, and when how far."""
    how = str(rng.choice(["sudden", "wearing_in", "intermittent", "recovering"]))
    onset_s = int(rng.uniform(0.0, 0.6) * days * DAY_S)
    full = float(rng.uniform(0.35, 1.0)) if rng.random() < 0.4 else 1.0
    if how == "sudden":
        steps = [(onset_s, full)]
    elif how == "wearing_in":
        n = int(rng.integers(8, 30))
        steps = [(onset_s + i * DAY_S // 2, full * (i + 1) / n) for i in range(n)]
    elif how == "recovering":
        steps = [(onset_s, full), (onset_s + int(rng.uniform(2.0, 10.0) * DAY_S), 0.0)]
    else:
        steps, at_s, jammed = [], float(onset_s), True
        while at_s < days * DAY_S:
            steps.append((int(at_s), full if jammed else 0.0))
            at_s += rng.exponential(1.5 if jammed else 2.5) * DAY_S + 3600.0
            jammed = not jammed
    return how, Faults(
        change_s=np.array([s for s, _ in steps], np.int64),
        stuck_open_frac=np.array([f for _, f in steps], np.float64),
    )


def instruments(rng: np.random.Generator, kind: str) -> Instruments:
    """One truck's sensors and telemetry."""
    every_s = int(
        rng.choice([5, 10, 10, 10, 20, 30, 60] if kind == "training" else [5, 10, 15, 30, 60, 120, 300])
    )
    one_byte = rng.random() < 0.03
    return Instruments(
        every_s=every_s,
        temp_noise_k=rng.uniform(0.05, 0.6),
        temp_step_c=float(rng.choice([0.03125, 0.1, 1.0])),
        temp_offset_k=rng.normal(0.0, 0.7),
        temp_lag_s=rng.uniform(2.0, 30.0),
        pressure_noise_kpa=rng.uniform(0.2, 2.5),
        pulsation_kpa=rng.uniform(1.0, 12.0),
        pressure_step_kpa=4.0 if one_byte else float(rng.choice([0.5, KPA_PER_PSI, KPA_PER_PSI, 8.0])),
        pressure_offset_kpa=rng.normal(0.0, 6.0),
        # One byte at 4 kPa a bit ends below rated pressure.
        pressure_top_kpa=1000.0 if one_byte else 1600.0,
        hours_step_h=float(rng.choice([0.01, 0.05, 0.05, 0.1])),
        rh_noise_pct=rng.uniform(0.2, 2.0),
        rh_step_pct=float(rng.choice([0.4, 1.0])),
        rh_offset_pct=rng.normal(0.0, 2.5),
        sends_rh=rng.random() < 0.93,
        sends_ambient=rng.random() < 0.15,
        sends_seq=rng.random() < 0.25,
        only_key_on=rng.random() < 0.35,
        key_before_s=int(rng.uniform(30.0, 1800.0)),
        key_after_s=int(rng.uniform(60.0, 3600.0)),
        lost_frac=float(rng.choice([0.0, 0.001, 0.02])),
        missing_frac=float(rng.choice([0.0, 0.0, 0.002])),
        code_frac=float(rng.choice([0.0, 0.0, 0.0005])),
        outages_per_day=float(rng.choice([0.0, 0.2, 1.0])),
        outage_mean_s=float(rng.choice([900.0, 3600.0, 20000.0])),
        keeps_rows=rng.random() < 0.7,
        repeated_frac=float(rng.choice([0.0, 0.0, 0.02])),
        clock_offset_s=float(rng.choice([0.0, 0.0, rng.uniform(-90.0, 90.0)])),
        jitter_s=float(rng.choice([0.0, 0.5])),
        clock_drift_s_day=float(rng.choice([0.0, 0.0, rng.normal(0.0, 3.0)])),
        meter_replaced_s=int(rng.uniform(1.0, 28.0) * DAY_S) if rng.random() < 0.02 else None,
    )


def sensor_fault(days: int, rng: np.random.Generator) -> SensorFault:
    """A fault that ice has no part in."""
    kind = SensorFaultKind(str(rng.choice([k.value for k in SensorFaultKind])))
    longest_d = {SensorFaultKind.STALE: 1.2, SensorFaultKind.TEMP_DEAD: 0.5}.get(kind, 8.0)
    start_s = int(rng.uniform(0.05, 0.9) * days * DAY_S)
    return SensorFault(kind=kind, start_s=start_s, end_s=start_s + int(rng.uniform(0.04, longest_d) * DAY_S))
