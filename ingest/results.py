"""What the engine has said, kept as JSON records: runs, findings, days of water, standings, checkpoints.

This folder may not import the records' classes: callers hand them in to read (``results.runs(Run, "A7")``),
and writing needs only the attributes that become keys. Saving a key again replaces its record.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

import msgspec
import sqlalchemy as sa

from ingest import finding_versions, json_record
from ingest.database import (
    checkpoints,
    findings,
    rewinds,
    runs,
    unit_status,
    unsaid_findings,
    upsert,
    water_days,
)
from ingest.result_rows import (
    EPOCH,
    WATER_DAY,
    Checkpoint,
    FindingLike,
    Rewind,
    RunLike,
    Said,
    StatusLike,
    WaterDayLike,
    Watermark,
    checkpoint_row,
    day_row,
    finding_row,
    run_row,
    status_row,
    unsaid_row,
    watermark_of,
)

__all__ = ["Checkpoint", "Results", "Rewind", "Said", "Watermark"]

T = TypeVar("T", bound=msgspec.Struct)


class Results:
    """Reads and writes the engine's records. Any thread may call it; each save is one transaction."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine
        # Building a statement takes longer than carrying it out.
        self._upserts = {
            table: upsert(engine, table)
            for table in (runs, findings, unsaid_findings, water_days, unit_status, checkpoints, rewinds)
        }

    def save(
        self,
        *,
        run_records: Iterable[RunLike] = (),
        finding_records: Iterable[FindingLike] = (),
        unsaid_records: Iterable[FindingLike] = (),
        day_records: Iterable[WaterDayLike] = (),
        status: StatusLike | None = None,
        watermark: Watermark | None = None,
        checkpoint: Checkpoint | None = None,
        checkpoint_instants_ms: Sequence[int] | None = None,
        said: Said | None = None,
    ) -> None:
        """Keep all of it, in one transaction.

        Parameters
        ----------
        unsaid_records : iterable
            Findings on the way, of which nothing is said before all has been worked out.
        watermark : Watermark, optional
            Goes with `status`.
        checkpoint_instants_ms : sequence of int, optional
            With `checkpoint`: those of its unit to keep, the others go. [Unix ms]
        said : Said, optional
            Ends what is in hand of its unit: its `unsaid`, and its rewind. Waits for the disk, since what
            was said can't be worked out again from the readings.
        """
        with self._engine.begin() if said is not None and said.versions else self._unsynced() as connection:
            self._write(connection, runs, [run_row(record) for record in run_records])
            self._write(connection, findings, [finding_row(record) for record in finding_records])
            self._write(connection, unsaid_findings, [unsaid_row(record) for record in unsaid_records])
            self._write(connection, water_days, [day_row(record) for record in day_records])
            self._write(connection, unit_status, [] if status is None else [status_row(status, watermark)])
            if checkpoint is not None:
                self._write(connection, checkpoints, [checkpoint_row(checkpoint)])
                if checkpoint_instants_ms is not None:
                    connection.execute(_other_checkpoints(checkpoint.unit_id, checkpoint_instants_ms))
            if said is not None:
                finding_versions.add(connection, said.versions, said.at_ms)
                for table in (unsaid_findings, rewinds):
                    connection.execute(sa.delete(table).where(table.c.unit_id == said.unit_id))

    @contextmanager
    def _unsynced(self) -> Iterator[sa.Connection]:
        """A transaction that does not wait for the disk.

        All of this comes again from the readings, which are synced: what a power cut takes of it is folded
        anew. What is synced later takes it along, for both go into one log in order.
        """
        with self._engine.connect() as connection:
            raw = connection.connection.driver_connection
            if self._engine.dialect.name != "sqlite" or raw is None:
                with connection.begin():
                    yield connection
                return
            raw.execute("PRAGMA synchronous = NORMAL")
            try:
                with connection.begin():
                    yield connection
            finally:
                # One that was given up in the middle is closed, and nobody gets it again.
                if not connection.invalidated:
                    raw.execute("PRAGMA synchronous = FULL")

    def _write(self, connection: sa.Connection, table: sa.Table, rows: Sequence[dict[str, Any]]) -> None:
        if rows:
            connection.execute(self._upserts[table], rows)

    def runs(
        self,
        kind: type[T],
        unit_id: str | None = None,
        start_ms: int | None = None,
        end_ms: int | None = None,
    ) -> list[T]:
        """Runs that touch ``start_ms <= t < end_ms``, by start; a run still turning reaches to the end.

        Parameters
        ----------
        kind : type
            Struct that the records decode to.
        unit_id : str, optional
            One unit; None for all.
        start_ms, end_ms : int, optional
            [Unix ms]; None leaves a side open.
        """
        wanted = sa.select(runs.c.record).order_by(runs.c.start_at_ms, runs.c.unit_id)
        if unit_id is not None:
            wanted = wanted.where(runs.c.unit_id == unit_id)
        if start_ms is not None:
            wanted = wanted.where(sa.or_(runs.c.end_at_ms.is_(None), runs.c.end_at_ms >= start_ms))
        if end_ms is not None:
            wanted = wanted.where(runs.c.start_at_ms < end_ms)
        return self._records(kind, wanted)

    def findings(self, kind: type[T], unit_id: str | None = None, *, standing_only: bool = False) -> list[T]:
        """Findings by start, of one unit or all; `standing_only` leaves out those that have ended."""
        wanted = sa.select(findings.c.record).order_by(findings.c.start_at_ms, findings.c.finding_id)
        if unit_id is not None:
            wanted = wanted.where(findings.c.unit_id == unit_id)
        if standing_only:
            wanted = wanted.where(findings.c.end_at_ms.is_(None))
        return self._records(kind, wanted)

    def water_days(
        self, kind: type[T], unit_id: str, start: dt.date | None = None, end: dt.date | None = None
    ) -> list[T]:
        """Days of water with ``start <= date < end``, by date."""
        columns = [water_days.c[name] for name in WATER_DAY]
        wanted = sa.select(*columns).where(water_days.c.unit_id == unit_id).order_by(water_days.c.date)
        if start is not None:
            wanted = wanted.where(water_days.c.date >= start)
        if end is not None:
            wanted = wanted.where(water_days.c.date < end)
        with self._engine.connect() as connection:
            rows = connection.execute(wanted).all()
        return [msgspec.convert(dict(zip(WATER_DAY, row, strict=True)), kind) for row in rows]

    def status(self, kind: type[T], unit_id: str) -> T | None:
        """How one unit stands."""
        wanted = sa.select(unit_status.c.record).where(unit_status.c.unit_id == unit_id)
        return next(iter(self._records(kind, wanted)), None)

    def statuses(self, kind: type[T]) -> list[T]:
        """How every unit stands, in order of unit_id."""
        return self._records(kind, sa.select(unit_status.c.record).order_by(unit_status.c.unit_id))

    def watermark(self, unit_id: str) -> Watermark | None:
        """How far one unit has been analysed; None before its first reading."""
        kept = unit_status.c
        wanted = sa.select(
            kept.observed_at_ms, kept.analysed_at_ms, kept.n_readings, kept.made_with, kept.serviced
        )
        with self._engine.connect() as connection:
            row = connection.execute(wanted.where(kept.unit_id == unit_id)).first()
        return None if row is None else watermark_of(row)

    def _records(self, kind: type[T], wanted: sa.Select[str]) -> list[T]:
        with self._engine.connect() as connection:
            return [json_record.decode(record, kind) for record in connection.scalars(wanted)]

    def checkpoint_before(self, unit_id: str, at_ms: int | None = None) -> tuple[int, bytes] | None:
        """Newest (observed_at_ms, state) with ``observed_at_ms < at_ms``; None: newest of all."""
        wanted = (
            sa.select(checkpoints.c.observed_at_ms, checkpoints.c.state)
            .where(checkpoints.c.unit_id == unit_id)
            .order_by(checkpoints.c.observed_at_ms.desc())
            .limit(1)
        )
        if at_ms is not None:
            wanted = wanted.where(checkpoints.c.observed_at_ms < at_ms)
        with self._engine.connect() as connection:
            row = connection.execute(wanted).first()
        return None if row is None else (row.observed_at_ms, row.state)

    def checkpoint_instants(self, unit_id: str) -> list[int]:
        """Instants of a unit's checkpoints, oldest first. [Unix ms]"""
        wanted = (
            sa.select(checkpoints.c.observed_at_ms)
            .where(checkpoints.c.unit_id == unit_id)
            .order_by(checkpoints.c.observed_at_ms)
        )
        with self._engine.connect() as connection:
            return list(connection.scalars(wanted))

    def checkpoint(self, unit_id: str, at_ms: int) -> bytes | None:
        """The state kept at exactly `at_ms`. [Unix ms]"""
        found = self.checkpoint_before(unit_id, at_ms + 1)
        return found[1] if found is not None and found[0] == at_ms else None

    def unsaid(self, kind: type[T], unit_id: str) -> list[T]:
        """Findings of a unit that have been worked out and not been said yet."""
        found = unsaid_findings.c
        return self._records(kind, sa.select(found.record).where(found.unit_id == unit_id))

    def rewind_in_hand(self, unit_id: str) -> Rewind | None:
        """What `rewind` has begun and no `save` with `said` has ended."""
        wanted = sa.select(rewinds.c.from_ms, rewinds.c.cause).where(rewinds.c.unit_id == unit_id)
        with self._engine.connect() as connection:
            row = connection.execute(wanted).first()
        return None if row is None else Rewind(*row)

    def rewind(
        self,
        unit_id: str,
        at_ms: int | None,
        *,
        runs_from_ms: int | None,
        standing: Iterable[FindingLike] = (),
        in_hand: Rewind | None = None,
    ) -> None:
        """Take back what later readings will say anew, in one transaction.

        Goes: runs that started at or after `runs_from_ms`, days of water later than the UTC day of `at_ms`,
        checkpoints after `at_ms`, unsaid findings flagged after `at_ms`. Stays: what was said of findings,
        until all has been worked out again.

        Parameters
        ----------
        at_ms : int or None
            Instant of the state that is taken up again; None for the very start. [Unix ms]
        runs_from_ms : int or None
            Every run that began before is closed for good in that state; None: none is. [Unix ms]
        standing : iterable
            Findings that stood in that state: unsaid, until it is known what became of them.
        in_hand : Rewind, optional
            Kept until `save` is given what is said at the end.
        """
        gone = (
            {runs: [], water_days: [], checkpoints: [], unsaid_findings: []}
            if at_ms is None
            else {
                runs: [] if runs_from_ms is None else [runs.c.start_at_ms >= runs_from_ms],
                water_days: [water_days.c.date > (EPOCH + dt.timedelta(milliseconds=at_ms)).date()],
                checkpoints: [checkpoints.c.observed_at_ms > at_ms],
                unsaid_findings: [unsaid_findings.c.flagged_at_ms > at_ms],
            }
        )
        with self._engine.begin() as connection:
            for table, late in gone.items():
                connection.execute(sa.delete(table).where(table.c.unit_id == unit_id, *late))
            self._write(connection, unsaid_findings, [unsaid_row(record) for record in standing])
            if in_hand is not None:
                self._write(connection, rewinds, [{"unit_id": unit_id, **in_hand._asdict()}])


def _other_checkpoints(unit_id: str, kept_ms: Sequence[int]) -> sa.Delete:
    """Deletes a unit's checkpoints but those of some instants. [Unix ms]"""
    return sa.delete(checkpoints).where(
        checkpoints.c.unit_id == unit_id, checkpoints.c.observed_at_ms.not_in(kept_ms)
    )
