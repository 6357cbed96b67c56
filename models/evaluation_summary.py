"""An evaluation as data: the tables, the targets, and what the models under test were made of."""

from __future__ import annotations

import platform
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numba
import numpy as np
import scipy
import sklearn
from numpy.typing import NDArray

from models import evaluation_calibration as calibration
from models import evaluation_detection as detection
from models import evaluation_physics as physics
from models.artefact import PatternModels
from models.evaluation_faults import beyond, faults
from models.evaluation_forecast import BANDS, forecasts
from models.evaluation_foretold import Foretold, hot_inside, level_inside
from models.evaluation_grids import Column, Grid, readable
from models.evaluation_unit import UnitEvidence
from models.forecast import ForecastCard
from models.intervals import FEWEST_UNITS, LEVEL, RESAMPLES, Figure, share
from models.machine_families import KINDS
from models.records import Pattern

DIGITS = 6
"""Significant digits that are kept of a figure: more than any of them is sure of."""


class ModelLine(msgspec.Struct, frozen=True, kw_only=True):
    """What a model under test was made of."""

    pattern: Pattern
    features: tuple[str, ...]
    threshold: float
    seed: int
    data_fingerprint: str
    figures: dict[str, float]


class Target(msgspec.Struct, frozen=True, kw_only=True):
    """A figure that was asked for, and what came out."""

    name: str
    at_least: float | None = None
    at_most: float | None = None
    percent: bool = False
    digits: int = 1
    reached: Figure

    @property
    def verdict(self) -> str:
        """Whether the whole interval keeps to the target, part of it, or none."""
        value, low, high = self.reached.value, self.reached.low, self.reached.high
        if value is None:
            return "not shown"
        if low is None or high is None:
            return f"{'reached' if self._keeps(value) else 'missed'}, too few units to be sure"
        if self._keeps(low) and self._keeps(high):
            return "reached"
        if self._keeps(value):
            return "reached, but part of the interval is not"
        return (
            "missed, but part of the interval is not" if self._keeps(low) or self._keeps(high) else "missed"
        )

    def _keeps(self, value: float) -> bool:
        enough = self.at_least is None or value >= self.at_least
        return enough and (self.at_most is None or value <= self.at_most)


