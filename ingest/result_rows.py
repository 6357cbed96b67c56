"""The engine's records as rows of the operations database: what is looked at of each, its columns. Pure."""

from __future__ import annotations

import datetime as dt
from typing import Any, NamedTuple, Protocol

from ingest import json_record

WATER_DAY = ("unit_id", "date", "grams", "low", "high")
EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


class RunLike(Protocol):
    """A run, as far as this file looks at one. Times are aware UTC."""

    @property
    def unit_id(self) -> str: ...  # noqa: D102
    @property
    def start_at(self) -> dt.datetime: ...  # noqa: D102
    @property
    def end_at(self) -> dt.datetime | None: ...  # noqa: D102


class FindingLike(RunLike, Protocol):
    """A finding, as far as this file looks at one."""

    @property
    def finding_id(self) -> str: ...  # noqa: D102
    @property
    def pattern(self) -> str: ...  # noqa: D102


class WaterDayLike(Protocol):
    """Water at the end of a UTC day. [g]"""

    @property
    def unit_id(self) -> str: ...  # noqa: D102
    @property
    def date(self) -> dt.date: ...  # noqa: D102
    @property
    def grams(self) -> float: ...  # noqa: D102
    @property
    def low(self) -> float: ...  # noqa: D102
    @property
    def high(self) -> float: ...  # noqa: D102


class StatusLike(Protocol):
    """How a unit stands, as far as this file looks at it."""

    @property
    def unit_id(self) -> str: ...  # noqa: D102
    @property
    def observed_at(self) -> dt.datetime: ...  # noqa: D102


class Checkpoint(NamedTuple):
    """The engine's state as it was after the reading of `at_ms`. [Unix ms]"""

    unit_id: str
    at_ms: int
    state: bytes


class Watermark(NamedTuple):
    """How far a unit has been analysed."""

    analysed_until_ms: int
    """Instant of the newest reading taken in. [Unix ms]"""
    analysed_at_ms: int | None
    """When that was done. [Unix ms]"""
    n_readings: int | None
    """Readings taken in up to there; those whose clock was wrong are not among them."""


def run_row(record: RunLike) -> dict[str, Any]:
    """Keyed by (unit_id, start_at_ms)."""
    return {
        "unit_id": record.unit_id,
        "start_at_ms": _ms(record.start_at),
        "end_at_ms": None if record.end_at is None else _ms(record.end_at),
        "record": json_record.encode(record),
    }


def day_row(record: WaterDayLike) -> dict[str, Any]:
    """Keyed by (unit_id, date)."""
    return {name: getattr(record, name) for name in WATER_DAY}


def status_row(record: StatusLike, watermark: Watermark | None) -> dict[str, Any]:
    """Keyed by unit_id: the newest save counts, which after a rewind may look back."""
    return {
        "unit_id": record.unit_id,
        "observed_at_ms": _ms(record.observed_at),
        "record": json_record.encode(record),
        "analysed_at_ms": watermark and watermark.analysed_at_ms,
        "n_readings": watermark and watermark.n_readings,
    }


def checkpoint_row(checkpoint: Checkpoint) -> dict[str, Any]:
    """Keyed by (unit_id, observed_at_ms)."""
    return {
        "unit_id": checkpoint.unit_id,
        "observed_at_ms": checkpoint.at_ms,
        "state": checkpoint.state,
    }


def finding_row(record: FindingLike) -> dict[str, Any]:
    """Keyed by finding_id."""
    return {
        **run_row(record),
        "finding_id": record.finding_id,
        "pattern": str(record.pattern),
    }


def _ms(at: dt.datetime) -> int:
    """Unix ms, exactly: a float of seconds may fall short of the millisecond it stands for."""
    return (at - EPOCH) // dt.timedelta(milliseconds=1)
