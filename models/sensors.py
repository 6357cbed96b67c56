"""What the truck's controller makes of the truth: noise, steps, silence, gaps, late and repeated rows.

`observe` turns a `Truth` into `Readings` and the order in which the rows reached the listener.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from ingest.reading import FloatArray, IntArray, Readings
from ingest.units_of_measure import KPA_PER_PSI
from models.climate import relative_humidity_pct
from models.plant import Truth

NOT_AVAILABLE_TEMP_C = 215.0
"""One-byte "not available" at 1 degC a bit from -40, as a careless gateway passes it on."""
NOT_AVAILABLE_KPA = 2040.0
"""The same at 8 kPa a bit."""


@dataclass(frozen=True, kw_only=True)
class Instruments:
    """Sensors, controller and telemetry of one truck."""

    every_s: int = 10
    """Sampling interval, a multiple of the truth's step. [s]"""
    temp_noise_k: float = 0.2
    temp_step_c: float = 0.1
    temp_offset_k: float = 0.0
    temp_lag_s: float = 5.0
    pressure_noise_kpa: float = 1.0
    """Of the electronics, always there."""
    pulsation_kpa: float = 6.0
    """Of the machine while it runs and the port is open."""
    pressure_step_kpa: float = KPA_PER_PSI
    pressure_offset_kpa: float = 0.0
    pressure_top_kpa: float = 1600.0
    """Largest value the controller can send."""
    hours_step_h: float = 0.05
    rh_noise_pct: float = 1.0
    rh_step_pct: float = 1.0
    rh_offset_pct: float = 0.0
    sends_rh: bool = True
    sends_ambient: bool = False
    sends_seq: bool = False
    only_key_on: bool = False
    """Silent while parked."""
    key_before_s: int = 120
    key_after_s: int = 600
    lost_frac: float = 0.001
    """Single rows that never come."""
    missing_frac: float = 0.0
    """Single signals that are not reported."""
    code_frac: float = 0.0
    """Rows in which a bus "not available" code arrives as if it were a value."""
    outages_per_day: float = 0.2
    outage_mean_s: float = 1800.0
    keeps_rows: bool = True
    """Rows of an outage come when it ends; otherwise they are lost."""
    repeated_frac: float = 0.0
    clock_offset_s: float = 0.0
    clock_drift_s_day: float = 0.0
    """Gained a day, set right once a week."""
    meter_replaced_s: int | None = None
    """The hour meter starts again from nothing. [s from the start of the history]"""
    jitter_s: float = 0.0


class SensorFaultKind(enum.StrEnum):
    """Faults that ice has no part in."""

    PRESSURE_FROZEN = "pressure_frozen"
    PRESSURE_LOW_RAIL = "pressure_low_rail"
    PRESSURE_HIGH_RAIL = "pressure_high_rail"
    PRESSURE_DRIFT = "pressure_drift"
    PRESSURE_DEAD = "pressure_dead"
    TEMP_DEAD = "temp_dead"
    STALE = "stale"
    """The gateway repeats old values under new times."""


@dataclass(frozen=True, kw_only=True)
class SensorFault:
    """One fault, seconds from the start of the history."""

    kind: SensorFaultKind
    start_s: int
    end_s: int


@dataclass(frozen=True, kw_only=True)
class Observed:
    """Readings as stored, and as they came."""

    readings: Readings
    arrival_row: IntArray
    """Row of `readings`, in order of arrival, repeats included. Shape (m,), m >= n."""
    arrival_at_ms: IntArray
    """When each arrived. [Unix ms]"""


def observe(
    truth: Truth,
    instruments: Instruments,
    *,
    unit_id: str,
    wanted_spans_s: list[tuple[int, int]],
    faults: tuple[SensorFault, ...] = (),
    rng: np.random.Generator,
) -> Observed:
    """Readings of one unit.

    Raises
    ------
    ValueError
        If the sampling interval is not a multiple of the truth's step.
    """
    stride, rest = divmod(instruments.every_s, truth.step_s)
    if rest or stride < 1:
        raise ValueError(f"every_s {instruments.every_s!r} is not a multiple of step_s {truth.step_s!r}")
    n = len(truth.running)
    rows = np.arange(int(rng.integers(stride)), n, stride)
    rows = rows[_reports(truth, instruments, wanted_spans_s)[rows]]
    rows = rows[rng.random(len(rows)) >= instruments.lost_frac]
    at_s = rows * truth.step_s
    signals = _signals(truth, instruments, rows, rng)
    for fault in faults:
        _apply(fault, signals, at_s, rng)
    _spoil(signals, instruments, rng)
    return _telemetry(truth, instruments, signals, at_s, unit_id, rng)


