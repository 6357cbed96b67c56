"""The engine's records as rows of the operations database: what is looked at of each, its columns. Pure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any, NamedTuple, Protocol

import msgspec

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
    @property
    def first_flagged_at(self) -> dt.datetime: ...  # noqa: D102


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
    made_with: str | None = None
    """Fingerprint of the ratings, settings and models that took them in."""
    serviced: tuple[tuple[int, str], ...] | None = None
    """Recorded work taken in, as `ingest.maintenance.Service.key`."""


class Rewind(NamedTuple):
    """That a unit's history is being worked through again."""

    from_ms: int | None
    """Findings flagged later have to prove themselves anew; None: all of them. [Unix ms]"""
    cause: str | None
    """Why; None: for no other reason than that the program was started."""


class Said(NamedTuple):
    """What is said of a unit's findings from now on, now that all is worked out."""

    unit_id: str
    versions: Sequence[tuple[FindingLike, str]]
    """Those that differ from what was said before, each with its cause."""
    at_ms: int
    """[Unix ms]"""


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
        "made_with": watermark and watermark.made_with,
        "serviced": None
        if watermark is None or watermark.serviced is None
        else msgspec.json.encode(watermark.serviced).decode(),
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


def unsaid_row(record: FindingLike) -> dict[str, Any]:
    """Keyed by (unit_id, finding_id)."""
    return {
        "unit_id": record.unit_id,
        "finding_id": record.finding_id,
        "flagged_at_ms": _ms(record.first_flagged_at),
        "record": json_record.encode(record),
    }


def version_row(record: FindingLike, cause: str, said_at_ms: int) -> dict[str, Any]:
    """One more version; nobody has heard of it yet."""
    return {
        "unit_id": record.unit_id,
        "finding_id": record.finding_id,
        "said_at_ms": said_at_ms,
        "cause": cause,
        "mailed_at_ms": None,
        "heard_at_ms": None,
        "record": json_record.encode(record),
    }


def watermark_of(row: Sequence[Any]) -> Watermark:
    """From the columns of `unit_status`, in this record's order."""
    until_ms, at_ms, n_readings, made_with, serviced = row
    known = None if serviced is None else msgspec.json.decode(serviced, type=tuple[tuple[int, str], ...])
    return Watermark(until_ms, at_ms, n_readings, made_with, known)


def _ms(at: dt.datetime) -> int:
    """Unix ms, exactly: a float of seconds may fall short of the millisecond it stands for."""
    return (at - EPOCH) // dt.timedelta(milliseconds=1)
