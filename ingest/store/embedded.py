"""Readings in one SQLite file: the default store, nothing to install or run.

One writer connection behind a lock; every bulk read has an ADBC connection of its own and so its own
snapshot, because write-ahead logging lets readers and the writer pass each other.
"""

from __future__ import annotations

import itertools
import math
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import adbc_driver_manager
import adbc_driver_sqlite.dbapi as adbc_sqlite
import numpy as np

from ingest.reading import COLUMNS, NAN, SIGNALS, Reading, Readings
from ingest.store.protocol import StoreError

SCHEMA_VERSION = 1
"""Kept in the file's `user_version`; a file from a newer Dewline is refused, not guessed at."""

SAME_VALUE = 1e-6
"""Two reports of a signal closer than this are one: what converting units there and back may cost."""

_ROWS_PER_TRANSACTION = 100_000
_CACHE_KIB = 65_536
_ALL = ", ".join(COLUMNS)
_SIGNALS_DECLARED = "".join(f"{name} REAL, " for name in SIGNALS)
_ROW_DECLARED = f"""
    unit_key INTEGER NOT NULL REFERENCES units (unit_key), observed_at_ms INTEGER NOT NULL,
    received_at_ms INTEGER NOT NULL, {_SIGNALS_DECLARED} seq INTEGER NOT NULL, quality INTEGER NOT NULL"""

# A key of two small integers makes the table its own index: rows of a unit lie side by side in order of
# time, so that a range read is one sweep of neighbouring pages.
_SCHEMA = f"""
CREATE TABLE IF NOT EXISTS units (unit_key INTEGER PRIMARY KEY, unit_id TEXT NOT NULL UNIQUE);
CREATE TABLE IF NOT EXISTS readings ({_ROW_DECLARED}, PRIMARY KEY (unit_key, observed_at_ms)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS conflicts (conflict_key INTEGER PRIMARY KEY, {_ROW_DECLARED});
CREATE INDEX IF NOT EXISTS ix_conflicts_unit ON conflicts (unit_key, observed_at_ms);
PRAGMA user_version = {SCHEMA_VERSION};
"""

_PLACES = ", ".join("?" * (len(COLUMNS) + 1))
_INSERT = f"""INSERT INTO readings (unit_key, {_ALL}) VALUES ({_PLACES})
    ON CONFLICT (unit_key, observed_at_ms) DO NOTHING"""  # noqa: S608 - names are constants of this package

_DIFFERS = " OR ".join(
    f"(n.{name} IS NOT NULL AND (kept.{name} IS NULL OR abs(n.{name} - kept.{name}) > {SAME_VALUE}))"
    for name in SIGNALS
)
_NOTED = " AND ".join(f"c.{name} IS n.{name}" for name in ("unit_key", "observed_at_ms", *SIGNALS))
_NEW_ROW = ", ".join(f"? AS {name}" for name in ("unit_key", *COLUMNS))
_NOTE_CONFLICT = f"""INSERT INTO conflicts (unit_key, {_ALL})
    SELECT n.* FROM (SELECT {_NEW_ROW}) AS n JOIN readings AS kept USING (unit_key, observed_at_ms)
    WHERE ({_DIFFERS}) AND NOT EXISTS (SELECT 1 FROM conflicts AS c WHERE {_NOTED})"""  # noqa: S608

# ADBC takes a column's type from its first batch, and an all-NULL batch would make it an integer. A value
# that SQLite reads as infinity keeps it a float; `append` lets no infinity in, so it can only mean NULL.
_READ_COLUMNS = ", ".join(f"coalesce({name}, 9e999)" if name in SIGNALS else name for name in COLUMNS)
_RANGE = "unit_key = ? AND observed_at_ms >= ? AND observed_at_ms < ?"
_READ = f"SELECT {_READ_COLUMNS} FROM readings WHERE {_RANGE} ORDER BY observed_at_ms LIMIT ?"  # noqa: S608
_LATEST = f"SELECT {_ALL} FROM readings WHERE unit_key = ? ORDER BY observed_at_ms DESC LIMIT 1"  # noqa: S608
_CONFLICTS = f"""SELECT unit_id, {_ALL} FROM conflicts JOIN units USING (unit_key)
    ORDER BY conflict_key DESC LIMIT ?"""  # noqa: S608

_FIRST_MS, _LAST_MS = -(2**63), 2**63 - 1
_NO_LIMIT = -1

Row = tuple[int | float | None, ...]


