"""Training: simulated fleets through the engine's own fold, labelled from hidden truth.

Each row is a decision moment exactly as live operation would meet it. A label says what was truly so (or
truly coming, for short-cycling), never what a signal crossed. Only this, evaluation, the demo and tests know
the plant.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import GradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import SplineTransformer, StandardScaler

from ingest.quality import judge_columns
from ingest.reading import FloatArray, IntArray, Readings
from ingest.units_of_measure import MS_PER_S
from models.artefact import ModelCard, PatternModel, PatternModels, save_model
from models.engine import decision_rows
from models.fleets import FleetUnit, fleet_unit
from models.forecast import save_forecaster
from models.forecast_training import ForecastTable, fit_forecaster, forecast_table, unknown_apart
from models.labels import TWIN_RATIO, Label
from models.novelty import save_novelty
from models.novelty_training import train_novelty
from models.parameters import Parameters
from models.patterns import LEARNT
from models.records import Pattern
from models.run_confidence import save_run_confidence
from models.run_confidence_training import RunTable, fit_run_confidence, run_table
from models.skops_file import data_fingerprint, versions
from models.state import WARMING, Record

NEAR_S = 240.0
"""How far the engine's start of a run may lie from the true one and still be the same run."""
MARGINAL_WEIGHT = 0.2
WARM_TWIN_C = (7.0, 40.0)
"""Above what an estimate of freezing air may err by, up to the hottest yards. [degC]"""
SELDOM_S = (120, 300)
"""Paces at which many trucks report, and none of the training fleet. [s]"""
SEED = 20260101
N_UNITS = 600
DAYS = 30
ENOUGH_MOMENTS = 50

BOOSTING = {"n_estimators": 120, "max_depth": 3, "min_samples_leaf": 50, "subsample": 0.5, "max_features": 8}
"""Shallow trees: a warm-up is told by a few quantities together, which no sum of curves in one each can."""
KNOTS = 5
STRENGTH = 0.1
"""Inverse regularisation of the logistic regression. [-]"""
THRESHOLDS = {
    Pattern.SHORT_CYCLING: 0.6,
    Pattern.NEVER_REACHING_TEMPERATURE: 0.8,
    Pattern.PRESSURE_SENSOR_ICING: 0.5,
}
"""Probability from which a finding is opened. Ice is dangerous, so a doubt is told at even odds; for the
other two a wasted visit weighs more than a day's delay."""


@dataclass(frozen=True, kw_only=True)
class Table:
    """Labelled decision moments of one pattern, columns of shape (n,)."""

    features: FloatArray
    """Shape (n, number of features)."""
    truth: NDArray[np.bool_]
    weight: FloatArray
    group: IntArray
    """Which unit, so that no unit stands on both sides of a split."""
    at_s: FloatArray

    @property
    def fingerprint(self) -> str:
        """Short hash of the data."""
        return data_fingerprint(self.features, self.truth, self.weight, self.group)

    @staticmethod
    def joined(parts: Iterable[Table]) -> Table:
        """Tables one after another."""
        parts = list(parts)
        return Table(
            **{
                name: np.concatenate([getattr(part, name) for part in parts])
                for name in ("features", "truth", "weight", "group", "at_s")
            }
        )


@dataclass(frozen=True, kw_only=True)
class Tables:
    """All that a fleet teaches."""

    of: dict[Pattern, Table]
    forecast: ForecastTable
    runs: RunTable


def unit_rows(unit: FleetUnit, parameters: Parameters) -> Record:
    """Decision moments of one simulated unit as the engine meets them."""
    return decision_rows(as_judged_at_the_door(unit.readings), unit.profile, parameters)[1]


def labelled(unit: FleetUnit, rows: Record, group: int) -> dict[Pattern, Table]:
    """Decision moments of one simulated unit by pattern, with what was true of them."""
    tables = {pattern: _table(pattern, rows, unit.labels, group) for pattern in LEARNT}
    warming = Pattern.NEVER_REACHING_TEMPERATURE
    tables[warming] = _without_undecided(tables[warming], rows[rows["kind"] == WARMING], unit)
    return tables


def as_judged_at_the_door(readings: Readings) -> Readings:
    """The same readings with the quality flags that the listener would have given them."""
    return replace(readings, quality=readings.quality | judge_columns(readings))


