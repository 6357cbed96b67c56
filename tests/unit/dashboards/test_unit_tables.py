"""The runs of a unit as a table: every figure of a run is there, on a phone behind "More"."""

from __future__ import annotations

import datetime as dt

import msgspec
import pytest

from dashboards.display import System
from dashboards.pages import unit_tables
from models.records import Run
from tests.unit.dashboards.invented import NOW, run


@pytest.fixture
def hot() -> Run:
    plain = run(3, NOW, 30.0, 88.0, (12.0, 4.0))
    return msgspec.structs.replace(
        plain, dew_margin_k=31.5, time_to_hot_min=6.0, water_in_g=2.0, water_out_g=10.0, confidence=0.973
    )


def test_a_run_shows_every_figure_of_its_record(hot: Run) -> None:
    row = unit_tables.run_row(hot, dt.UTC, System.SI)
    assert {name for name, _, _ in unit_tables._COLUMNS} <= set(row)
    assert row["margin"] == "32\u202f°C above"
    assert row["to_hot"].startswith("6")
    assert (row["water_in"][:1], row["water_out"][:2]) == ("2", "10")
    assert row["sure"] == "97 %"


def test_a_peak_that_no_machine_survives_is_doubted(hot: Run) -> None:
    """At 186 degC oil burns, long after every shutdown; as degF it is 86 degC, a machine at work."""
    odd = unit_tables.run_row(msgspec.structs.replace(hot, peak_temp_c=186.0), dt.UTC, System.SI)["peak"]
    assert "186" in odd
    assert "°F under a °C name" in odd
    assert "under" not in unit_tables.run_row(hot, dt.UTC, System.SI)["peak"]


def test_a_peak_below_the_dew_point_says_so(hot: Run) -> None:
    wet = msgspec.structs.replace(hot, dew_margin_k=-10.0)
    assert unit_tables.run_row(wet, dt.UTC, System.US)["margin"] == "18\u202f°F below"


def test_a_run_in_hand_has_no_figure_for_how_sure_it_is(hot: Run) -> None:
    begun = msgspec.structs.replace(hot, end_at=None)
    assert unit_tables.run_row(begun, dt.UTC, System.SI)["sure"] == "not over yet"


def test_a_run_that_nobody_saw_says_what_it_is_known_from(hot: Run) -> None:
    row = unit_tables.run_row(msgspec.structs.replace(hot, inferred=True), dt.UTC, System.SI)
    assert row["sure"] == "97 %, from the hour meter alone"


def test_never_hot_sorts_after_every_time_to_hot(hot: Run) -> None:
    cold = msgspec.structs.replace(hot, time_to_hot_min=None)
    rows = [unit_tables.run_row(one, dt.UTC, System.SI) for one in (cold, hot)]
    assert rows[0]["to_hot"] == "never hot"
    assert rows[0]["to_hot_by"] > rows[1]["to_hot_by"]


def test_a_phone_shows_the_rest_under_the_run(hot: Run) -> None:
    more = dict(unit_tables._more(unit_tables.run_row(hot, dt.UTC, System.SI)))
    left_out = {label for name, label, _ in unit_tables._COLUMNS if name not in unit_tables._ON_A_PHONE}
    assert set(more) == left_out


@pytest.mark.parametrize(
    ("start_error_s", "end_error_s", "said"),
    [
        (10.0, 10.0, "30\u202fmin"),
        (120.0, 300.0, "30\u202fmin ± 7\u202fmin"),
        (None, 10.0, "at least 30\u202fmin"),
    ],
)
def test_a_length_tells_how_far_off_it_may_be_where_that_matters(
    hot: Run, start_error_s: float | None, end_error_s: float, said: str
) -> None:
    edges = msgspec.structs.replace(hot, start_error_s=start_error_s, end_error_s=end_error_s)
    assert unit_tables.run_row(edges, dt.UTC, System.SI)["length"] == said


@pytest.mark.parametrize(("confidence", "said"), [(1.0, "99 %"), (0.62, "⚠ 62 %")])
def test_no_run_is_wholly_sure_and_a_doubtful_one_is_marked(hot: Run, confidence: float, said: str) -> None:
    one = msgspec.structs.replace(hot, confidence=confidence)
    assert unit_tables.run_row(one, dt.UTC, System.SI)["sure"] == said
