"""What of a simulated unit's hidden truth its readings show, on the truck's own clock.

Nobody can find what no reading shows: runs in a gap, ice behind a dead sensor. Such things count neither for
nor against.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.reading import FloatArray, IntArray, Readings
from ingest.units_of_measure import MS_PER_S
from models.event_matching import S_PER_DAY, Occurrence
from models.faulty_fleets import MachineFault
from models.fleets import FleetUnit
from models.labels import LONG_RUN_S, TWIN_RATIO, WRONG_KPA, Label
from models.overheat import REGION_C
from models.plant import RunTruth, Truth
from models.records import Pattern
from models.sensors import SensorFaultKind

SHOWN_ROWS, SHOWN_S = 3, 60.0
"""A run with fewer readings than this, or shorter, can't be missed."""
SHOWN_SHARE = 0.7
"""Of a run's readings that must have come for it to show that it never got hot."""
SHOWN_WET_RUNS = 4
"""Wet runs with a reading inside that short-cycling needs to be seen: as many as its meaning asks for."""
SHOWN_WRONG_ROWS = 8
JAMMED_FRAC = 0.3
"""Of the oil that goes through the cooler whatever its temperature, from which a valve is called jammed."""
JAMMED_VALVE = "jammed_valve"
"""Kind of the fault span of a thermal valve that lets oil through the cooler at any temperature."""
IN_REGION = "in_shutdown_region"
"""Kind of the span in which the discharge is truly where switches stop a unit, whatever brought it there."""
IN_REGION_APART_S = 3600.0
HIDES_TEMP = frozenset({SensorFaultKind.STALE, SensorFaultKind.TEMP_DEAD})
HIDES_PRESSURE = frozenset(SensorFaultKind) - {SensorFaultKind.TEMP_DEAD, SensorFaultKind.PRESSURE_DRIFT}


class Clock:
    """True time to the truck's time and back, for one unit."""

    def __init__(self, unit: FleetUnit) -> None:
        self._offset_s = unit.start_at_ms / MS_PER_S + unit.spec.instruments.clock_offset_s
        self._start_s = unit.start_at_ms / MS_PER_S
        self._drift_s_day = unit.spec.instruments.clock_drift_s_day

    def shown_s(self, elapsed_s: float) -> float:
        """What the truck's clock says at a second of the history. [Unix s]"""
        return self._offset_s + elapsed_s + self._drift_s_day * ((elapsed_s / S_PER_DAY) % 7.0)

    def elapsed_s(self, at_ms: int) -> float:
        """Seconds from the start of the history to a true instant. [Unix ms]"""
        return at_ms / MS_PER_S - self._start_s

    def shown_of_ms(self, at_ms: int) -> float:
        """What the truck's clock says at a true instant given in Unix ms. [Unix s]"""
        return self.shown_s(self.elapsed_s(at_ms))

    def rows(self, shown_s: FloatArray, truth: Truth) -> IntArray:
        """Rows of the truth nearest to instants of the truck's clock; shape as given."""
        elapsed_s = shown_s - self._offset_s
        elapsed_s = elapsed_s - self._drift_s_day * ((elapsed_s / S_PER_DAY) % 7.0)
        rows: IntArray = np.rint(elapsed_s / truth.step_s).astype(np.int64)
        return np.clip(rows, 0, len(truth.running) - 1)


@dataclass(frozen=True, kw_only=True)
class TrueRun:
    """A true run on the truck's clock. [Unix s]"""

    truth: RunTruth
    start_s: float
    end_s: float
    rows: int
    """Honest readings inside."""

    @property
    def shown(self) -> bool:
        """Whether there was enough of it to see."""
        return self.rows >= SHOWN_ROWS and self.end_s - self.start_s >= SHOWN_S


@dataclass(frozen=True, kw_only=True)
class FaultSpan:
    """One fault of a sensor, a valve, of cooling or of pressure, on the truck's clock. [Unix s]"""

    kind: str
    start_s: float
    end_s: float


def fault_spans(unit: FleetUnit) -> tuple[FaultSpan, ...]:
    """Every such fault that a unit was given, from its onset on, whether it shows or not."""
    clock = Clock(unit)
    spans = [
        FaultSpan(kind=f.kind.value, start_s=clock.shown_s(f.start_s), end_s=clock.shown_s(f.end_s))
        for f in unit.spec.sensor_faults
    ]
    jammed = unit.spec.faults.stuck_open_frac > 0.0
    if jammed.any():
        change_s = unit.spec.faults.change_s
        freed_s = clock.elapsed_s(unit.end_at_ms) if jammed[-1] else float(change_s[-1])
        start_s = float(change_s[jammed][0])
        spans.append(
            FaultSpan(kind=JAMMED_VALVE, start_s=clock.shown_s(start_s), end_s=clock.shown_s(freed_s))
        )
    for kind in set(MachineFault) - {MachineFault.NONE}:
        if kind.value in unit.spec.tags:
            onset_s, end_s = float(unit.spec.faults.change_s[0]), clock.elapsed_s(unit.end_at_ms)
            spans.append(
                FaultSpan(kind=kind.value, start_s=clock.shown_s(onset_s), end_s=clock.shown_s(end_s))
            )
    return (*spans, *_in_region(unit, clock))


