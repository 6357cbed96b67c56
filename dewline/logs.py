"""`dewline import`: log files into the store, with a bar, and a report of what became of every row."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from dewline.console import Terminal
from dewline.late import leave_note
from dewline.settings import Loaded
from ingest.database import open_database
from ingest.listener import unix_ms
from ingest.logfiles import ImportReport, import_paths
from ingest.quarantine import Quarantine
from ingest.register import Register
from ingest.results import Results
from ingest.store import EmbeddedStore
from models.records import UnitStatus


def import_logs(loaded: Loaded, paths: Sequence[Path], terminal: Terminal, *, dry_run: bool) -> ImportReport:
    """Import files and folders, register units that are new as provisional, and say what was done.

    Raises
    ------
    LogFileError
        When a file can't be read at all; nothing has been imported then.
    """
    loaded.home.mkdir(parents=True, exist_ok=True)
    store = EmbeddedStore(loaded.store_path)
    database = open_database(loaded.database_url)
    try:
        with terminal.progress("importing", None, "rows") as bar:
            # Rows are what people count in; how many there will be is known from bytes read so far.
            report = import_paths(
                paths,
                store,
                Quarantine(database),
                received_at_ms=unix_ms(),
                on_progress=lambda done, total, rows: bar.reach(rows, rows * total / max(done, 1)),
                dry_run=dry_run,
                prefix=loaded.settings.listener.prefix,
            )
        if not dry_run:
            register = Register(database)
            for unit_id in report.units:
                register.ensure(unit_id, unix_ms())
            if behind := _behind(report, Results(database).statuses(UnitStatus)):
                leave_note(loaded.home, behind)
    finally:
        database.dispose()
        store.close()
    for line in told(report, dry_run=dry_run):
        terminal.say(line)
    return report


def _behind(report: ImportReport, statuses: Sequence[UnitStatus]) -> dict[str, int]:
    """Imported units that the analysis is past already, and from where to fold them again. [Unix ms]"""
    first_ms = report.first_at_ms
    if not report.rows_new or first_ms is None:
        return {}
    return {
        status.unit_id: first_ms
        for status in statuses
        if status.unit_id in report.units and status.observed_at.timestamp() * 1000 >= first_ms
    }


def told(report: ImportReport, *, dry_run: bool) -> list[str]:
    """The report in words, one line a matter."""
    rate = report.rows_read / report.seconds if report.seconds else 0.0
    verb = "would import" if dry_run else "imported"
    n_units = len(report.units)
    lines = [
        f"{verb} {report.rows_new:,} new rows of {n_units} units in {report.seconds:.1f} s, {rate:,.0f}/s"
    ]
    if report.files_passed_over:
        names = ", ".join(path.name for path in report.files_passed_over)
        lines.append(f"passed over, no logs by their first line: {names}")
    if report.rows_repeated:
        lines.append(f"{report.rows_repeated:,} rows were there already")
    if report.rows_quarantined:
        lines.append(
            f"{report.rows_quarantined:,} rows can't be used; see the board's quarantine page for why"
        )
    if report.rows_assumed_utc:
        lines.append(f"{report.rows_assumed_utc:,} rows name no time zone and were taken as UTC")
    if report.ignored_columns:
        lines.append(f"columns without a meaning here: {', '.join(sorted(report.ignored_columns))}")
    return lines
