"""Tables of the engine's estimates on figures made by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from models import evaluation_physics as physics
from models.evaluation_grids import Grid
from models.evaluation_unit import Air, Water
from models.intervals import Figure
from tests.unit.models.evidence import QUIET, unit


def first(grid: Grid, name: str = "all") -> dict[str, object]:
    (found,) = [row for row in grid.rows if row[0] == name]
    return {
        column.name: cell.value if isinstance(cell, Figure) else cell
        for column, cell in zip(grid.columns, found, strict=True)
    }


def test_air_error_and_calibration_by_hand() -> None:
    units = [
        unit(
            air_hourly=Air(error_k=np.array([3.0, -1.0]), sigma_k=np.array([1.0, 1.0])),
            tags=frozenset({"air_temperature_sent"}),
        ),
        unit("b", air_hourly=Air(error_k=np.array([-2.0, 0.0]), sigma_k=np.array([1.0, 1.0]))),
    ]
    grid = physics.air_hourly(units)
    row = first(grid)
    assert row["n"] == 4
    assert row["root mean square error [K]"] == pytest.approx(math.sqrt(14 / 4))
    assert row["bias [K]"] == 0.0
    assert (row["share within 1 sigma"], row["share within 2 sigma"]) == (0.5, 0.75)
    assert first(grid, "with air temperature sent")["bias [K]"] == 1.0
    assert first(grid, "without air temperature sent")["bias [K]"] == -1.0


def test_how_sure_runs_were_said_to_be_by_hand() -> None:
    one = dataclasses.replace(
        QUIET.runs, confidence=np.array([0.96, 0.98, 0.4]), within=np.array([True, True, False])
    )
    other = dataclasses.replace(QUIET.runs, confidence=np.array([0.97]), within=np.array([False]))
    grid = physics.run_confidence([unit(runs=one), unit("b", runs=other)])
    assert [row[:2] for row in grid.rows] == [("all", 4), ("0% to 50%", 1), ("95% to 100%", 3)]
    row = first(grid, "95% to 100%")
    assert row["mean of what was said"] == pytest.approx((0.96 + 0.98 + 0.97) / 3.0)
    assert row["true and within their errors"] == pytest.approx(2.0 / 3.0)
    # Brier (1950), by hand: the mean squared difference, and p (1 - p) for a constant p.
    brier = row["Brier score of what was said (less is better)"]
    assert brier == pytest.approx((0.04**2 + 0.02**2 + 0.97**2) / 3.0)
    assert row["of saying the share each time"] == pytest.approx(2.0 / 9.0)


def test_runs_by_hand_and_by_sampling() -> None:
    fine = dataclasses.replace(
        QUIET.runs,
        shown=9,
        missed=1,
        found=10,
        invented=2,
        start_error_s=np.array([-10.0, 5.0, 20.0]),
        end_error_s=np.array([0.0]),
    )
    coarse = dataclasses.replace(QUIET.runs, shown=1, missed=1, found=0)
    grid = physics.runs([unit(runs=fine), unit("b", runs=coarse, every_s=300)])
    row = first(grid)
    assert (row["true runs"], row["missed"]) == (10, 0.2)
    assert row["found that are invented"] == 0.2
    assert row["start error, median [s]"] == 10.0
    assert first(grid, "a reading every 300 s")["missed"] == 1.0
    assert first(grid, "a reading every 10 s")["missed"] == pytest.approx(1 / 9)


def test_hot_and_air_by_hand() -> None:
    runs = dataclasses.replace(
        QUIET.runs,
        shown=10,
        missed=2,
        hot=4,
        hot_unseen=1,
        hot_invented=2,
        to_hot_error_min=np.array([-1.0, 0.0, 2.0]),
        delivered_ratio=np.array([0.5, 1.0, 1.5]),
    )
    row = first(physics.hot_and_air([unit(runs=runs)]))
    assert (row["hot runs"], row["of them not seen hot"]) == (4, 0.25)
    assert row["seen hot that were not, of all runs"] == 0.25
    assert (row["time to hot, median error [min]"], row["median"]) == (0.0, 1.0)


def test_water_by_hand() -> None:
    """Dry and right; wet and below its bounds; wet and within. The last two on the wrong side of 40 g."""
    water = Water(
        true_g=np.array([0.0, 20.0, 50.0]),
        best_g=np.array([0.0, 40.0, 30.0]),
        low_g=np.array([0.0, 30.0, 20.0]),
        high_g=np.array([5.0, 60.0, 60.0]),
        harmful_g=40.0,
        unreported=1,
        residual_g=np.array([1e-14, -3e-14]),
        jump_g=np.zeros(1),
    )
    row = first(physics.water([unit(water=water)]))
    assert (row["unit-days"], row["wet days"]) == (3, 2)
    assert row["truth within low and high"] == pytest.approx(2 / 3)
    assert row["of them within"] == 0.5
    assert row["width over truth on wet days, median"] == pytest.approx((1.5 + 0.8) / 2)
    assert row["best over truth on wet days, median"] == pytest.approx((2.0 + 0.6) / 2)
    assert row["on the right side of harmful"] == pytest.approx(1 / 3)
    assert row["days not reported"] == 0.25
    assert physics.balance([unit(water=water)]).rows == ((2, "3.0e-14", "0.0e+00"),)
