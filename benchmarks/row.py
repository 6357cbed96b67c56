"""One measured figure."""

from __future__ import annotations

import msgspec


class Row(msgspec.Struct, frozen=True, kw_only=True):
    """A line of the table and of `bench.json`. `target` is None where a figure is only compared with."""

    name: str
    value: float
    unit: str
    target: float | None
    holds: bool | None


def at_least(name: str, value: float, unit: str, target: float) -> Row:
    """A figure that should be large."""
    return Row(name=name, value=float(value), unit=unit, target=target, holds=bool(value >= target))


def at_most(name: str, value: float, unit: str, target: float) -> Row:
    """A figure that should be small."""
    return Row(name=name, value=float(value), unit=unit, target=target, holds=bool(value <= target))


def shown(name: str, value: float, unit: str) -> Row:
    """A figure without a target."""
    return Row(name=name, value=float(value), unit=unit, target=None, holds=None)
