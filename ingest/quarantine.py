"""Messages and rows that could not be used, kept with the reason until somebody looks at them.

I/O: the only writer of the `quarantine` table. The listener adds before it acknowledges, the log import as
it reads; the board and the command line list, retry and drop.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import sqlalchemy as sa

from ingest.database import insert_if_absent, quarantine

MAX_PAYLOAD_BYTES = 1_000_000
"""A longer payload is kept up to here: enough to see what it was, and no one sender fills the disk."""
MAX_TEXT_CHARS = 2_000


class Rejected(NamedTuple):
    """Something that could not be used, on its way in."""

    received_at_ms: int
    topic: str
    """Topic of the message, or name and line of a log file."""
    reason: str
    payload: bytes


class Quarantined(NamedTuple):
    """One kept entry."""

    quarantine_id: int
    received_at_ms: int
    topic: str
    reason: str
    payload: bytes


_KEPT = [quarantine.c[name] for name in Quarantined._fields]


class Quarantine:
    """The entries in the operations database. Safe to share between threads, as the engine is."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine

    def add(self, received_at_ms: int, topic: str, reason: str, payload: bytes) -> None:
        """Keep one entry; durable when this returns."""
        self.add_many([Rejected(received_at_ms, topic, reason, payload)])

    def add_many(self, rows: Iterable[Rejected]) -> None:
        """Keep several entries in one transaction; durable when this returns."""
        self._insert(sa.insert(quarantine), [_values(row) for row in rows])

    def add_absent(self, rows: Iterable[Rejected]) -> None:
        """`add_many` for rows that may come again: the same topic, reason and payload stay one entry."""
        values = [_values(row) for row in rows]
        for value in values:
            value["fingerprint"] = _fingerprint(value)
        self._insert(insert_if_absent(self._engine, quarantine, quarantine.c.fingerprint), values)

    def _insert(self, statement: sa.Insert, values: list[dict[str, Any]]) -> None:
        if values:
            with self._engine.begin() as connection:
                connection.execute(statement, values)

    def recent(self, limit: int = 100) -> list[Quarantined]:
        """The newest entries, newest first."""
        query = sa.select(*_KEPT).order_by(quarantine.c.quarantine_id.desc()).limit(limit)
        with self._engine.connect() as connection:
            return [Quarantined(**row) for row in connection.execute(query).mappings()]

    def count(self) -> int:
        """How many entries are kept."""
        with self._engine.connect() as connection:
            return connection.execute(sa.select(sa.func.count()).select_from(quarantine)).scalar_one()

    def get(self, quarantine_id: int) -> Quarantined | None:
        """One entry, or None when it is gone."""
        query = sa.select(*_KEPT).where(quarantine.c.quarantine_id == quarantine_id)
        with self._engine.connect() as connection:
            row = connection.execute(query).mappings().one_or_none()
        return None if row is None else Quarantined(**row)

    def drop(self, quarantine_id: int) -> bool:
        """Forget one entry; False when it was gone already."""
        with self._engine.begin() as connection:
            done = connection.execute(
                sa.delete(quarantine).where(quarantine.c.quarantine_id == quarantine_id)
            )
        return done.rowcount > 0


def _values(row: Rejected) -> dict[str, Any]:
    reason, payload = row.reason, bytes(row.payload)
    if len(payload) > MAX_PAYLOAD_BYTES:
        reason += f" (first {MAX_PAYLOAD_BYTES} of {len(payload)} bytes kept)"
        payload = payload[:MAX_PAYLOAD_BYTES]
    return {
        "received_at_ms": row.received_at_ms,
        "topic": _storable(row.topic),
        "reason": _storable(reason),
        "payload": payload,
    }


def _fingerprint(values: Mapping[str, Any]) -> str:
    """SHA-256 (hex) over topic, reason and payload; neither text holds a NUL, which therefore separates."""
    texts = (values["topic"].encode(), values["reason"].encode(), values["payload"])
    return hashlib.sha256(b"\0".join(texts)).hexdigest()


def _storable(text: str) -> str:
    """Text that every database takes: no NUL, no lone surrogates, bounded."""
    return text.encode("utf-8", "backslashreplace").decode().replace("\x00", "\\x00")[:MAX_TEXT_CHARS]
