"""Readings in one SQLite file: the default store, nothing to install or run.

Nothing else in the process may open this file with another SQLite than `arrow_sqlite` brings: see there.
One writer connection behind a lock; every bulk read has a connection of its own and so its own snapshot,
because write-ahead logging lets readers and the writer pass each other.
"""

from __future__ import annotations

import operator
import weakref
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import adbc_driver_manager
import numpy as np
import pyarrow as pa

from ingest.reading import COLUMNS, NAN, SIGNALS, Reading, Readings
from ingest.store.arrow_sqlite import Connection
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
_SCHEMA = (
    "CREATE TABLE IF NOT EXISTS units (unit_key INTEGER PRIMARY KEY, unit_id TEXT NOT NULL UNIQUE)",
    f"""CREATE TABLE IF NOT EXISTS readings
        ({_ROW_DECLARED}, PRIMARY KEY (unit_key, observed_at_ms)) WITHOUT ROWID""",
    f"CREATE TABLE IF NOT EXISTS conflicts (conflict_key INTEGER PRIMARY KEY, {_ROW_DECLARED})",
    "CREATE INDEX IF NOT EXISTS ix_conflicts_unit ON conflicts (unit_key, observed_at_ms)",
    f"PRAGMA user_version = {SCHEMA_VERSION}",
)

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
_CONTRADICTING = f"SELECT {_ALL} FROM conflicts WHERE {_RANGE} ORDER BY observed_at_ms, conflict_key"  # noqa: S608

_FIRST_MS, _LAST_MS = -(2**63), 2**63 - 1
_NO_LIMIT = -1