def _in_region(unit: FleetUnit, clock: Clock) -> Iterator[FaultSpan]:
    """When a unit that keeps its truth ran in the shutdown region; what is less than an hour apart is one."""
    if unit.truth is None:
        return
    at_s = np.flatnonzero(unit.truth.discharge_temp_c >= REGION_C) * float(unit.truth.step_s)
    for part in np.split(at_s, np.flatnonzero(np.diff(at_s) > IN_REGION_APART_S) + 1):
        if len(part):
            start_s, end_s = clock.shown_s(float(part[0])), clock.shown_s(float(part[-1]))
            yield FaultSpan(kind=IN_REGION, start_s=start_s, end_s=end_s)


def true_runs(unit: FleetUnit, readings: Readings) -> tuple[TrueRun, ...]:
    """Every true run with the honest readings inside it."""
    clock = Clock(unit)
    at_s = _at_s(readings)[_honest(unit, readings, HIDES_TEMP)]
    out = []
    for run in unit.runs:
        start_s, end_s = clock.shown_s(run.start_s), clock.shown_s(run.end_s)
        first, last = np.searchsorted(at_s, [start_s, end_s])
        out.append(TrueRun(truth=run, start_s=start_s, end_s=end_s, rows=int(last - first)))
    return tuple(out)


def occurrences(
    unit: FleetUnit, readings: Readings, truth: Truth, runs: tuple[TrueRun, ...]
) -> tuple[tuple[Occurrence, ...], tuple[bool, ...]]:
    """True occurrences on the truck's clock, and for each whether readings show it.

    What no reading shows is marginal: nobody could have found it, and whoever guessed it is not wrong.
    """
    clock = Clock(unit)
    wrong_s = _wrong_s(unit, readings, truth)
    shown = tuple(_shown(label, clock, runs, wrong_s, unit.spec.instruments.every_s) for label in unit.labels)
    labelled = tuple(_on_clock(label, clock, seen) for label, seen in zip(unit.labels, shown, strict=True))
    undecided = tuple(_undecided(unit, run) for run in runs if _is_undecided(run.truth))
    return labelled + undecided, shown + (True,) * len(undecided)


def _is_undecided(run: RunTruth) -> bool:
    """Whether whoever judges during a run can't know that it will be no finding by its meaning.

    The valve is jammed and a sound twin had been hot, when someone stopped it too soon to decide; or it got
    hot at last, after a stretch that met the whole meaning.
    """
    twin_s = run.twin_first_hot_s
    if twin_s is None:
        return False
    if run.first_hot_s is None:
        return run.stuck_frac_peak >= JAMMED_FRAC and run.duration_s > twin_s
    return run.first_hot_s > max(LONG_RUN_S, TWIN_RATIO * twin_s)


def _undecided(unit: FleetUnit, run: TrueRun) -> Occurrence:
    return Occurrence(
        unit_id=unit.profile.unit_id,
        pattern=Pattern.NEVER_REACHING_TEMPERATURE,
        start_s=run.start_s,
        end_s=run.end_s,
        marginal=True,
        decidable_s=run.start_s,
        moments_s=(run.start_s,),
    )


def _on_clock(label: Label, clock: Clock, shown: bool) -> Occurrence:
    def at_s(at_ms: int) -> float:
        return clock.shown_of_ms(at_ms)

    return Occurrence(
        unit_id=label.unit_id,
        pattern=label.pattern,
        start_s=at_s(label.start_at_ms),
        end_s=at_s(label.end_at_ms),
        marginal=label.marginal or not shown,
        decidable_s=at_s(label.decidable_at_ms),
        moments_s=tuple(at_s(at_ms) for at_ms in label.moments_at_ms),
        harm_s=None if label.harm_at_ms is None else at_s(label.harm_at_ms),
        severity=label.severity,
    )


def _shown(label: Label, clock: Clock, runs: tuple[TrueRun, ...], wrong_s: FloatArray, every_s: int) -> bool:
    moments_s = {clock.shown_of_ms(at_ms) for at_ms in label.moments_at_ms}
    if label.pattern is Pattern.SHORT_CYCLING:
        return sum(run.rows > 0 for run in runs if run.end_s in moments_s) >= SHOWN_WET_RUNS
    if label.pattern is Pattern.NEVER_REACHING_TEMPERATURE:
        return any(
            run.rows * every_s >= SHOWN_SHARE * (run.end_s - run.start_s)
            for run in runs
            if run.start_s in moments_s
        )
    ends_ms = (label.start_at_ms, label.end_at_ms)
    first, last = np.searchsorted(wrong_s, [clock.shown_of_ms(at_ms) for at_ms in ends_ms])
    return bool(last - first >= SHOWN_WRONG_ROWS)


def _at_s(readings: Readings) -> FloatArray:
    return readings.observed_at_ms / float(MS_PER_S)


def _honest(unit: FleetUnit, readings: Readings, hides: frozenset[SensorFaultKind]) -> NDArray[np.bool_]:
    """Readings that no sensor fault of these kinds has spoilt."""
    clock, at_s = Clock(unit), _at_s(readings)
    honest = np.ones(len(readings), np.bool_)
    for fault in unit.spec.sensor_faults:
        if fault.kind in hides:
            honest &= (at_s < clock.shown_s(fault.start_s)) | (at_s > clock.shown_s(fault.end_s))
    return honest


def _wrong_s(unit: FleetUnit, readings: Readings, truth: Truth) -> FloatArray:
    """Instants of honest readings that ice makes wrong. [Unix s]"""
    at_s = _at_s(readings)[_honest(unit, readings, HIDES_PRESSURE)]
    rows = Clock(unit).rows(at_s, truth)
    error_kpa = np.abs(truth.port_pressure_kpa[rows] - truth.pressure_kpa[rows])
    return at_s[(error_kpa > WRONG_KPA) & (truth.port_ice_g[rows] > 0.0)]
