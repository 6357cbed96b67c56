"""Tables of the warm-up forecast: how often it holds, how wide it is, how far off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain

import numpy as np

from models.evaluation_foretold import Foretold, hot_inside, level_inside
from models.evaluation_grids import Cell, Column, Grid, by_family, by_operator, by_sampling
from models.evaluation_unit import UnitEvidence
from models.forecast import LATEST_MIN
from models.forecast_training import MINUTES
from models.intervals import quantile, share

BAND_MIN = 4
BANDS = tuple((first, first + BAND_MIN - 1) for first in range(MINUTES[0], int(LATEST_MIN), BAND_MIN))
"""First and last whole minute of the run."""
COLUMNS = (
    Column("which"),
    Column("units"),
    Column("forecasts"),
    Column("level within the interval", 1, percent=True),
    Column("its width, median [K]", 1),
    Column("median absolute error [K]", 1),
    Column("time to hot within the interval", 1, percent=True),
    Column("of the hot, median absolute error [min]", 1),
)


def forecasts(units: Sequence[UnitEvidence]) -> Grid:
    """Coverage, width and error by minute of the run, and at all minutes by family, sampling and crew."""
    return Grid(COLUMNS, tuple(_rows(units)))


def _rows(units: Sequence[UnitEvidence]) -> Iterator[tuple[Cell, ...]]:
    yield f"minute {MINUTES[0]}", *_figures([unit.foretold.at(MINUTES[0]) for unit in units])
    for first, last in BANDS:
        yield f"minutes {first} to {last}", *_figures([unit.foretold.between(first, last) for unit in units])
    for name, some in chain(by_family(units), by_sampling(units), by_operator(units)):
        yield name, *_figures([unit.foretold for unit in some])


def _figures(said: Sequence[Foretold]) -> tuple[Cell, ...]:
    said = [one for one in said if len(one.level_c)]
    counts = [len(one.level_c) for one in said]
    both_hot = [np.isfinite(one.hot_true_min) & np.isfinite(one.hot_min) for one in said]
    return (
        len(said),
        sum(counts),
        share([level_inside(one).sum() for one in said], counts),
        quantile([one.level_high_c - one.level_low_c for one in said], 0.5),
        quantile([np.abs(one.level_c - one.level_true_c) for one in said], 0.5),
        share([hot_inside(one).sum() for one in said], counts),
        quantile(
            [
                np.abs(one.hot_min[hot] - one.hot_true_min[hot])
                for one, hot in zip(said, both_hot, strict=True)
            ],
            0.5,
        ),
    )
