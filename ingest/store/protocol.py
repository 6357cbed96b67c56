"""The contract of a store of readings. One suite, `tests/contract/test_reading_store.py`, tests every store.

A reading is keyed by (unit_id, observed_at_ms). Writing a key again changes nothing: the first row stays.
Order and grouping of what is appended make no difference to what is read.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Protocol

from ingest.reading import Reading, Readings


class StoreError(OSError):
    """The store could not do what was asked; asking again later is safe, because a key is kept once."""


class ReadingStore(Protocol):
    """Append and range-read. Every method may be called from any thread and raises `StoreError` alone."""

    def append(self, readings: Sequence[Reading]) -> int:
        """Keep readings of any units in any order; durable when this returns.

        Returns
        -------
        int
            Rows whose key was new. [rows]
        """
        ...

    def append_columns(self, *parts: Readings) -> int:
        """`append` for many rows, each part of one unit: the way in for history.

        Durable when this returns; after a `StoreError` some of the rows may be there, and repeating the
        call adds the others.
        """
        ...

    def contradicting(self, unit_id: str, start_ms: int, end_ms: int) -> list[Reading]:
        """Readings of ``start_ms <= observed_at_ms < end_ms`` that said something else than the row kept.

        Each content once, in order of time.
        """
        ...

    def read(self, unit_id: str, start_ms: int | None = None, end_ms: int | None = None) -> Readings:
        """Rows of one unit with ``start_ms <= observed_at_ms < end_ms``, ascending; None leaves a side open.

        An unknown unit has no rows, which is not an error.
        """
        ...

    def chunks(
        self, unit_id: str, start_ms: int | None = None, end_ms: int | None = None, rows: int = 500_000
    ) -> Iterator[Readings]:
        """The same rows as `read` in the same order, at most `rows` of them in memory at a time."""
        ...

    def latest(self, unit_id: str) -> Reading | None:
        """The unit's newest row by `observed_at_ms`."""
        ...

    def units(self) -> list[str]:
        """Every unit that has rows, in order of its name."""
        ...

    def span(self, unit_id: str) -> tuple[int, int] | None:
        """First and last `observed_at_ms` of a unit. [Unix ms], both inclusive."""
        ...

    def count(
        self,
        unit_id: str | None = None,
        end_ms: int | None = None,
        *,
        start_ms: int | None = None,
        without: int = 0,
    ) -> int:
        """Rows kept. [rows] May walk all of them: for checks, not for every second.

        Parameters
        ----------
        unit_id : str, optional
            One unit; None for all.
        start_ms, end_ms : int, optional
            Only rows with ``start_ms <= observed_at_ms < end_ms``; None leaves a side open. [Unix ms]
        without : int
            Leave out rows that carry any of these quality flags.
        """
        ...

    def close(self) -> None:
        """Let go of files and connections; a second call does nothing."""
        ...
