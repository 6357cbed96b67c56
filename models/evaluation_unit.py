"""One simulated unit through the engine, beside its hidden truth: what the tables of the evaluation count.

The history is folded hour by hour, as live operation would. Pure; called once a unit by the evaluation.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.reading import FloatArray, Readings
from ingest.units_of_measure import MS_PER_H, MS_PER_S
from models import engine
from models.artefact import PatternModels
from models.detectors import Detector, Seen
from models.evaluation_foretold import Foretold, foretold
from models.evaluation_truth import Clock, FaultSpan, TrueRun, fault_spans, occurrences, true_runs
from models.event_matching import MONTH_S, Occurrence, Told, match_runs, within_errors
from models.fleets import DAY_MS, FleetUnit
from models.parameters import Parameters
from models.plant import Truth
from models.records import Pattern, Run
from models.replay import Collector
from models.state import Record
from models.training import as_judged_at_the_door, labelled, unit_rows

LEAST_M3 = 0.5
"""Free air below which a ratio says nothing. [m3]"""


@dataclass(frozen=True, kw_only=True)
class Air:
    """Estimated less true air temperature, and the error that the engine claims; shape (n,) each."""

    error_k: FloatArray
    sigma_k: FloatArray


@dataclass(frozen=True, kw_only=True)
class Runs:
    """True runs against found ones: counts, and one value for each matched run."""

    shown: int
    missed: int
    found: int
    invented: int
    split: int
    merged: int
    start_error_s: FloatArray
    end_error_s: FloatArray
    hot: int
    """Matched runs that truly got hot."""
    hot_unseen: int
    hot_invented: int
    to_hot_error_min: FloatArray
    delivered_ratio: FloatArray
    """Estimated over true free air."""
    confidence: FloatArray
    """Of each found run that is over, true or not."""
    within: NDArray[np.bool_]
    """Whether it is a true one, with both edges within the errors it states."""


@dataclass(frozen=True, kw_only=True)
class Water:
    """Retained water at the end of each day, shape (days,) each. [g]"""

    true_g: FloatArray
    best_g: FloatArray
    low_g: FloatArray
    high_g: FloatArray
    harmful_g: float
    unreported: int
    """Days of which the engine said nothing."""
    residual_g: FloatArray
    """Misfit of each run's water: start + in - out - carried over - end."""
    jump_g: FloatArray
    """Change of water between the end of each run and the start of the next."""


@dataclass(frozen=True, kw_only=True)
class Moments:
    """Probability and truth at the decision moments of one pattern; shape (n,) each."""

    probability: FloatArray
    truth: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class UnitEvidence:
    """All that is counted of one unit."""

    unit_id: str
    family: str
    climate: str
    operator: str
    tags: frozenset[str]
    """What makes the unit special, for scores by confounder."""
    every_s: int
    months: float
    until_s: float
    """End of the history. [Unix s]"""
    readings: int
    air_hourly: Air
    air_of_runs: Air
    runs: Runs
    water: Water
    occurrences: tuple[Occurrence, ...]
    faults: tuple[FaultSpan, ...]
    """Faults of sensors, of cooling and of pressure."""
    shown: tuple[bool, ...]
    """For each occurrence whether readings show it; what none shows is marginal."""
    told: dict[str, tuple[Told, ...]]
    """Findings by name of the detector."""
    moments: dict[Pattern, Moments]
    foretold: Foretold


