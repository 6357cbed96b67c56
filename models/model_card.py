"""The model card: an evaluation's figures set into its text, none of them typed by hand."""

from __future__ import annotations

import functools
import math

import jinja2

from models.evaluation_grids import Cell, Column, Grid, readable
from models.evaluation_summary import Evaluation, Target
from models.intervals import Figure

TEMPLATE = "model-card.md.j2"


def render(evaluation: Evaluation) -> str:
    """The card as Markdown."""
    return (
        _templates()
        .get_template(TEMPLATE)
        .render(made=evaluation, table=functools.partial(_table_of, evaluation), targets=_targets(evaluation))
    )


@functools.cache
def _templates() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("models", "templates"),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,  # noqa: S701 - Markdown of our own names and numbers, nothing from outside
    )
    environment.filters["readable"] = readable
    environment.filters["counted"] = lambda n: f"{n:,}"
    environment.filters["whole_percent"] = lambda part: f"{100.0 * part:.0f} %"
    environment.filters["percent"] = lambda part: f"{100.0 * part:g} %"
    return environment


def _table_of(evaluation: Evaluation, name: str) -> str:
    return table(evaluation.grids[name])


def table(grid: Grid) -> str:
    """A grid as a Markdown table without its last line end; a sentence when it has no rows."""
    if not grid.rows:
        return "Nothing of the kind occurred."
    heads = [column.name for column in grid.columns]
    lines = [heads, ["---"] * len(heads)]
    lines += [
        [_cell(cell, column) for cell, column in zip(row, grid.columns, strict=True)] for row in grid.rows
    ]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _targets(evaluation: Evaluation) -> str:
    columns = (Column("figure"), Column("asked for"), Column("came out"), Column("verdict"))
    rows = tuple(
        (
            target.name,
            _asked(target),
            figure_text(target.reached, target.digits, percent=target.percent),
            target.verdict,
        )
        for target in evaluation.targets
    )
    return table(Grid(columns, rows))


def _asked(target: Target) -> str:
    least, most = (
        None if limit is None else number(limit, target.digits, percent=target.percent)
        for limit in (target.at_least, target.at_most)
    )
    if least and most:
        return f"{least} to {most}"
    return f"at least {least}" if least else f"at most {most}"


def _cell(cell: Cell, column: Column) -> str:
    if isinstance(cell, Figure):
        return figure_text(cell, column.digits, percent=column.percent)
    return f"{cell:,}" if isinstance(cell, int) else cell


def figure_text(figure: Figure, digits: int, *, percent: bool = False) -> str:
    """Such as ``95.2 % (90.1 to 98.0)``; a dash where nothing is known."""
    if figure.value is None:
        return "-"
    text = number(figure.value, digits, percent=percent)
    if figure.low is None or figure.high is None:
        return text
    low, high = (number(end, digits, percent=percent).removesuffix(" %") for end in (figure.low, figure.high))
    return f"{text} ({low} to {high})"


def number(value: float | None, digits: int, *, percent: bool = False) -> str:
    """A number rounded for reading; never a minus before nothing."""
    if value is None or math.isnan(value):
        return "-"
    # Adding zero turns -0.0 into 0.0.
    rounded = round(100.0 * value if percent else value, digits) + 0.0
    return f"{rounded:,.{digits}f}{' %' if percent else ''}"