Array = np.ndarray[Any, Any]
_values_of = operator.attrgetter(*COLUMNS)


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
        self._busy_timeout_ms = round(busy_timeout_s * 1000)
        self._keys: dict[str, int] = {}
        self._idle: list[Connection] = []
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"{self._path}: could not make its folder: {error}") from error
        self._resources = ExitStack()
        # Closes at the latest when the store is collected or the process ends in order.
        weakref.finalize(self, self._resources.close)
        with self._as_store_error("open"):
            try:
                self._writer = self._open()
                self._prepare()
                self._reader = self._open()
            except BaseException:
                self._resources.close()
                raise

    def _open(self) -> Connection:
        connection = Connection(self._path, self._busy_timeout_ms)
        self._resources.callback(connection.close)
        return connection

    def _prepare(self) -> None:
        version = self._writer.rows("PRAGMA user_version")[0][0]
        if version > SCHEMA_VERSION:
            raise StoreError(
                f"{self._path}: schema version {version}, this Dewline reads up to {SCHEMA_VERSION}"
            )
        self._writer.rows("PRAGMA journal_mode = WAL")
        # With WAL, NORMAL leaves the newest commits to the operating system until a checkpoint: a power cut
        # would take readings that were already acknowledged to the broker. FULL syncs the log per commit.
        self._writer.rows("PRAGMA synchronous = FULL")
        self._writer.rows(f"PRAGMA cache_size = -{_CACHE_KIB}")
        # After a large import the log would otherwise keep its largest size for ever.
        self._writer.rows(f"PRAGMA journal_size_limit = {_CACHE_KIB * 1024}")
        if version < SCHEMA_VERSION:
            for statement in _SCHEMA:
                self._writer.rows(statement)

    @contextmanager
    def _as_store_error(self, verb: str) -> Iterator[None]:
        try:
            yield
        except (adbc_driver_manager.Error, pa.ArrowException) as error:
            raise StoreError(f"{self._path}: could not {verb}: {error}") from error
        except OverflowError as error:
            raise StoreError(f"{self._path}: could not {verb}: a number needs more than 64 bits") from error

    @contextmanager
    def _transaction(self) -> Iterator[dict[str, int]]:
        """One write transaction; the dict takes unit keys, which count only once it has committed."""
        with self._writer.lock, self._as_store_error("append"):
            self._writer.rows("BEGIN IMMEDIATE")
            made: dict[str, int] = {}
            try:
                yield made
                self._writer.rows("COMMIT")
            except BaseException:
                # SQLite has rolled back by itself after some faults, a full disk among them.
                with suppress(adbc_driver_manager.Error):
                    self._writer.rows("ROLLBACK")
                raise
            self._keys.update(made)

    def _key_for_writing(self, unit_id: str, made: dict[str, int]) -> int:
        key = self._keys.get(unit_id) or made.get(unit_id)
        if key is None:
            self._writer.rows("INSERT INTO units (unit_id) VALUES (?) ON CONFLICT DO NOTHING", (unit_id,))
            key = self._writer.rows("SELECT unit_key FROM units WHERE unit_id = ?", (unit_id,))[0][0]
            made[unit_id] = key
        return key

    def _key(self, unit_id: str) -> int | None:
        key = self._keys.get(unit_id)
        if key is None:
            for row in self._rows("SELECT unit_key FROM units WHERE unit_id = ?", (unit_id,)):
                key = self._keys[unit_id] = row[0]
        return key

    def _rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        with self._reader.lock, self._as_store_error("read"):
            return self._reader.rows(sql, values)

    def append(self, readings: Sequence[Reading]) -> int:
        """See `ReadingStore.append`: all of them in one transaction, or none."""
        if not readings:
            return 0
        with self._transaction() as made:
            keys = [self._key_for_writing(reading.unit_id, made) for reading in readings]
            columns = zip(COLUMNS, zip(*map(_values_of, readings), strict=True), strict=True)
            return self._insert(keys, {name: _to_store(name, column) for name, column in columns})

    def append_columns(self, *parts: Readings) -> int:
        """See `ReadingStore.append_columns`: one transaction for every 100,000 rows."""
        parts = tuple(part for part in parts if len(part))
        columns = {
            name: _to_store(name, np.concatenate([getattr(part, name) for part in parts]))
            for name in (COLUMNS if parts else ())
        }
        part_of = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
        n_new = 0
        for start in range(0, len(part_of), _ROWS_PER_TRANSACTION):
            rows = slice(start, start + _ROWS_PER_TRANSACTION)
            with self._transaction() as made:
                # Only the units of this transaction: an entry made in one that fails must not stay.
                used = range(part_of[rows][0], part_of[rows][-1] + 1)
                keys = np.array([self._key_for_writing(parts[i].unit_id, made) for i in used])
                row_keys = keys[part_of[rows] - used[0]]
                n_new += self._insert(row_keys, {name: column[rows] for name, column in columns.items()})
        return n_new

    def _insert(self, keys: Sequence[int] | Array, columns: dict[str, Array]) -> int:
        rows = pa.table({"unit_key": np.asarray(keys, dtype=np.int64), **columns})
        before = self._n_changes()
        self._writer.run_for_each(_INSERT, rows)
        n_new = self._n_changes() - before
        if n_new < len(rows):
            self._writer.run_for_each(_NOTE_CONFLICT, rows)
        return n_new

    def _n_changes(self) -> int:
        return int(self._writer.rows("SELECT total_changes()")[0][0])

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
        with self._as_store_error("read"), self._idle_connection() as connection:
            table = connection.table(_READ, (key, first, last, rows))
        arrays = (column.to_numpy() for column in table.columns)
        columns = {name: _to_store(name, array) for name, array in zip(COLUMNS, arrays, strict=True)}
        return Readings(unit_id=unit_id, **columns)

    @contextmanager
    def _idle_connection(self) -> Iterator[Connection]:
        """A connection that nobody else uses meanwhile; opening one costs more than reading a row."""
        try:
            connection = self._idle.pop()
        except IndexError:
            connection = self._open()
        yield connection
        # One that has failed in the middle of an answer is not used again.
        self._idle.append(connection)

    def latest(self, unit_id: str) -> Reading | None:
        """See `ReadingStore.latest`."""
        key = self._key(unit_id)
        rows = [] if key is None else self._rows(_LATEST, (key,))
        return _reading(unit_id, rows[0]) if rows else None

    def conflicts(self, limit: int = 1000) -> list[Reading]:
        """Readings that contradicted the row already kept for their instant, newest arrival first."""
        return [_reading(row[0], row[1:]) for row in self._rows(_CONFLICTS, (limit,))]

    def contradicting(self, unit_id: str, start_ms: int, end_ms: int) -> list[Reading]:
        """See `ReadingStore.contradicting`."""
        key = self._key(unit_id)
        rows = [] if key is None else self._rows(_CONTRADICTING, (key, start_ms, end_ms))
        return [_reading(unit_id, row) for row in rows]

    def units(self) -> list[str]:
        """See `ReadingStore.units`."""
        return [row[0] for row in self._rows("SELECT unit_id FROM units ORDER BY unit_id")]

    def span(self, unit_id: str) -> tuple[int, int] | None:
        """See `ReadingStore.span`."""
        key = self._key(unit_id)
        if key is None:
            return None
        # Two questions, because SQLite answers a lone min or max from the ends of the key and both by a scan.
        ends = [
            self._rows(f"SELECT {end}(observed_at_ms) FROM readings WHERE unit_key = ?", (key,))[0][0]  # noqa: S608
            for end in ("min", "max")
        ]
        return None if None in ends else (ends[0], ends[1])

    def count(
        self,
        unit_id: str | None = None,
        end_ms: int | None = None,
        *,
        start_ms: int | None = None,
        without: int = 0,
    ) -> int:
        """See `ReadingStore.count`."""
        first = _FIRST_MS if start_ms is None else start_ms
        last = _LAST_MS if end_ms is None else end_ms
        where, values = "observed_at_ms >= ? AND observed_at_ms < ?", [first, last]
        if unit_id is not None:
            key = self._key(unit_id)
            if key is None:
                return 0
            where, values = _RANGE, [key, first, last]
        query = f"SELECT count(*) FROM readings WHERE {where} AND quality & {int(without)} = 0"  # noqa: S608 - ints
        return int(self._rows(query, tuple(values))[0][0])

    def back_up(self, target: Path) -> None:
        """Write a consistent copy while others write on; `target` must not exist yet.

        The copy is complete and synced when this returns, and opens as an `EmbeddedStore`.
        """
        with self._as_store_error("back up"):
            connection = Connection(self._path, self._busy_timeout_ms)
            try:
                connection.rows("VACUUM INTO ?", (str(Path(target).absolute()),))
            finally:
                connection.close()

    def close(self) -> None:
        """See `ReadingStore.close`."""
        with self._writer.lock, self._reader.lock:
            self._resources.close()


def _reading(unit_id: str, row: Iterable[Any]) -> Reading:
    values: dict[str, Any] = {
        name: NAN if value is None else value for name, value in zip(COLUMNS, row, strict=True)
    }
    return Reading(unit_id=unit_id, **values)


def _to_store(name: str, column: Sequence[Any] | Array) -> Array:
    """A column in its house dtype, with NaN for infinities; SQLite itself keeps a NaN as NULL."""
    if name not in SIGNALS:
        return np.asarray(column, dtype=np.int64)
    values = np.asarray(column, dtype=np.float64)
    return np.where(np.isinf(values), NAN, values)
