"""Who may claim that a unit goes wrong: the shipped models, and beside them what they must beat.

A detector sees what the truck sent and the runs that the engine made of it, never the hidden truth. The
technician's rules look at the same runs and the same estimate of the air as the models do, so that a
difference between the two is one of judgement alone.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from ingest.profile import UnitProfile
from ingest.reading import FloatArray, Readings
from ingest.units_of_measure import MS_PER_S
from models.event_matching import S_PER_DAY, Told
from models.records import Finding, Pattern, Run

WEEK_S = 7.0 * S_PER_DAY


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What a detector may look at."""

    profile: UnitProfile
    readings: Readings
    runs: tuple[Run, ...]
    """In order of their starts; the last may still turn."""
    findings: tuple[Finding, ...]
    """What the engine found with the models under test."""


class Detector(Protocol):
    """Anything that can be held against the truth."""

    @property
    def name(self) -> str:
        """What the tables call it."""

    def told(self, seen: Seen) -> list[Told]:
        """Every finding over a unit's history, none of them from readings later than its `flagged_s`."""


@dataclass(frozen=True)
class Models:
    """The engine's own findings, as live operation would have told them."""

    name: str = "models"

    def told(self, seen: Seen) -> list[Told]:
        """The findings of the engine's fold."""
        return [
            Told(
                unit_id=finding.unit_id,
                pattern=finding.pattern,
                start_s=finding.start_at.timestamp(),
                end_s=_end_s(finding.end_at),
                flagged_s=finding.first_flagged_at.timestamp(),
            )
            for finding in seen.findings
        ]


SHORT_S, COOL_C, TOO_OFTEN = 900.0, 65.0, 4
DRYING_S, DRYING_C = 1200.0, 80.0
WARM_UP_S = 1200.0
"""A quarter to half an hour is what the trade allows for a warm-up (common practice: 20 to 30 min)."""
FREEZING_C = 0.0
FILLED_S, BLOWN_DOWN_S = 180.0, 1800.0
WARMED_K = 5.0


@dataclass(frozen=True)
class Technician:
    """The rules that a good technician would write on a card, with fixed figures (common practice).

    Short-cycling: four runs in seven days shorter than 15 min that stayed below 65 degC; over after 20 min of
    run that reached 80 degC. Never reaching temperature: below 65 degC all through the first 20 min of a run;
    over with a run that gets there. Icing: air at or below freezing, and no pressure 3 min into a run whose
    oil has warmed by 5 K, or pressure half an hour after the stop.
    """

    name: str = "technician's rules"

    def told(self, seen: Seen) -> list[Told]:
        """Findings by the three rules."""
        runs = [run for run in seen.runs if run.end_at is not None]
        return [*_short_cycling(seen, runs), *_never_hot(seen, runs), *_icing(seen, runs)]


def _end_s(end_at: dt.datetime | None) -> float:
    return math.inf if end_at is None else end_at.timestamp()


def _told(seen: Seen, pattern: Pattern, start_s: float, end_s: float, flagged_s: float) -> Told:
    return Told(
        unit_id=seen.readings.unit_id, pattern=pattern, start_s=start_s, end_s=end_s, flagged_s=flagged_s
    )


def _short_cycling(seen: Seen, runs: list[Run]) -> Iterator[Told]:
    cool: list[Run] = []
    open_since: tuple[float, float] | None = None
    for run in runs:
        start_s, end_s = run.start_at.timestamp(), _end_s(run.end_at)
        if end_s - start_s >= DRYING_S and run.peak_temp_c >= DRYING_C:
            if open_since:
                yield _told(seen, Pattern.SHORT_CYCLING, open_since[0], end_s, open_since[1])
            cool, open_since = [], None
        elif end_s - start_s < SHORT_S and run.peak_temp_c < COOL_C:
            cool = [r for r in cool if end_s - r.start_at.timestamp() <= WEEK_S] + [run]
            if open_since is None and len(cool) >= TOO_OFTEN:
                open_since = (cool[0].start_at.timestamp(), end_s)
    if open_since:
        yield _told(seen, Pattern.SHORT_CYCLING, open_since[0], math.inf, open_since[1])


def _never_hot(seen: Seen, runs: list[Run]) -> Iterator[Told]:
    at_s, temp_c = _signal(seen.readings, seen.readings.discharge_temp_c)
    open_since: tuple[float, float] | None = None
    last_s = math.nan
    for run in runs:
        start_s, end_s = run.start_at.timestamp(), _end_s(run.end_at)
        first, decided, last = np.searchsorted(at_s, [start_s, start_s + WARM_UP_S, end_s])
        if open_since and run.peak_temp_c >= COOL_C:
            yield _told(seen, Pattern.NEVER_REACHING_TEMPERATURE, open_since[0], last_s, open_since[1])
            open_since = None
        if first < decided < last and temp_c[first : decided + 1].max() < COOL_C:
            open_since = open_since or (start_s, float(at_s[decided]))
            last_s = end_s
    if open_since:
        yield _told(seen, Pattern.NEVER_REACHING_TEMPERATURE, open_since[0], math.inf, open_since[1])


def _signal(readings: Readings, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Instants and values of a signal where it came and is possible. [Unix s]"""
    known = np.isfinite(values) & (readings.quality == 0)
    return readings.observed_at_ms[known] / float(MS_PER_S), values[known]


def _icing(seen: Seen, runs: list[Run]) -> Iterator[Told]:
    at_s, pressure_kpa = _signal(seen.readings, seen.readings.pressure_kpa)
    charged_kpa = 0.14 * seen.profile.max_pressure_kpa
    next_starts_s = [*(run.start_at.timestamp() for run in runs[1:]), math.inf]
    for run, next_s in zip(runs, next_starts_s, strict=False):
        if run.ambient_temp_c > FREEZING_C:
            continue
        end_s = _end_s(run.end_at)
        telling_s = max(run.start_at.timestamp() + FILLED_S, _warmed_s(seen.readings, run))
        flat = (at_s >= telling_s) & (at_s <= end_s) & (pressure_kpa < charged_kpa)
        held = (at_s >= end_s + BLOWN_DOWN_S) & (at_s < next_s) & (pressure_kpa >= charged_kpa)
        for wrong in (flat, held):
            rows = np.flatnonzero(wrong)
            if len(rows):
                first_s, last_s = float(at_s[rows[0]]), float(at_s[rows[-1]])
                yield _told(seen, Pattern.PRESSURE_SENSOR_ICING, first_s, last_s, first_s)


def _warmed_s(readings: Readings, run: Run) -> float:
    """When the run's oil had clearly warmed; inf if it never did. [Unix s]"""
    at_s, temp_c = _signal(readings, readings.discharge_temp_c)
    first, last = np.searchsorted(at_s, [run.start_at.timestamp(), _end_s(run.end_at)])
    warm = np.flatnonzero(temp_c[first:last] >= run.start_temp_c + WARMED_K)
    return float(at_s[first + warm[0]]) if len(warm) else math.inf
