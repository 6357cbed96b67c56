"""Tables of what was said with a probability against how often it was so."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from sklearn.calibration import calibration_curve

from ingest.reading import FloatArray, IntArray
from models.evaluation_grids import Cell, Column, Grid, readable
from models.evaluation_unit import UnitEvidence
from models.intervals import Figure, mean, share
from models.records import Pattern

Units = Sequence[UnitEvidence]

BINS = 10


def brier(units: Units) -> Grid:
    """Brier score of the models' probabilities beside that of always saying the base rate."""
    rows: list[tuple[Cell, ...]] = []
    for pattern in units[0].moments if units else ():
        said, true = _moments(units, pattern)
        if not len(np.concatenate(said)):
            continue
        base_rate = float(np.concatenate(true).mean())
        score = mean([(p - t) ** 2 for p, t in zip(said, true, strict=True)])
        rows.append(
            (
                readable(pattern),
                score.n,
                share([t.sum() for t in true], [len(t) for t in true]),
                score,
                Figure(value=base_rate * (1.0 - base_rate), n=score.n, units=score.units),
            )
        )
    columns = (
        Column("pattern"),
        Column("moments"),
        Column("truly so", 1, percent=True),
        Column("Brier score", 3),
        Column("Brier score of the base rate", 3),
    )
    return Grid(columns, tuple(rows))


def calibration(units: Units, pattern: Pattern) -> Grid:
    """Probability said against the share that was truly so, in bins of a tenth."""
    said, true = _moments(units, pattern)
    edges = np.linspace(0.0, 1.0, BINS + 1)
    rows: list[tuple[Cell, ...]] = []
    pooled, so = np.concatenate(said), np.concatenate(true)
    _, means = calibration_curve(so, pooled, n_bins=BINS) if len(pooled) else (None, np.zeros(0))
    filled = iter(means.tolist())
    for k in range(BINS):
        inside = [_bin(p, edges) == k for p in said]
        counts = [int(some.sum()) for some in inside]
        if sum(counts):
            rows.append(
                (
                    f"{edges[k]:.1f} to {edges[k + 1]:.1f}",
                    sum(counts),
                    Figure(value=float(next(filled)), n=sum(counts)),
                    share([t[some].sum() for t, some in zip(true, inside, strict=True)], counts),
                )
            )
    columns = (
        Column("probability said"),
        Column("moments"),
        Column("mean said", 3),
        Column("truly so", 1, percent=True),
    )
    return Grid(columns, tuple(rows))


def _bin(probability: FloatArray, edges: FloatArray) -> IntArray:
    """Bin of each probability, as scikit-learn's calibration curve cuts them."""
    return np.searchsorted(edges[1:-1], probability).astype(np.int64)


def _moments(units: Units, pattern: Pattern) -> tuple[list[FloatArray], list[FloatArray]]:
    of = [unit.moments[pattern] for unit in units if pattern in unit.moments]
    return [m.probability for m in of], [m.truth.astype(np.float64) for m in of]