def _reports(truth: Truth, instruments: Instruments, spans_s: list[tuple[int, int]]) -> NDArray[np.bool_]:
    """Rows at which the controller has power."""
    if not instruments.only_key_on:
        return np.ones(len(truth.running), np.bool_)
    awake = np.zeros(len(truth.running), np.bool_)
    for start_s, end_s in spans_s:
        first = max(0, start_s - instruments.key_before_s) // truth.step_s
        awake[first : (end_s + instruments.key_after_s) // truth.step_s] = True
    return awake


def _stepped(values: FloatArray, step: float) -> FloatArray:
    return np.round(values / step) * step if step > 0.0 else values


def _signals(
    truth: Truth, instruments: Instruments, rows: IntArray, rng: np.random.Generator
) -> dict[str, FloatArray]:
    n = len(rows)
    keep = float(np.exp(-truth.step_s / max(instruments.temp_lag_s, 1e-6)))
    first_c = truth.discharge_temp_c[0]
    lagged_c = first_c + lfilter([1.0 - keep], [1.0, -keep], truth.discharge_temp_c - first_c)
    temp_c = lagged_c[rows] + instruments.temp_offset_k + rng.normal(0.0, instruments.temp_noise_k, n)

    pulsing = truth.running[rows] & (truth.port_ice_g[rows] <= 0.0)
    noise_kpa = rng.normal(0.0, 1.0, n) * (
        instruments.pressure_noise_kpa + np.where(pulsing, instruments.pulsation_kpa, 0.0)
    )
    pressure_kpa = truth.port_pressure_kpa[rows] + instruments.pressure_offset_kpa + noise_kpa
    pressure_kpa = _stepped(pressure_kpa, instruments.pressure_step_kpa)

    rh_pct = relative_humidity_pct(truth.air_temp_c[rows], truth.vapour_pa[rows])
    rh_pct = rh_pct + instruments.rh_offset_pct + rng.normal(0.0, instruments.rh_noise_pct, n)
    rh_pct = np.clip(_stepped(rh_pct, instruments.rh_step_pct), 0.0, 100.0)
    ambient_c = truth.air_temp_c[rows] + rng.normal(0.0, 0.3, n)
    unsent = np.full(n, np.nan)
    # A hair above the step keeps 0.3 / 0.1 from losing a count to binary fractions.
    counts = np.floor(_meter_h(truth, instruments, rows) / instruments.hours_step_h + 1e-9)
    return {
        "discharge_temp_c": _stepped(temp_c, instruments.temp_step_c),
        "pressure_kpa": np.minimum(pressure_kpa, instruments.pressure_top_kpa),
        "hours": np.round(counts * instruments.hours_step_h, 4),
        "ambient_rh_pct": rh_pct if instruments.sends_rh else unsent,
        "ambient_temp_c": _stepped(ambient_c, 0.5) if instruments.sends_ambient else unsent,
    }


def _meter_h(truth: Truth, instruments: Instruments, rows: IntArray) -> FloatArray:
    hours = truth.hours[rows]
    if instruments.meter_replaced_s is None:
        return hours
    at_row = min(instruments.meter_replaced_s // truth.step_s, len(truth.hours) - 1)
    return np.where(rows >= at_row, hours - truth.hours[at_row], hours)


def _apply(
    fault: SensorFault, signals: dict[str, FloatArray], at_s: IntArray, rng: np.random.Generator
) -> None:
    """Change the signals in place between the fault's start and end."""
    first, last = np.searchsorted(at_s, [fault.start_s, fault.end_s])
    if first == last:
        return
    span = slice(int(first), int(last))
    pressure_kpa = signals["pressure_kpa"]
    match fault.kind:
        case SensorFaultKind.PRESSURE_FROZEN:
            pressure_kpa[span] = pressure_kpa[first]
        case SensorFaultKind.PRESSURE_LOW_RAIL:
            pressure_kpa[span] = -25.0 * KPA_PER_PSI
        case SensorFaultKind.PRESSURE_HIGH_RAIL:
            pressure_kpa[span] = 225.0 * KPA_PER_PSI
        case SensorFaultKind.PRESSURE_DRIFT:
            pressure_kpa[span] += rng.choice([-1.0, 1.0]) * np.linspace(
                0.0, rng.uniform(40.0, 250.0), last - first
            )
        case SensorFaultKind.PRESSURE_DEAD:
            pressure_kpa[span] = np.nan
        case SensorFaultKind.TEMP_DEAD:
            signals["discharge_temp_c"][span] = rng.choice([np.nan, NOT_AVAILABLE_TEMP_C, -40.0])
        case SensorFaultKind.STALE:
            for values in signals.values():
                values[span] = values[first]


def _spoil(signals: dict[str, FloatArray], instruments: Instruments, rng: np.random.Generator) -> None:
    """Single signals that are missing or hold a bus code."""
    codes = {"discharge_temp_c": NOT_AVAILABLE_TEMP_C, "pressure_kpa": NOT_AVAILABLE_KPA}
    for name, values in signals.items():
        if instruments.missing_frac > 0.0:
            values[rng.random(len(values)) < instruments.missing_frac] = np.nan
        if instruments.code_frac > 0.0 and name in codes:
            values[rng.random(len(values)) < instruments.code_frac] = codes[name]


def _telemetry(
    truth: Truth,
    instruments: Instruments,
    signals: dict[str, FloatArray],
    at_s: IntArray,
    unit_id: str,
    rng: np.random.Generator,
) -> Observed:
    n = len(at_s)
    true_ms = truth.start_at_ms + 1000 * at_s
    if instruments.jitter_s > 0.0:
        true_ms = true_ms + (1000.0 * rng.uniform(0.0, instruments.jitter_s, n)).astype(np.int64)
    received_ms = true_ms + rng.integers(200, 3000, n)
    lost = np.zeros(n, np.bool_)
    days = len(truth.running) * truth.step_s / 86400.0
    for _ in range(int(rng.poisson(instruments.outages_per_day * days))):
        from_ms = truth.start_at_ms + int(rng.uniform(0.0, days) * 86_400_000)
        to_ms = from_ms + int(1000.0 * rng.exponential(instruments.outage_mean_s))
        first, last = np.searchsorted(true_ms, [from_ms, to_ms])
        if instruments.keeps_rows:
            received_ms[first:last] = np.maximum(
                received_ms[first:last], to_ms + rng.integers(0, 20000, last - first)
            )
        else:
            lost[first:last] = True
    drift_ms = 1000.0 * instruments.clock_drift_s_day * ((at_s / 86400.0) % 7.0)
    observed_ms = true_ms + int(1000.0 * instruments.clock_offset_s) + drift_ms.astype(np.int64)
    seq = np.arange(n, dtype=np.int64) if instruments.sends_seq else np.full(n, -1, np.int64)
    # Setting the clock back makes instants come twice; the first of each stays, as in the store.
    kept = ~lost
    kept[1:] &= observed_ms[1:] > np.maximum.accumulate(observed_ms)[:-1]
    readings = Readings(
        unit_id=unit_id,
        observed_at_ms=observed_ms[kept],
        received_at_ms=received_ms[kept],
        seq=seq[kept],
        quality=np.zeros(int(kept.sum()), np.int64),
        discharge_temp_c=signals["discharge_temp_c"][kept],
        pressure_kpa=signals["pressure_kpa"][kept],
        hours=signals["hours"][kept],
        ambient_rh_pct=signals["ambient_rh_pct"][kept],
        ambient_temp_c=signals["ambient_temp_c"][kept],
    )
    return _arrivals(readings, instruments, rng)


def _arrivals(readings: Readings, instruments: Instruments, rng: np.random.Generator) -> Observed:
    """Order of arrival; repeated rows come again some seconds to hours later."""
    again = np.flatnonzero(rng.random(len(readings)) < instruments.repeated_frac)
    later_ms = readings.received_at_ms[again] + (1000.0 * rng.lognormal(4.0, 2.0, len(again))).astype(
        np.int64
    )
    row = np.concatenate([np.arange(len(readings)), again])
    at_ms = np.concatenate([readings.received_at_ms, later_ms])
    order = np.argsort(at_ms, kind="stable")
    return Observed(readings=readings, arrival_row=row[order], arrival_at_ms=at_ms[order])
