"""How long a unit must still run hot: one figure, that counts down while it does."""

from __future__ import annotations

import math

import msgspec
import pytest

from alerts.dry_out import dry_out_line, still_needed_min
from models.records import Run, UnitStatus
from tests.unit.dashboards.invented import NOW, run, status


def standing(dry_out_min: float, *, done_min: float | None = None) -> UnitStatus:
    at_work: Run | None = None
    if done_min is not None:
        at_work = msgspec.structs.replace(run(2, NOW, 30.0, 88.0, (12.0, 4.0)), dry_min=done_min)
    return status(2, dry_out_min=dry_out_min, run=at_work)


@pytest.mark.parametrize(
    ("dry_out_min", "done_min", "left_min"),
    [
        # Common practice: a dry-out run is kept hot for 20 to 30 minutes, however little water there is.
        (5.0, None, 20.0),
        (34.0, None, 34.0),
        (5.0, 12.0, 8.0),
        (5.0, 19.0, 5.0),
        (34.0, 12.0, 34.0),
        (0.3, None, 0.0),
        (0.0, 3.0, 0.0),
        (math.inf, 3.0, math.inf),
    ],
)
def test_no_less_than_a_whole_dry_out_and_no_less_than_the_water_asks_for(
    dry_out_min: float, done_min: float | None, left_min: float
) -> None:
    assert still_needed_min(standing(dry_out_min, done_min=done_min)) == left_min


def test_what_is_not_known_is_not_called_dry() -> None:
    assert math.isnan(still_needed_min(standing(math.nan)))


def test_the_line_counts_down_as_the_figure_does() -> None:
    assert "about 8 min" in dry_out_line(standing(5.0, done_min=12.0))


@pytest.mark.parametrize(
    ("dry_out_min", "longest_min", "says"),
    [
        (0.4, 95.0, "may still need up to 95 min"),
        (0.0, 0.0, "By the estimate the sump is dry"),
        (0.0, math.inf, "By the estimate the sump is dry"),
        (math.nan, math.nan, "not known"),
    ],
)
def test_a_dry_estimate_is_not_told_as_minutes(dry_out_min: float, longest_min: float, says: str) -> None:
    line = dry_out_line(msgspec.structs.replace(standing(dry_out_min), dry_out_longest_min=longest_min))
    assert says in line
    assert "about 0 min" not in line