class EmbeddedStore:
    """`ReadingStore` in one SQLite file.

    A reading whose key is taken and that reports something else than the row kept (a signal the row lacks,
    or a value further off than `SAME_VALUE`) goes to the table `conflicts`, once however often it comes:
    see `conflicts`. Infinities are kept as "not reported", as NaN is.

    Parameters
    ----------
    path : Path
        The file; made when missing, and so is its folder.
    busy_timeout_s : float
        How long a write waits for another process that holds the file. [s]

    Raises
    ------
    StoreError
        From every method: file locked for longer, disk full, not a database, or of a newer version.
    """

    def __init__(self, path: Path, *, busy_timeout_s: float = 5.0) -> None:
        self._path = Path(path).absolute()
        self._write_lock = threading.Lock()
        self._read_lock = threading.Lock()
        self._keys: dict[str, int] = {}
        self._closed = False
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"{self._path}: could not make its folder: {error}") from error
        with self._as_store_error("open"):
            self._writer = self._connect(busy_timeout_s)
            self._prepare()
            self._reader = self._connect(busy_timeout_s)

    def _connect(self, busy_timeout_s: float) -> sqlite3.Connection:
        return sqlite3.connect(
            self._path, timeout=busy_timeout_s, isolation_level=None, check_same_thread=False
        )

    def _prepare(self) -> None:
        version = self._writer.execute("PRAGMA user_version").fetchone()[0]
        if version > SCHEMA_VERSION:
            self._writer.close()
            raise StoreError(
                f"{self._path}: schema version {version}, this Dewline reads up to {SCHEMA_VERSION}"
            )
        self._writer.execute("PRAGMA journal_mode = WAL")
        # With WAL, NORMAL leaves the newest commits to the operating system until a checkpoint: a power cut
        # would take readings that were already acknowledged to the broker. FULL syncs the log per commit.
        self._writer.execute("PRAGMA synchronous = FULL")
        self._writer.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        if version < SCHEMA_VERSION:
            self._writer.executescript(_SCHEMA)

    @contextmanager
    def _as_store_error(self, verb: str) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, adbc_driver_manager.Error) as error:
            raise StoreError(f"{self._path}: could not {verb}: {error}") from error
        except OverflowError as error:
            raise StoreError(f"{self._path}: could not {verb}: a number needs more than 64 bits") from error

    @contextmanager
    def _transaction(self) -> Iterator[dict[str, int]]:
        """One write transaction; the dict takes unit keys, which count only once it has committed."""
        with self._write_lock, self._as_store_error("append"):
            self._writer.execute("BEGIN IMMEDIATE")
            made: dict[str, int] = {}
            try:
                yield made
                self._writer.execute("COMMIT")
            except BaseException:
                if self._writer.in_transaction:
                    self._writer.execute("ROLLBACK")
                raise
            self._keys.update(made)

    def _key_for_writing(self, unit_id: str, made: dict[str, int]) -> int:
        key = self._keys.get(unit_id) or made.get(unit_id)
        if key is None:
            self._writer.execute("INSERT INTO units (unit_id) VALUES (?) ON CONFLICT DO NOTHING", (unit_id,))
            found = self._writer.execute("SELECT unit_key FROM units WHERE unit_id = ?", (unit_id,))
            key = made[unit_id] = int(found.fetchone()[0])
        return key

    def _key(self, unit_id: str) -> int | None:
        key = self._keys.get(unit_id)
        if key is None:
            row = self._fetch_one("SELECT unit_key FROM units WHERE unit_id = ?", (unit_id,))
            key = None if row is None else int(row[0])
            if key is not None:
                self._keys[unit_id] = key
        return key

    def _fetch_one(self, sql: str, values: tuple[Any, ...]) -> tuple[Any, ...] | None:
        with self._read_lock, self._as_store_error("read"):
            row: tuple[Any, ...] | None = self._reader.execute(sql, values).fetchone()
            return row

    def append(self, readings: Sequence[Reading]) -> int:
        """See `ReadingStore.append`: all of them in one transaction, or none."""
        if not readings:
            return 0
        with self._transaction() as made:
            rows = [_row(self._key_for_writing(reading.unit_id, made), reading) for reading in readings]
            return self._insert(rows)

    def append_columns(self, readings: Readings) -> int:
        """See `ReadingStore.append_columns`: one transaction for every 100,000 rows."""
        n_new = 0
        for start in range(0, len(readings), _ROWS_PER_TRANSACTION):
            part = readings[start : start + _ROWS_PER_TRANSACTION]
            columns = [_finite(getattr(part, name)).tolist() for name in COLUMNS]
            with self._transaction() as made:
                key = self._key_for_writing(readings.unit_id, made)
                n_new += self._insert(list(zip(itertools.repeat(key), *columns, strict=False)))
        return n_new

    def _insert(self, rows: Sequence[Row]) -> int:
        before = self._writer.total_changes
        self._writer.executemany(_INSERT, rows)
        n_new = self._writer.total_changes - before
        if n_new < len(rows):
            self._writer.executemany(_NOTE_CONFLICT, rows)
        return n_new

    def read(self, unit_id: str, start_ms: int | None = None, end_ms: int | None = None) -> Readings:
        """See `ReadingStore.read`."""
        return self._read(unit_id, start_ms, end_ms, _NO_LIMIT)

    def chunks(
        self, unit_id: str, start_ms: int | None = None, end_ms: int | None = None, rows: int = 500_000
    ) -> Iterator[Readings]:
        """See `ReadingStore.chunks`: each chunk is a read of its own, so no snapshot holds up the log."""
        while len(part := self._read(unit_id, start_ms, end_ms, rows)):
            yield part
            if len(part) < rows:
                return
            start_ms = int(part.observed_at_ms[-1]) + 1

    def _read(self, unit_id: str, start_ms: int | None, end_ms: int | None, rows: int) -> Readings:
        key = self._key(unit_id)
        if key is None:
            return Readings.from_rows(unit_id, ())
        first = _FIRST_MS if start_ms is None else start_ms
        last = _LAST_MS if end_ms is None else end_ms
        with (
            self._as_store_error("read"),
            adbc_sqlite.connect(str(self._path), autocommit=True) as connection,
            connection.cursor() as cursor,
        ):
            cursor.execute(_READ, (key, first, last, rows))
            table = cursor.fetch_arrow_table()
        arrays = (column.to_numpy() for column in table.columns)
        columns = {name: _from_store(name, array) for name, array in zip(COLUMNS, arrays, strict=True)}
        return Readings(unit_id=unit_id, **columns)

    def latest(self, unit_id: str) -> Reading | None:
        """See `ReadingStore.latest`."""
        key = self._key(unit_id)
        row = None if key is None else self._fetch_one(_LATEST, (key,))
        return None if row is None else _reading(unit_id, row)

    def conflicts(self, limit: int = 1000) -> list[Reading]:
        """Readings that contradicted the row already kept for their instant, newest arrival first."""
        with self._read_lock, self._as_store_error("read"):
            rows = self._reader.execute(_CONFLICTS, (limit,)).fetchall()
        return [_reading(row[0], row[1:]) for row in rows]

    def units(self) -> list[str]:
        """See `ReadingStore.units`."""
        with self._read_lock, self._as_store_error("read"):
            return [row[0] for row in self._reader.execute("SELECT unit_id FROM units ORDER BY unit_id")]

    def span(self, unit_id: str) -> tuple[int, int] | None:
        """See `ReadingStore.span`."""
        key = self._key(unit_id)
        if key is None:
            return None
        # Two questions, because SQLite answers a lone min or max from the ends of the key and both by a scan.
        row = self._fetch_one(
            "SELECT (SELECT min(observed_at_ms) FROM readings WHERE unit_key = ?1), "
            "(SELECT max(observed_at_ms) FROM readings WHERE unit_key = ?1)",
            (key,),
        )
        return None if row is None or row[0] is None else (row[0], row[1])

    def count(self) -> int:
        """See `ReadingStore.count`."""
        row = self._fetch_one("SELECT count(*) FROM readings", ())
        return 0 if row is None else int(row[0])

    def close(self) -> None:
        """See `ReadingStore.close`."""
        with self._write_lock, self._read_lock:
            if not self._closed:
                self._closed = True
                self._reader.close()
                self._writer.close()


def _row(key: int, reading: Reading) -> Row:
    values = (getattr(reading, name) for name in COLUMNS)
    return (key, *(None if isinstance(value, float) and math.isinf(value) else value for value in values))


def _reading(unit_id: str, row: Iterable[Any]) -> Reading:
    values: dict[str, Any] = {
        name: NAN if value is None else value for name, value in zip(COLUMNS, row, strict=True)
    }
    return Reading(unit_id=unit_id, **values)


def _finite(column: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """The column with NaN for infinities; SQLite itself keeps a NaN as NULL."""
    if column.dtype.kind != "f":
        return column
    return np.where(np.isinf(column), NAN, column)


def _from_store(name: str, column: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """One column as read: house dtype, NaN where it was NULL."""
    return _finite(column.astype(np.float64 if name in SIGNALS else np.int64))