def unit_evidence(
    unit: FleetUnit, parameters: Parameters, models: PatternModels, detectors: Sequence[Detector]
) -> UnitEvidence:
    """Fold one unit and hold what comes out against its truth.

    Raises
    ------
    ValueError
        If the unit was simulated without keeping its truth.
    """
    truth = unit.truth
    if truth is None:
        raise ValueError(f"unit {unit.profile.unit_id!r} was simulated without keep_truth")
    readings = as_judged_at_the_door(unit.readings)
    found, hourly = _followed(unit, readings, parameters, models)
    rows = unit_rows(unit, parameters)
    runs = tuple(run for _, run in sorted(found.runs.items()))
    true = true_runs(unit, readings)
    seen = Seen(profile=unit.profile, readings=readings, runs=runs, findings=tuple(found.findings.values()))
    true_ones, shown = occurrences(unit, readings, truth, true)
    of_runs = np.array(
        [(run.last_at.timestamp(), run.ambient_temp_c, run.ambient_error_k) for run in runs]
    ).reshape(-1, 3)
    return UnitEvidence(
        unit_id=unit.profile.unit_id,
        family=unit.spec.family,
        climate=unit.spec.climate.name,
        operator=unit.spec.operator.name,
        tags=tags(unit),
        every_s=unit.spec.instruments.every_s,
        months=(unit.end_at_ms - unit.start_at_ms) / MS_PER_S / MONTH_S,
        until_s=unit.end_at_ms / MS_PER_S,
        readings=len(readings),
        air_hourly=_air(hourly, Clock(unit), truth),
        air_of_runs=_air(of_runs, Clock(unit), truth),
        runs=_runs(true, runs, unit.spec.instruments.every_s),
        water=_water(unit, found, runs, truth, parameters),
        faults=fault_spans(unit),
        occurrences=true_ones,
        shown=shown,
        told={detector.name: tuple(detector.told(seen)) for detector in detectors},
        moments=_moments(unit, rows, models),
        foretold=foretold(unit, rows, models.forecast),
    )


def tags(unit: FleetUnit) -> frozenset[str]:
    """What makes a unit special: its own tags, and what of its telemetry and crew confounds."""
    sent, crew = unit.spec.instruments, unit.spec.operator
    more = {
        "no_humidity_sent": not sent.sends_rh,
        "air_temperature_sent": sent.sends_ambient,
        "silent_while_parked": sent.only_key_on,
        "outages_lose_rows": sent.outages_per_day > 0.0 and not sent.keeps_rows,
        "bus_codes": sent.code_frac > 0.0,
        "clock_wrong": sent.clock_offset_s != 0.0 or sent.clock_drift_s_day != 0.0,
        "meter_replaced": sent.meter_replaced_s is not None,
        "whole_degrees": sent.temp_step_c >= 1.0,
        "drained_unrecorded": crew.drain_days > 0.0,
        "cold_kit": unit.profile.cold_weather_kit,
        "wet_at_first_sight": unit.spec.start_water_g > 0.0,
        "sensor_fault": bool(unit.spec.sensor_faults),
    }
    return unit.spec.tags | {name for name, holds in more.items() if holds}


def _followed(
    unit: FleetUnit, readings: Readings, parameters: Parameters, models: PatternModels
) -> tuple[Collector, FloatArray]:
    """What the engine found; and hourly the instant of a reading [Unix s], the air [degC], its error [K]."""
    state, found = engine.initial_state(unit.profile.unit_id), Collector()
    hours_ms = np.arange(unit.start_at_ms, unit.end_at_ms + DAY_MS, MS_PER_H)
    hourly = []
    edges = np.unique(np.searchsorted(readings.observed_at_ms, hours_ms))
    for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        state, events = engine.advance(state, readings[first:last], unit.profile, parameters, models)
        found.take(events)
        stands = engine.status(state, unit.profile, parameters, models)
        if stands is not None and math.isfinite(stands.ambient_temp_c):
            hourly.append((stands.observed_at.timestamp(), stands.ambient_temp_c, stands.ambient_error_k))
    found.take(engine.unfinished(state, models))
    return found, np.array(hourly).reshape(-1, 3)


def _air(said: FloatArray, clock: Clock, truth: Truth) -> Air:
    rows = clock.rows(said[:, 0], truth)
    known = np.isfinite(said[:, 1])
    return Air(error_k=(said[:, 1] - truth.air_temp_c[rows])[known], sigma_k=said[known, 2])