def _table(pattern: Pattern, rows: Record, labels: Iterable[Label], group: int) -> Table:
    kind, columns = LEARNT[pattern].JUDGED_AT, LEARNT[pattern].COLUMNS
    rows = rows[rows["kind"] == kind]
    if pattern is Pattern.SHORT_CYCLING:
        rows = rows[rows["features"][:, columns.index("wet")] > 0]
    truth = np.zeros(len(rows), bool)
    weight = np.ones(len(rows))
    for label in labels:
        if label.pattern is not pattern:
            continue
        inside = _inside(label, rows)
        truth |= inside
        weight[inside & label.marginal] = MARGINAL_WEIGHT
    return Table(
        features=rows["features"][:, [columns.index(name) for name in LEARNT[pattern].FEATURES]].copy(),
        truth=truth,
        weight=weight,
        group=np.full(len(rows), group),
        at_s=rows["t"].copy(),
    )


def _without_undecided(table: Table, rows: Record, unit: FleetUnit) -> Table:
    """Weigh out moments of runs that a healthy twin had long outdone, yet that are no finding by its meaning.

    They ended just too soon, or got hot at last, late and barely: to call the machine well would be as wrong
    as to call it sick.
    """
    offset_s = unit.start_at_ms / MS_PER_S + unit.spec.instruments.clock_offset_s
    weight = table.weight.copy()
    for run in unit.runs:
        if run.twin_first_hot_s is None:
            continue
        near = np.abs(rows["run_start_t"] - offset_s - run.start_s) <= NEAR_S
        outdone = rows["t"] - rows["run_start_t"] > TWIN_RATIO * run.twin_first_hot_s
        weight[near & outdone & ~table.truth] = 0.0
    return replace(table, weight=weight)


def with_warm_twins(table: Table, rng: np.random.Generator) -> Table:
    """For each doubt of a pressure sensor the same doubt in warm weather, where it can't be ice.

    Water freezes at 0 degC in every simulator and in none of them above: the one thing about icing that is
    sure. Without this the few failed transducers of a simulated fleet would have to teach it.
    """
    names = LEARNT[Pattern.PRESSURE_SENSOR_ICING].FEATURES
    features = table.features.copy()
    features[:, names.index("ambient_c")] = rng.uniform(WARM_TWIN_C[0], WARM_TWIN_C[1], len(features))
    features[:, names.index("cold_low_c")] = np.nan
    features[:, names.index("cold_h")] = 0.0
    twins = replace(table, features=features, truth=np.zeros(len(features), bool))
    return Table.joined([table, twins])


def _inside(label: Label, rows: Record) -> NDArray[np.bool_]:
    if label.pattern is Pattern.NEVER_REACHING_TEMPERATURE:
        starts_s = np.array(label.moments_at_ms) / float(MS_PER_S)
        near = np.abs(rows["run_start_t"][:, None] - starts_s[None, :]) <= NEAR_S
        return np.asarray(near.any(axis=1))
    start_s, end_s = label.start_at_ms / MS_PER_S, label.end_at_ms / MS_PER_S
    return np.asarray((rows["t"] >= start_s - NEAR_S) & (rows["t"] <= end_s + NEAR_S))