class Evaluation(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that the model card shows."""

    seed: int
    n_units: int
    days: int
    level: float
    resamples: int
    fewest_units: int
    versions: dict[str, str]
    models: tuple[ModelLine, ...]
    forecast: ForecastCard
    targets: tuple[Target, ...]
    grids: dict[str, Grid]


Units = Sequence[UnitEvidence]


def summary(
    held_out: Units,
    same_kind: Units,
    one_fault: Units,
    models: PatternModels,
    *,
    detectors: Sequence[str],
    seed: int,
    days: int,
) -> Evaluation:
    """Tables of the fleets; the first of `detectors` is the one with the models under test."""
    tested = detectors[0]
    everyone = [*held_out, *same_kind, *one_fault]
    grids = {
        "fleets": fleets(held_out, same_kind, one_fault),
        "air_hourly": physics.air_hourly(held_out),
        "air_of_runs": physics.air_of_runs(held_out),
        "runs": physics.runs(held_out),
        "forecasts": forecasts([*held_out, *one_fault]),
        "run_confidence": physics.run_confidence(held_out),
        "hot_and_air": physics.hot_and_air(held_out),
        "water": physics.water(held_out),
        "balance": physics.balance(everyone),
        "detection": detection.headline(held_out, detectors),
        "detection_same_kind": detection.headline(same_kind, detectors),
        "lateness": detection.lateness(held_out, detectors),
        "severity": detection.by_severity(held_out, tested),
        "brier": calibration.brier(held_out),
        "faults": faults(everyone, tested),
        "beyond": beyond(everyone, tested),
    }
    for pattern in detection.LABELLED:
        grids[f"groups_{pattern.value}"] = detection.by_group(held_out, pattern, tested)
        grids[f"calibration_{pattern.value}"] = calibration.calibration(held_out, pattern)
    return Evaluation(
        seed=seed,
        n_units=len(held_out),
        days=days,
        level=LEVEL,
        resamples=RESAMPLES,
        fewest_units=FEWEST_UNITS,
        versions={
            "python": platform.python_version(),
            "numpy": np.__version__,
            "scipy": scipy.__version__,
            "scikit-learn": sklearn.__version__,
            "numba": numba.__version__,
        },
        forecast=models.forecast.card,
        models=tuple(model_line(models, pattern) for pattern in sorted(models.of)),
        targets=(*_targets(held_out, tested), *forecast_targets([*held_out, *one_fault])),
        grids=grids,
    )


def model_line(models: PatternModels, pattern: Pattern) -> ModelLine:
    """What the card tells of one model."""
    card = models.of[pattern].card
    return ModelLine(
        pattern=pattern,
        features=card.features,
        threshold=card.threshold,
        seed=card.seed,
        data_fingerprint=card.data_fingerprint,
        figures=card.figures,
    )


MOST_DELAY = {
    Pattern.SHORT_CYCLING: (3.0, "wet runs until told, median"),
    Pattern.NEVER_REACHING_TEMPERATURE: (12.0, "minutes from the start of the run, median"),
    Pattern.PRESSURE_SENSOR_ICING: (30.0, "minutes from the first wrong reading, median"),
}
LEAST_SHARE = 0.95
MOST_FALSE_PER_UNIT_MONTH = 0.02
FIRST_MINUTE = 8
COVERAGE_BAND = (0.85, 0.95)


def _targets(units: Units, detector: str) -> list[Target]:
    out = []
    for pattern in detection.LABELLED:
        scores = [detection.unit_score(unit, pattern, detector) for unit in units]
        name, (most, measure) = readable(pattern), MOST_DELAY[pattern]
        out += [
            Target(name=f"{name}: {what}", at_least=LEAST_SHARE, percent=True, reached=figure)
            for what, figure in (
                ("recall", detection.recall(scores)),
                ("precision", detection.precision(scores)),
            )
        ]
        out.append(
            Target(
                name=f"{name}: false alarms per unit-month",
                at_most=MOST_FALSE_PER_UNIT_MONTH,
                digits=3,
                reached=detection.false_alarms(scores, units),
            )
        )
        out.append(
            Target(name=f"{name}: {measure}", at_most=most, reached=detection.own_delay(scores, pattern, 0.5))
        )
    return out


def forecast_targets(units: Units) -> Iterator[Target]:
    """Coverage of the warm-up forecast at the first minute, and in the minutes where it is farthest off."""
    said = [unit.foretold for unit in units]
    for what, inside in (("level", level_inside), ("time to hot", hot_inside)):
        yield _coverage(f"at minute {FIRST_MINUTE}: {what}", [one.at(FIRST_MINUTE) for one in said], inside)
        later = [
            _coverage(
                f"in minutes {first} to {last}: {what}", [one.between(first, last) for one in said], inside
            )
            for first, last in BANDS
        ]
        yield max(later, key=lambda target: abs((target.reached.value or LEVEL) - LEVEL))


def _coverage(
    where: str, said: Sequence[Foretold], inside: Callable[[Foretold], NDArray[np.bool_]]
) -> Target:
    return Target(
        name=f"warm-up forecast {where} within its 90 % interval",
        at_least=COVERAGE_BAND[0],
        at_most=COVERAGE_BAND[1],
        percent=True,
        reached=share([inside(one).sum() for one in said], [len(one.level_c) for one in said]),
    )


def fleets(held_out: Units, same_kind: Units, one_fault: Units) -> Grid:
    """What the fleets are made of."""
    rows = []
    for name, kind, units in (
        ("unseen kinds", "held_out", held_out),
        ("same kinds as in training, other units", "training", same_kind),
        ("unseen kinds, one fault of cooling or pressure each, or none", "held_out", one_fault),
    ):
        drawn = KINDS[kind]
        labelled = Counter(o.pattern for unit in units for o in unit.occurrences if not o.marginal)
        rows.append(
            (
                name,
                len(units),
                Figure(value=sum(unit.months for unit in units)),
                sum(unit.readings for unit in units),
                sum(unit.runs.shown for unit in units),
                ", ".join(map(readable, drawn.families)),
                ", ".join(map(readable, drawn.climates)),
                ", ".join(map(readable, drawn.operators)),
                ", ".join(f"{labelled[p]} {readable(p)}" for p in detection.LABELLED),
            )
        )
    columns = (
        Column("fleet"),
        Column("units"),
        Column("unit-months", 1),
        Column("readings"),
        Column("runs"),
        Column("machines"),
        Column("climates"),
        Column("crews"),
        Column("clear occurrences"),
    )
    return Grid(columns, tuple(rows))


def encode(evaluation: Evaluation) -> bytes:
    """As JSON, figures rounded so that only what has changed differs from one version to the next."""
    plain = msgspec.to_builtins(evaluation)
    return msgspec.json.format(msgspec.json.encode(_rounded(plain)), indent=1) + b"\n"


def decode(stored: bytes) -> Evaluation:
    """From JSON.

    Raises
    ------
    msgspec.ValidationError
        If it is no evaluation of this version of the program.
    """
    return msgspec.json.decode(stored, type=Evaluation)


def read(path: Path) -> Evaluation:
    """From a file of JSON."""
    return decode(path.read_bytes())


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}")
    if isinstance(value, dict):
        return {name: _rounded(inner) for name, inner in value.items()}
    return [_rounded(inner) for inner in value] if isinstance(value, list | tuple) else value
