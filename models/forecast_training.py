"""Training of the warm-up forecast on simulated runs, whose temperatures are known to the end.

Only runs long enough to show both answers take part, however they went: to take the short ones that
happened to get hot would teach that runs get hot.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import GradientBoostingRegressor
from sklearn.impute import SimpleImputer
from sklearn.model_selection import GroupKFold, LeaveOneGroupOut
from sklearn.pipeline import make_pipeline

from ingest.reading import FloatArray, IntArray
from ingest.units_of_measure import MS_PER_S
from models.fleets import FleetUnit
from models.forecast import (
    FEATURES,
    HORIZON_MIN,
    HOT_QUANTILES,
    LEVEL_FROM_MIN,
    LEVEL_QUANTILES,
    LEVEL_TO_MIN,
    NARROWEST_K,
    NARROWEST_LOG,
    ForecastCard,
    Forecaster,
    Regressor,
    hot_interval,
    logarithm,
    quantiles,
)
from models.plant import RunTruth, Truth
from models.skops_file import data_fingerprint, versions
from models.state import WARMING, Record

NEAR_S = 240.0
"""How far the engine's start of a run may lie from the true one and still be the same run."""
COVERAGE = 0.9
NEVER_MIN = 1.5 * HORIZON_MIN
"""Stands for "not within the hour": far enough beyond it that a forecast of it does not fall short."""
UNKNOWN = -1000.0
FOLDS = 5
TREES = 30
MINUTES = (8, 9, 10, 12, 14, 16, 18, 21, 25, 30, 36)
"""Of a run, so that a slow machine's forty moments do not outweigh a quick one's two."""

_NOW, _ELAPSED = FEATURES.index("now_c"), FEATURES.index("elapsed_min")


@dataclass(frozen=True, kw_only=True)
class ForecastTable:
    """Moments of warm-ups and how these went on; columns of shape (n,)."""

    features: FloatArray
    """Shape (n, number of features)."""
    level_c: FloatArray
    """True discharge temperature, mean of minutes 40 to 50 of the run. [degC]"""
    hot_min: FloatArray
    """From the run's start until it was truly hot; infinite when not within the hour. [min]"""
    group: IntArray
    """Which unit."""
    family: NDArray[np.str_]
    """Which kind of machine."""

    @staticmethod
    def joined(parts: Iterable[ForecastTable]) -> ForecastTable:
        """Tables one after another."""
        parts = list(parts)
        return ForecastTable(
            **{
                one.name: np.concatenate([getattr(part, one.name) for part in parts])
                for one in fields(ForecastTable)
            }
        )


def forecast_table(unit: FleetUnit, rows: Record, group: int) -> ForecastTable:
    """Warming rows of one simulated unit and how its runs truly went on.

    Raises
    ------
    ValueError
        If the unit was made without its hidden truth.
    """
    truth = unit.truth
    if truth is None:
        raise ValueError(f"unit {unit.profile.unit_id!r} comes without its truth")
    rows = rows[rows["kind"] == WARMING]
    rows = rows[np.isin(np.round(rows["features"][:, _ELAPSED]), MINUTES)]
    offset_s = unit.start_at_ms / MS_PER_S + unit.spec.instruments.clock_offset_s
    since_s = rows["run_start_t"] - offset_s
    level_c = np.full(len(rows), np.nan)
    hot_min = np.full(len(rows), np.inf)
    for run in unit.runs:
        if run.duration_s < 60.0 * HORIZON_MIN:
            continue
        same = np.abs(since_s - run.start_s) <= NEAR_S
        level_c[same] = _level_c(truth, run)
        if run.first_hot_s is not None and run.first_hot_s <= 60.0 * HORIZON_MIN:
            hot_min[same] = run.first_hot_s / 60.0
    # Where a sensor reads low the run may truly be hot already: nothing is left to forecast.
    known = np.isfinite(level_c) & (hot_min > rows["features"][:, _ELAPSED])
    return ForecastTable(
        features=rows["features"][known][:, : len(FEATURES)].copy(),
        level_c=level_c[known],
        hot_min=hot_min[known],
        group=np.full(int(known.sum()), group, np.int64),
        family=np.full(int(known.sum()), unit.spec.family),
    )