def _runs(true: tuple[TrueRun, ...], found: tuple[Run, ...], every_s: float) -> Runs:
    found_s = np.array(
        [(r.start_at.timestamp(), r.end_at.timestamp() if r.end_at else math.inf) for r in found]
    ).reshape(-1, 2)
    true_s = np.array([(r.start_s, r.end_s) for r in true]).reshape(-1, 2)
    error_s = np.array([(r.start_error_s, r.end_error_s) for r in found], float).reshape(-1, 2)
    over = np.isfinite(found_s[:, 1])
    met = match_runs(true_s, found_s, every_s)
    pairs = [(t, found[j]) for t, j in zip(true, met.best, strict=True) if j >= 0 and t.shown]
    ended = [(t, f) for t, f in pairs if f.end_at is not None]
    hot = [(t.truth.first_hot_s, f.time_to_hot_min) for t, f in pairs]
    air = [(f.delivered_m3, t.truth.delivered_m3) for t, f in ended if t.truth.delivered_m3 >= LEAST_M3]
    return Runs(
        shown=sum(t.shown for t in true),
        missed=sum(t.shown and j < 0 for t, j in zip(true, met.best, strict=True)),
        found=len(found),
        invented=len(met.invented),
        split=met.split,
        merged=met.merged,
        start_error_s=np.array([f.start_at.timestamp() - t.start_s for t, f in ended]),
        end_error_s=np.array([f.end_at.timestamp() - t.end_s for t, f in ended if f.end_at]),
        hot=sum(a is not None for a, _ in hot),
        hot_unseen=sum(a is not None and b is None for a, b in hot),
        hot_invented=sum(a is None and b is not None for a, b in hot),
        to_hot_error_min=np.array([b - a / 60.0 for a, b in hot if a is not None and b is not None]),
        delivered_ratio=np.array([said / true_m3 for said, true_m3 in air]),
        confidence=np.array([f.confidence for f in found if f.end_at is not None]),
        within=within_errors(found_s[over], error_s[over], true_s, every_s),
    )


def _water(
    unit: FleetUnit, found: Collector, runs: tuple[Run, ...], truth: Truth, parameters: Parameters
) -> Water:
    first_day, end_day = unit.start_at_ms // DAY_MS, unit.end_at_ms // DAY_MS
    said = {day.date.toordinal(): day for day in found.water_days.values()}
    # 1970-01-01 is day 719163 of the proleptic calendar.
    reported = [day for day in range(first_day, end_day) if day + 719163 in said]
    ends_ms = np.array([(day + 1) * DAY_MS for day in reported], np.int64)
    rows = np.minimum((ends_ms - unit.start_at_ms) // (1000 * truth.step_s), len(truth.water_g) - 1)
    days = [said[day + 719163] for day in reported]
    return Water(
        true_g=truth.water_g[rows],
        best_g=np.array([day.grams for day in days]),
        low_g=np.array([day.low for day in days]),
        high_g=np.array([day.high for day in days]),
        harmful_g=1000.0 * parameters.harmful_water_fraction * unit.profile.oil_charge_kg,
        unreported=end_day - first_day - len(reported),
        residual_g=np.array([_residual_g(run) for run in runs]),
        jump_g=np.array([b.water_start_g - a.water_end_g for a, b in itertools.pairwise(runs)]),
    )


def _residual_g(run: Run) -> float:
    gone_g = run.water_out_g + run.water_carried_over_g
    return run.water_start_g + run.water_in_g - gone_g - run.water_end_g


def _moments(unit: FleetUnit, rows: Record, models: PatternModels) -> dict[Pattern, Moments]:
    """Those of full weight: what is marginal or undecided by its meaning says nothing about a probability."""
    out = {}
    for pattern, table in labelled(unit, rows, 0).items():
        sure = table.weight == 1.0
        features = table.features[sure]
        said = models.of[pattern].probability(features) if len(features) else np.zeros(0)
        out[pattern] = Moments(probability=said, truth=table.truth[sure])
    return out
