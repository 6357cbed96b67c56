"""Tables of figures as plain data, and how units are grouped in them. Written as JSON, shown by the card."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import msgspec

from models.evaluation_unit import UnitEvidence
from models.intervals import Figure


class Column(msgspec.Struct, frozen=True):
    """Head of a column, and how its figures are written."""

    name: str
    digits: int = 2
    percent: bool = False


Cell = str | int | Figure


class Grid(msgspec.Struct, frozen=True):
    """A table: columns, and rows of as many cells."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]


Group = tuple[str, list[UnitEvidence]]


def everyone(units: Sequence[UnitEvidence]) -> Iterator[Group]:
    """All units together."""
    yield "all", list(units)


def by_climate(units: Sequence[UnitEvidence]) -> Iterator[Group]:
    """Units of each climate."""
    for name in sorted({unit.climate for unit in units}):
        yield f"climate {name}", [unit for unit in units if unit.climate == name]


def by_family(units: Sequence[UnitEvidence]) -> Iterator[Group]:
    """Units of each machine family."""
    for name in sorted({unit.family for unit in units}):
        yield f"machine {name}", [unit for unit in units if unit.family == name]


def by_operator(units: Sequence[UnitEvidence]) -> Iterator[Group]:
    """Units of each kind of crew."""
    for name in sorted({unit.operator for unit in units}):
        yield f"crew {name}", [unit for unit in units if unit.operator == name]


def by_tag(units: Sequence[UnitEvidence]) -> Iterator[Group]:
    """Units with each confounder; a unit may stand in several."""
    for name in sorted(frozenset().union(*(unit.tags for unit in units))):
        yield f"with {name}", [unit for unit in units if name in unit.tags]


SAMPLING_S = ((0, 15), (16, 60), (61, 3600))


def by_sampling(units: Sequence[UnitEvidence]) -> Iterator[Group]:
    """Units by how often they report."""
    for least_s, most_s in SAMPLING_S:
        some = [unit for unit in units if least_s <= unit.every_s <= most_s]
        if some:
            every_s = sorted({unit.every_s for unit in some})
            span = f"{every_s[0]}" if len(every_s) == 1 else f"{every_s[0]} to {every_s[-1]}"
            yield f"a reading every {span} s", some


def readable(name: str) -> str:
    """A name of the program as words."""
    return name.replace("_", " ")