def thinned(unit: FleetUnit, every_s: int) -> FleetUnit:
    """The same unit as if its truck reported at most so often; with the same truth."""
    at_ms = unit.readings.observed_at_ms
    kept = np.unique(at_ms // (MS_PER_S * every_s), return_index=True)[1]
    return replace(unit, readings=unit.readings[kept])


def forecast_tables(unit: FleetUnit, rows: Record, parameters: Parameters, group: int) -> ForecastTable:
    """Warm-ups of one simulated unit, as its own truck shows them and as trucks that seldom report would.

    From a reading every five minutes a fit knows less than it claims: what that is worth must be learnt too.
    """
    table = forecast_table(unit, rows, group)
    paces_s = [
        every_s for every_s in SELDOM_S if len(table.level_c) and every_s > unit.spec.instruments.every_s
    ]
    twins = [thinned(unit, every_s) for every_s in paces_s]
    return ForecastTable.joined(
        [table, *(forecast_table(twin, unit_rows(twin, parameters), group) for twin in twins)]
    )


def _simulated(index: int, *, seed: int, days: int, kind: str, parameters: Parameters) -> Tables:
    unit = fleet_unit(seed, index, days=days, kind=kind, keep_truth=True)
    runs, rows = decision_rows(as_judged_at_the_door(unit.readings), unit.profile, parameters)
    forecast = forecast_tables(unit, rows, parameters, index)
    return Tables(of=labelled(unit, rows, index), forecast=forecast, runs=run_tables(unit, runs, parameters))


def run_tables(unit: FleetUnit, runs: Record, parameters: Parameters) -> RunTable:
    """Runs of one simulated unit, as its own truck shows them and as trucks that seldom report would."""
    tables = [run_table(unit, runs)]
    for every_s in SELDOM_S:
        if every_s > unit.spec.instruments.every_s:
            twin = thinned(unit, every_s)
            seldom, _ = decision_rows(as_judged_at_the_door(twin.readings), twin.profile, parameters)
            tables.append(run_table(twin, seldom))
    return RunTable.joined(tables)


def simulated_tables(
    *,
    seed: int,
    n_units: int,
    days: int,
    kind: str = "training",
    parameters: Parameters | None = None,
    workers: int = 2,
    on_progress: Callable[[int, int], None] | None = None,
) -> Tables:
    """Labelled tables of a whole simulated fleet, one unit after another over `workers` processes."""
    work = partial(_simulated, seed=seed, days=days, kind=kind, parameters=parameters or Parameters())
    parts: list[Tables] = []
    for part in _mapped(work, n_units, workers):
        parts.append(part)
        if on_progress:
            on_progress(len(parts), n_units)
    return Tables(
        of={pattern: Table.joined(part.of[pattern] for part in parts) for pattern in LEARNT},
        forecast=ForecastTable.joined(part.forecast for part in parts),
        runs=RunTable.joined(part.runs for part in parts),
    )


def _mapped(work: Callable[[int], Tables], n: int, workers: int) -> Iterator[Tables]:
    if workers <= 1:
        yield from map(work, range(n))
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(work, range(n), chunksize=4)


def train(
    folder: Path,
    *,
    seed: int = SEED,
    n_units: int = N_UNITS,
    days: int = DAYS,
    workers: int = 2,
    on_progress: Callable[[int, int], None] | None = None,
) -> PatternModels:
    """Train every pattern's model on a simulated fleet and write the files to `folder`.

    The same seed and sizes give the same models, whatever the number of workers. A pattern that the fleet
    shows no case of stops the training before any file is written.
    """
    tables = simulated_tables(seed=seed, n_units=n_units, days=days, workers=workers, on_progress=on_progress)
    models = PatternModels(
        of={pattern: fit(pattern, table, seed=seed) for pattern, table in tables.of.items()},
        forecast=fit_forecaster(tables.forecast, seed=seed),
        novel={
            Pattern.UNLIKE_ITSELF: train_novelty(
                rows_of=unit_rows, seed=seed, n_fleet=n_units, workers=workers
            )
        },
    )
    for model in models.of.values():
        save_model(model, folder)
    save_forecaster(models.forecast, folder)
    save_run_confidence(fit_run_confidence(tables.runs, seed=seed), folder)
    for novelty in models.novel.values():
        save_novelty(novelty, folder)
    return models


class NoCaseError(ValueError):
    """The data show a pattern always or never: they teach nothing."""


def fit(pattern: Pattern, table: Table, *, seed: int, threshold: float | None = None) -> PatternModel:
    """A logistic model that is smooth in each feature, or shallow boosted trees where features tell together.

    Parameters
    ----------
    pattern : Pattern
    table : Table
        Labelled moments; both classes must occur.
    seed : int
        Kept in the card; fitting itself is deterministic.
    threshold : float, optional
        Probability from which a finding is opened; by default the pattern's own. [-] 0-1

    Raises
    ------
    NoCaseError
        If only one class occurs.
    """
    if len(np.unique(table.truth)) < 2:
        raise NoCaseError(
            f"{pattern.value}: {len(table.truth)} moments, all of one class; simulate more units"
        )
    if pattern is Pattern.PRESSURE_SENSOR_ICING:
        table = with_warm_twins(table, np.random.default_rng(seed))
    if pattern is Pattern.NEVER_REACHING_TEMPERATURE:
        model = make_pipeline(unknown_apart(), GradientBoostingClassifier(**BOOSTING, random_state=seed))
        weight = {"gradientboostingclassifier__sample_weight": _balanced(table)}
    else:
        model = make_pipeline(
            StandardScaler(),
            SplineTransformer(n_knots=KNOTS, degree=2, extrapolation="linear", handle_missing="zeros"),
            LogisticRegression(C=STRENGTH, max_iter=3000),
        )
        weight = {"logisticregression__sample_weight": _balanced(table)}
    model.fit(table.features, table.truth, **weight)
    return PatternModel(
        card=ModelCard(
            pattern=pattern,
            features=LEARNT[pattern].FEATURES,
            threshold=THRESHOLDS[pattern] if threshold is None else threshold,
            seed=seed,
            data_fingerprint=table.fingerprint,
            versions=versions(),
            figures={"moments": float(len(table.truth)), "true": float(table.truth.sum())},
        ),
        classifier=model,
    )


def _balanced(table: Table) -> FloatArray:
    """Weights that let a unit with a thousand moments say no more than one with fifty."""
    _, of_unit, counts = np.unique(table.group, return_inverse=True, return_counts=True)
    return table.weight * (np.minimum(counts, ENOUGH_MOMENTS) / counts)[of_unit]
