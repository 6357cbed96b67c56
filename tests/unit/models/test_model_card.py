"""Figures as people read them."""

from __future__ import annotations

import pytest

from models.evaluation_grids import Column, Grid
from models.evaluation_summary import Target
from models.intervals import NOTHING, Figure
from models.model_card import figure_text, number, table


@pytest.mark.parametrize(
    ("value", "digits", "percent", "text"),
    [
        (0.9524, 1, True, "95.2 %"),
        (-0.004, 2, False, "0.00"),
        (1234.5, 1, False, "1,234.5"),
        (None, 1, True, "-"),
        (float("nan"), 1, False, "-"),
    ],
)
def test_number(value: float | None, digits: int, percent: bool, text: str) -> None:
    assert number(value, digits, percent=percent) == text


def test_figure_text_shows_an_interval_only_where_there_is_one() -> None:
    assert figure_text(Figure(value=0.5, low=0.25, high=0.75), 0, percent=True) == "50 % (25 to 75)"
    assert figure_text(Figure(value=0.5), 2) == "0.50"
    assert figure_text(NOTHING, 2) == "-"


def test_table_by_hand() -> None:
    columns = (Column("what"), Column("n"), Column("share", 1, percent=True))
    grid = Grid(columns, (("a", 1200, Figure(value=1.0)),))
    assert table(grid) == "| what | n | share |\n| --- | --- | --- |\n| a | 1,200 | 100.0 % |"
    assert table(Grid((Column("what"),), ())) == "Nothing of the kind occurred."


@pytest.mark.parametrize(
    ("figure", "verdict"),
    [
        (Figure(value=0.98, low=0.96, high=1.0), "reached"),
        (Figure(value=0.98, low=0.94, high=1.0), "reached, but part of the interval is not"),
        (Figure(value=0.94, low=0.90, high=0.96), "missed, but part of the interval is not"),
        (Figure(value=0.90, low=0.85, high=0.94), "missed"),
        (Figure(value=0.98), "reached, too few units to be sure"),
        (Figure(value=0.90), "missed, too few units to be sure"),
        (NOTHING, "not shown"),
    ],
)
def test_verdict_looks_at_the_whole_interval(figure: Figure, verdict: str) -> None:
    assert Target(name="recall", at_least=0.95, reached=figure).verdict == verdict


@pytest.mark.parametrize(("value", "verdict"), [(0.01, "reached"), (0.3, "missed")])
def test_verdict_of_what_must_not_be_exceeded(value: float, verdict: str) -> None:
    figure = Figure(value=value, low=value - 0.005, high=value + 0.005)
    assert Target(name="false alarms", at_most=0.02, reached=figure).verdict == verdict
