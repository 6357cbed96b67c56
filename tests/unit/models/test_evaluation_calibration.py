"""Calibration tables against scikit-learn's scores of the same probabilities."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from models.evaluation_calibration import BINS, brier, calibration
from models.evaluation_unit import Moments, UnitEvidence
from models.intervals import Figure
from models.records import Pattern
from tests.unit.models.evidence import unit

ICING = Pattern.PRESSURE_SENSOR_ICING


@pytest.fixture
def units() -> list[UnitEvidence]:
    rng = np.random.default_rng(4)
    out = []
    for n in (30, 1, 0, 200, 12, 40):
        probability = rng.uniform(0.0, 1.0, n)
        moments = Moments(probability=probability, truth=rng.uniform(0.0, 1.0, n) < probability)
        out.append(unit(moments={ICING: moments}))
    return out


def pooled(units: list[UnitEvidence]) -> tuple[np.ndarray, np.ndarray]:
    of = [u.moments[ICING] for u in units]
    return np.concatenate([m.truth for m in of]), np.concatenate([m.probability for m in of])


def values(cells: list[object]) -> list[float | None]:
    return [cell.value if isinstance(cell, Figure) else None for cell in cells]


def test_brier_is_that_of_scikit_learn(units: list[UnitEvidence]) -> None:
    true, said = pooled(units)
    ((name, n, share, score, base),) = brier(units).rows
    assert (name, n) == ("pressure sensor icing", 283)
    assert values([share, score, base]) == pytest.approx(
        [
            true.mean(),
            brier_score_loss(true, said),
            brier_score_loss(true, np.full(len(true), true.mean())),
        ]
    )


def test_calibration_is_that_of_scikit_learn(units: list[UnitEvidence]) -> None:
    true, said = pooled(units)
    so, mean_said = calibration_curve(true, said, n_bins=BINS)
    grid = calibration(units, ICING)
    assert values([row[2] for row in grid.rows]) == pytest.approx(mean_said.tolist())
    assert values([row[3] for row in grid.rows]) == pytest.approx(so.tolist())
    counts = np.histogram(said, np.linspace(0.0, 1.0, BINS + 1))[0]
    assert [row[1] for row in grid.rows] == counts[counts > 0].tolist()


def test_calibration_leaves_empty_bins_out() -> None:
    moments = Moments(probability=np.array([0.05, 0.95, 0.97]), truth=np.array([False, True, False]))
    grid = calibration([unit(moments={ICING: moments})], ICING)
    assert [row[:2] for row in grid.rows] == [("0.0 to 0.1", 1), ("0.9 to 1.0", 2)]


def test_no_moments_give_no_rows() -> None:
    nothing = unit(moments={ICING: Moments(probability=np.zeros(0), truth=np.zeros(0, bool))})
    assert calibration([nothing], ICING).rows == ()
    assert brier([nothing]).rows == ()
