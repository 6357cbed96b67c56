"""SQLite through ADBC: rows go in and out as Arrow columns.

The driver brings a SQLite of its own, and nothing else in the process may open the same file, least of all
Python's `sqlite3`: two copies of the library in one process drop each other's file locks, which corrupts
the file (sqlite.org, "How To Corrupt An SQLite Database File", section 2.2.1). Another process may.
"""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import adbc_driver_sqlite.dbapi as adbc_sqlite
import pyarrow as pa


class Connection:
    """One ADBC connection; a caller that shares it holds `lock`."""

    def __init__(self, path: Path, busy_timeout_ms: int) -> None:
        self.lock = threading.Lock()
        self._connection = adbc_sqlite.connect(str(path), autocommit=True)
        self._cursor = self._connection.cursor()
        self.rows(f"PRAGMA busy_timeout = {busy_timeout_ms}")

    def rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        """Run one statement; all its rows, so that no half-read answer keeps a snapshot open."""
        self._cursor.execute(sql, values or None)
        fetched: list[tuple[Any, ...]] = self._cursor.fetchall()
        return fetched

    def table(self, sql: str, values: tuple[Any, ...]) -> pa.Table:
        """Run one query; its answer as columns."""
        # The driver's own 1024 rows a batch make a year of readings a third slower to read.
        self._cursor.adbc_statement.set_options(**{"adbc.sqlite.query.batch_rows": "65536"})
        self._cursor.execute(sql, values)
        return self._cursor.fetch_arrow_table()

    def run_for_each(self, sql: str, rows: pa.Table) -> None:
        """Run one statement with every row's values in turn."""
        self._cursor.executemany(sql, rows)

    def close(self) -> None:
        """Let go of the file."""
        self._cursor.close()
        self._connection.close()
