"""Tables of the warm-up forecast, counted by hand."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np

from models.evaluation_forecast import BANDS, COLUMNS, forecasts
from models.evaluation_foretold import Foretold, hot_inside, level_inside
from models.evaluation_summary import forecast_targets
from models.forecast import LATEST_MIN
from models.intervals import Figure
from tests.unit.models.evidence import QUIET

SAID = Foretold(
    elapsed_min=np.array([8.0, 8.2, 12.0, 12.0]),
    level_low_c=np.array([70.0, 70.0, 70.0, 30.0]),
    level_c=np.array([80.0, 80.0, 80.0, 40.0]),
    level_high_c=np.array([90.0, 84.0, 90.0, 50.0]),
    level_true_c=np.array([85.0, 85.0, 69.9, 40.0]),
    hot_low_min=np.array([9.0, 9.0, 13.0, np.inf]),
    hot_min=np.array([10.0, 11.0, 14.0, np.inf]),
    hot_high_min=np.array([12.0, 15.0, np.inf, np.inf]),
    hot_true_min=np.array([12.0, 20.0, 50.0, np.inf]),
)


def test_what_lies_inside() -> None:
    assert level_inside(SAID).tolist() == [True, False, False, True]
    # "not within the hour" is right when it never came.
    assert hot_inside(SAID).tolist() == [True, False, True, True]


def test_moments_of_one_minute() -> None:
    assert SAID.at(8).level_true_c.tolist() == [85.0, 85.0]
    assert len(SAID.at(30).level_c) == 0


def test_moments_of_a_band_include_both_its_ends() -> None:
    assert len(SAID.between(8, 11).level_c) == 2
    assert len(SAID.between(8, 12).level_c) == 4
    assert len(SAID.between(9, 11).level_c) == 0


def test_bands_of_four_minutes_reach_from_the_eighth_to_the_last_forecast() -> None:
    assert BANDS[0] == (8, 11)
    assert BANDS[-1][1] == LATEST_MIN - 1.0
    assert all(after[0] == before[1] + 1 for before, after in itertools.pairwise(BANDS))


def test_the_targets_name_the_band_that_is_farthest_off() -> None:
    """At minute 8 one of two holds; minutes 12 to 15 hold one of two levels, and both times to hot."""
    targets = list(forecast_targets([dataclasses.replace(QUIET, foretold=SAID)]))
    assert [target.reached.value for target in targets] == [0.5, 0.5, 0.5, 0.5]
    assert "minute 8: level" in targets[0].name
    assert "minutes 8 to 11: level" in targets[1].name
    assert "minutes 8 to 11: time to hot" in targets[3].name


def test_the_row_of_a_minute() -> None:
    grid = forecasts([dataclasses.replace(QUIET, foretold=SAID)])
    assert grid.columns == COLUMNS
    row = next(row for row in grid.rows if row[0] == "minute 8")
    values = [cell.value if isinstance(cell, Figure) else cell for cell in row]
    # Widths 20 and 14 K; errors 5 and 5 K; minutes off 2 and 9.
    assert values == ["minute 8", 1, 2, 0.5, 17.0, 5.0, 0.5, 5.5]


def test_a_unit_without_forecasts_counts_nowhere() -> None:
    rows = forecasts([QUIET]).rows
    assert all(row[1:3] == (0, 0) for row in rows)
