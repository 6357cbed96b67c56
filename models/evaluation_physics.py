"""Tables of what the engine works out against what was truly so: air, runs, delivered air, water."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import chain, pairwise

import numpy as np

from ingest.reading import FloatArray
from models.evaluation_grids import (
    Cell,
    Column,
    Grid,
    Group,
    by_climate,
    by_family,
    by_sampling,
    everyone,
    readable,
)
from models.evaluation_unit import Air, UnitEvidence, Water
from models.intervals import mean, quantile, ratio, root_mean_square, share

WET_G = 10.0
"""Truly retained water from which a day counts as wet. [g]"""

Units = Sequence[UnitEvidence]
Row = tuple[Cell, ...]


def _told_apart(units: Units, *tags: str) -> Iterable[Group]:
    for tag in tags:
        yield f"with {readable(tag)}", [unit for unit in units if tag in unit.tags]
        yield f"without {readable(tag)}", [unit for unit in units if tag not in unit.tags]


def _grid(columns: Sequence[Column], groups: Iterable[Group], row: Callable[[Units], Row]) -> Grid:
    return Grid(tuple(columns), tuple((readable(name), *row(units)) for name, units in groups if units))


AIR_COLUMNS = (
    Column("units"),
    Column("n", 0),
    Column("root mean square error [K]"),
    Column("bias [K]"),
    Column("share within 1 sigma", 1, percent=True),
    Column("share within 2 sigma", 1, percent=True),
    Column("mean sigma [K]"),
)


def _air_row(units: Units, of: Callable[[UnitEvidence], Air]) -> Row:
    airs = [of(unit) for unit in units]
    errors = [air.error_k for air in airs]
    counts = [len(error_k) for error_k in errors]
    within = [[(np.abs(air.error_k) <= n * air.sigma_k).sum() for air in airs] for n in (1.0, 2.0)]
    return (
        len(units),
        sum(counts),
        root_mean_square(errors),
        mean(errors),
        share(within[0], counts),
        share(within[1], counts),
        mean([air.sigma_k for air in airs]),
    )


def air_hourly(units: Units) -> Grid:
    """Error of the air temperature at every hour with a reading."""
    groups = chain(
        everyone(units),
        _told_apart(units, "air_temperature_sent", "garage", "silent_while_parked", "no_humidity_sent"),
        by_climate(units),
        by_family(units),
    )
    return _grid((Column("which"), *AIR_COLUMNS), groups, lambda some: _air_row(some, _hourly))


def air_of_runs(units: Units) -> Grid:
    """Error of the air temperature at the end of every found run: the water is reckoned with it."""
    groups = chain(everyone(units), _told_apart(units, "air_temperature_sent", "garage"))
    return _grid((Column("which"), *AIR_COLUMNS), groups, lambda some: _air_row(some, _of_runs))


def _hourly(unit: UnitEvidence) -> Air:
    return unit.air_hourly


def _of_runs(unit: UnitEvidence) -> Air:
    return unit.air_of_runs


def runs(units: Units) -> Grid:
    """True runs against found ones."""
    columns = (
        Column("which"),
        Column("units"),
        Column("true runs"),
        Column("missed", 2, percent=True),
        Column("found that are invented", 2, percent=True),
        Column("split", 0),
        Column("merged", 0),
        Column("start error, median [s]", 0),
        Column("start error, p95 [s]", 0),
        Column("end error, median [s]", 0),
        Column("end error, p95 [s]", 0),
    )
    groups = chain(everyone(units), by_sampling(units), _told_apart(units, "icing", "sensor_fault"))
    return _grid(columns, groups, _runs_row)


def _runs_row(units: Units) -> Row:
    met = [unit.runs for unit in units]
    starts, ends = [np.abs(m.start_error_s) for m in met], [np.abs(m.end_error_s) for m in met]
    return (
        len(units),
        sum(m.shown for m in met),
        share([m.missed for m in met], [m.shown for m in met]),
        share([m.invented for m in met], [m.found for m in met]),
        sum(m.split for m in met),
        sum(m.merged for m in met),
        quantile(starts, 0.5),
        quantile(starts, 0.95),
        quantile(ends, 0.5),
        quantile(ends, 0.95),
    )


CONFIDENCE_EDGES = (0.0, 0.5, 0.8, 0.9, 0.95, 1.0)


def run_confidence(units: Units) -> Grid:
    """How sure found runs were said to be, against how many were true and within their stated errors."""
    columns = (
        Column("said"),
        Column("runs"),
        Column("mean of what was said", 1, percent=True),
        Column("true and within their errors", 1, percent=True),
        Column("Brier score of what was said (less is better)", 3),
        Column("of saying the share each time", 3),
    )
    rows = [("all", *_confidence_row(units, 0.0, 1.0))]
    for low, high in pairwise(CONFIDENCE_EDGES):
        row = _confidence_row(units, low, high)
        if row[0]:
            rows.append((f"{low:.0%} to {high:.0%}", *row))
    return Grid(columns, tuple(rows))


def _confidence_row(units: Units, low: float, high: float) -> Row:
    some = [(u.runs.confidence >= low) & (u.runs.confidence < high) for u in units]
    said = [u.runs.confidence[s] for u, s in zip(units, some, strict=True)]
    right = [u.runs.within[s].astype(float) for u, s in zip(units, some, strict=True)]
    n = sum(len(s) for s in said)
    rate = float(np.concatenate(right).mean()) if n else 0.0
    return (
        n,
        mean(said),
        share([int(r.sum()) for r in right], [len(r) for r in right]),
        mean([(s - r) ** 2 for s, r in zip(said, right, strict=True)]),
        # Below it, what is said tells right runs from wrong ones.
        mean([(rate - r) ** 2 for r in right]),
    )


def hot_and_air(units: Units) -> Grid:
    """When runs got hot and how much air they gave."""
    columns = (
        Column("units"),
        Column("hot runs"),
        Column("of them not seen hot", 1, percent=True),
        Column("seen hot that were not, of all runs", 1, percent=True),
        Column("time to hot, median error [min]"),
        Column("time to hot, p95 of the absolute error [min]"),
        Column("estimated over true air, p5"),
        Column("median"),
        Column("p95"),
    )
    return _grid(columns, chain(everyone(units), by_family(units), by_sampling(units)), _hot_row)


def _hot_row(units: Units) -> Row:
    met = [unit.runs for unit in units]
    errors, air = [m.to_hot_error_min for m in met], [m.delivered_ratio for m in met]
    return (
        sum(m.hot for m in met),
        share([m.hot_unseen for m in met], [m.hot for m in met]),
        share([m.hot_invented for m in met], [m.shown - m.missed for m in met]),
        quantile(errors, 0.5),
        quantile([np.abs(error) for error in errors], 0.95),
        *(quantile(air, q) for q in (0.05, 0.5, 0.95)),
    )


def water(units: Units) -> Grid:
    """Retained water at the end of each day."""
    columns = (
        Column("units"),
        Column("unit-days"),
        Column("truth within low and high", 1, percent=True),
        Column("wet days"),
        Column("of them within", 1, percent=True),
        Column("width over truth on wet days, median"),
        Column("best over truth on wet days, median"),
        Column("on the right side of harmful", 1, percent=True),
        Column("days not reported", 1, percent=True),
    )
    groups = chain(
        everyone(units),
        by_climate(units),
        by_family(units),
        _told_apart(units, "drained_unrecorded", "wet_at_first_sight", "no_humidity_sent"),
    )
    return _grid(columns, groups, _water_row)


def _water_row(units: Units) -> Row:
    days = [unit.water for unit in units]
    wet = [day.true_g > WET_G for day in days]
    n_days, n_wet = [len(day.true_g) for day in days], [some.sum() for some in wet]
    right = [((d.best_g >= d.harmful_g) == (d.true_g >= d.harmful_g)).sum() for d in days]
    return (
        sum(n_days),
        share([_inside(day).sum() for day in days], n_days),
        int(sum(n_wet)),
        share([(_inside(day) & some).sum() for day, some in zip(days, wet, strict=True)], n_wet),
        quantile([_over(d.high_g - d.low_g, d, some) for d, some in zip(days, wet, strict=True)], 0.5),
        quantile([_over(d.best_g, d, some) for d, some in zip(days, wet, strict=True)], 0.5),
        share(right, n_days),
        ratio(
            [day.unreported for day in days],
            [len(day.true_g) + day.unreported for day in days],
            sum(day.unreported for day in days),
        ),
    )


def _inside(day: Water) -> np.ndarray:
    # A hundredth of a gram is far below what anybody could weigh, and keeps 0 >= 1e-9 from being a fault.
    return (day.true_g >= day.low_g - 0.01) & (day.true_g <= day.high_g + 0.01)


def _over(values: FloatArray, day: Water, some: np.ndarray) -> FloatArray:
    return np.asarray(values[some] / day.true_g[some], np.float64)


def balance(units: Units) -> Grid:
    """Whether the ledger loses anything: exact arithmetic, so no interval."""
    rows = [
        (
            sum(len(unit.water.residual_g) for unit in units),
            f"{max((np.abs(unit.water.residual_g).max(initial=0.0) for unit in units), default=0.0):.1e}",
            f"{max((np.abs(unit.water.jump_g).max(initial=0.0) for unit in units), default=0.0):.1e}",
        )
    ]
    columns = (
        Column("runs"),
        Column("largest misfit of start + in - out - carried over - end [g]"),
        Column("largest change between two runs [g]"),
    )
    return Grid(columns, tuple(rows))
