"""What was said of findings, version by version, for good: nothing here is ever changed or taken away.

A version is written when a finding is first said and whenever something that was said no longer holds; the
newest record itself is kept by `ingest.results`. As there, callers hand in the records' classes to read.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Generic, NamedTuple, TypeVar

import msgspec
import sqlalchemy as sa

from ingest import json_record
from ingest.database import finding_versions as kept
from ingest.result_rows import FindingLike, version_row

T = TypeVar("T", bound=msgspec.Struct)


class Version(NamedTuple, Generic[T]):
    """One version of a finding."""

    finding: T
    said_at_ms: int
    """When it was first said, on the board or in a mail. [Unix ms]"""
    cause: str
    """Why it was said."""
    mailed_at_ms: int | None
    """When it was first mailed; None: never. [Unix ms]"""


class FindingVersions:
    """Reads and writes versions. Any thread may call it; each call is one transaction."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine

    def newest(self, kind: type[T], unit_id: str) -> dict[str, T]:
        """What was said last of each finding of a unit, by finding_id."""
        return {
            finding_id: version.finding
            for finding_id, version in self._versions(kind, kept.c.unit_id == unit_id)
        }

    def of_unit(self, kind: type[T], unit_id: str) -> list[Version[T]]:
        """Every version of every finding of a unit, oldest first."""
        return [version for _, version in self._versions(kind, kept.c.unit_id == unit_id)]

    def of_findings(self, kind: type[T], finding_ids: Collection[str]) -> list[Version[T]]:
        """Every version of these findings, oldest first."""
        wanted = kept.c.finding_id.in_(sorted(finding_ids))
        return [version for _, version in self._versions(kind, wanted)] if finding_ids else []

    def unheard(self, unit_id: str) -> set[str]:
        """Findings of a unit with a version that the alarms may not be in line with: finding_ids."""
        wanted = sa.select(kept.c.finding_id).where(kept.c.unit_id == unit_id, kept.c.heard_at_ms.is_(None))
        with self._engine.connect() as connection:
            return set(connection.scalars(wanted))

    def note_heard(self, unit_id: str, now_ms: int) -> None:
        """The alarms are in line with all that was said of a unit. [Unix ms]"""
        unheard = sa.update(kept).where(kept.c.unit_id == unit_id, kept.c.heard_at_ms.is_(None))
        with self._engine.begin() as connection:
            connection.execute(unheard.values(heard_at_ms=now_ms))

    def _versions(self, kind: type[T], wanted: sa.ColumnElement[bool]) -> list[tuple[str, Version[T]]]:
        query = (
            sa.select(kept.c.finding_id, kept.c.record, kept.c.said_at_ms, kept.c.cause, kept.c.mailed_at_ms)
            .where(wanted)
            .order_by(kept.c.version_id)
        )
        with self._engine.connect() as connection:
            return [
                (finding_id, Version(json_record.decode(record, kind), *rest))
                for finding_id, record, *rest in connection.execute(query)
            ]


def add(connection: sa.Connection, said: Iterable[tuple[FindingLike, str]], said_at_ms: int) -> None:
    """Within the caller's transaction: keep findings as they are said from now on, each with its cause."""
    rows = [version_row(finding, cause, said_at_ms) for finding, cause in said]
    if rows:
        connection.execute(sa.insert(kept), rows)


def note_mailed(connection: sa.Connection, finding: FindingLike, cause: str, now_ms: int) -> None:
    """Within the caller's transaction: this is what a mail says of a finding. [Unix ms]

    The version that says the same is marked; when the newest one says something else, one is added with
    `cause`.
    """
    newest = connection.execute(
        sa.select(kept.c.version_id, kept.c.record, kept.c.mailed_at_ms)
        .where(kept.c.finding_id == finding.finding_id)
        .order_by(kept.c.version_id.desc())
        .limit(1)
    ).first()
    if newest is None or newest.record != json_record.encode(finding):
        row = version_row(finding, cause, now_ms) | {"mailed_at_ms": now_ms, "heard_at_ms": now_ms}
        connection.execute(sa.insert(kept), [row])
    elif newest.mailed_at_ms is None:
        connection.execute(
            sa.update(kept).where(kept.c.version_id == newest.version_id).values(mailed_at_ms=now_ms)
        )