def _level_c(truth: Truth, run: RunTruth) -> float:
    first, last = (
        int(run.start_s + 60.0 * minute) // truth.step_s for minute in (LEVEL_FROM_MIN, LEVEL_TO_MIN)
    )
    return float(truth.discharge_temp_c[first:last].mean())


def fit_forecaster(table: ForecastTable, *, seed: int) -> Forecaster:
    """Fit the quantiles on all units, and the widenings on kinds of machine left out of a fit each.

    A truck's machine is of no simulated kind: by how much a fit misses a kind that it has not seen is what
    its intervals must grow by. Units left out of kinds that were seen would promise too much.

    Parameters
    ----------
    table : ForecastTable
        At least five units; of one kind alone, units are left out instead.
    seed : int
        Of the boosting's own draws; the same seed and table give the same forecaster.
    """
    _, of_unit, counts = np.unique(table.group, return_inverse=True, return_counts=True)
    weight = 1.0 / np.sqrt(counts)[of_unit]
    elapsed_min = table.features[:, _ELAPSED]
    level_k = table.level_c - table.features[:, _NOW]
    hot = logarithm(np.minimum(table.hot_min, NEVER_MIN) - elapsed_min)
    level_seen, hot_seen = (
        _left_out(table, answer, chosen, weight, seed)
        for answer, chosen in ((level_k, LEVEL_QUANTILES), (hot, HOT_QUANTILES))
    )
    return Forecaster(
        card=ForecastCard(
            features=FEATURES,
            level_widening=missing_width(level_seen, level_k, NARROWEST_K),
            hot_widening=missing_width(hot_interval(hot_seen, elapsed_min), hot, NARROWEST_LOG),
            seed=seed,
            data_fingerprint=data_fingerprint(*(getattr(table, one.name) for one in fields(ForecastTable))),
            versions=versions(),
            figures={"moments": float(len(table.level_c)), "units": float(len(counts))},
        ),
        level=_fit(table.features, level_k, LEVEL_QUANTILES, weight, seed),
        hot=_fit(table.features, hot, HOT_QUANTILES, weight, seed),
    )


def missing_width(values: FloatArray, answer: FloatArray, narrowest: float) -> float:
    """Part of the half-width by which intervals must grow so that nine in ten hold their answer.

    Parameters
    ----------
    values : array, shape (n, 3)
        Quantiles for units that the fit has not seen.
    answer : array, shape (n,)
    narrowest : float
        Least width reckoned with, in the answer's unit.
    """
    half = 0.5 * np.maximum(values[:, 2] - values[:, 0], narrowest)
    outside = np.maximum(values[:, 0] - answer, answer - values[:, 2]) / half
    return float(np.quantile(outside, COVERAGE, method="higher"))


def _left_out(
    table: ForecastTable, answer: FloatArray, chosen: Sequence[float], weight: FloatArray, seed: int
) -> FloatArray:
    """Quantiles of every moment by a fit that has not seen its kind of machine, shape (n, quantiles)."""
    out = np.empty((len(answer), len(chosen)))
    alone = len(np.unique(table.family)) < 2
    folds = GroupKFold(FOLDS) if alone else LeaveOneGroupOut()
    groups = table.group if alone else table.family
    for shown, left_out in folds.split(table.features, groups=groups):
        part = _fit(table.features[shown], answer[shown], chosen, weight[shown], seed)
        out[left_out] = quantiles(part, table.features[left_out])
    return out


def _fit(
    features: FloatArray, answer: FloatArray, chosen: Sequence[float], weight: FloatArray, seed: int
) -> tuple[Regressor, ...]:
    return tuple(
        make_pipeline(
            unknown_apart(),
            GradientBoostingRegressor(
                loss="quantile",
                alpha=quantile,
                n_estimators=TREES,
                learning_rate=0.25,
                max_depth=3,
                min_samples_leaf=30,
                subsample=0.5,
                max_features=6,
                random_state=seed,
            ),
        ).fit(features, answer, gradientboostingregressor__sample_weight=weight)
        for quantile in chosen
    )


def unknown_apart() -> SimpleImputer:
    """What is not known stands apart from every value that is: trees then treat it as a case of its own."""
    return SimpleImputer(strategy="constant", fill_value=UNKNOWN, keep_empty_features=True)
