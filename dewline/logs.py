"""`dewline import`: log files into the store, with a bar, and a report of what became of every row."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

import sqlalchemy as sa

from dewline.console import Terminal, counted, named
from dewline.late import leave_note
from dewline.settings import Loaded
from ingest.database import open_database
from ingest.listener import unix_ms
from ingest.logfiles import ImportReport, LogFileError, import_paths
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
        When a file can't be read at all or there is no log, and nothing has been imported; or when not one
        row of all that were read could be used.
    """
    with _opened(loaded, terminal, dry_run=dry_run) as (store, database):
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
    for line in told(report, dry_run=dry_run):
        terminal.say(line)
    if report.rows_read and report.rows_quarantined == report.rows_read:
        raise LogFileError([f"no row in {named([str(path) for path in paths])} could be used"])
    return report


@contextmanager
def _opened(
    loaded: Loaded, terminal: Terminal, *, dry_run: bool
) -> Iterator[tuple[EmbeddedStore, sa.Engine]]:
    """Store and database to import into; for a dry run nothing is made that is not there."""
    with ExitStack() as opened:
        path, url = loaded.store_path, loaded.database_url
        if dry_run:
            url = "sqlite://"
            if not path.exists():
                scratch = opened.enter_context(tempfile.TemporaryDirectory(prefix="dewline-"))
                path = Path(scratch) / "readings.db"
        elif loaded.make_home():
            terminal.say(f"new home {loaded.home} created")
        store = EmbeddedStore(path)
        opened.callback(store.close)
        database = open_database(url)
        opened.callback(database.dispose)
        yield store, database


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
    rows, units = counted(report.rows_new, "new row"), counted(len(report.units), "unit")
    lines = [f"{verb} {rows} of {units} in {report.seconds:.1f} s, {rate:,.0f}/s"]
    if report.files_passed_over:
        names = named([path.name for path in report.files_passed_over])
        n_files = counted(len(report.files_passed_over), "file")
        lines.append(f"{n_files} passed over, no log by name or content: {names}")
    if report.rows_repeated:
        lines.append(f"{counted(report.rows_repeated, 'row')} repeated or stored already")
    if report.rows_contradicting:
        lines.append(
            f"of these, {report.rows_contradicting:,} not as stored first for the same instant;"
            " the board's quarantine page tells what differs"
        )
    if report.rows_quarantined:
        where = "" if dry_run else "; the board's quarantine page has all"
        lines.append(f"{counted(report.rows_quarantined, 'row')} can't be used{where}:")
        lines += [f"  {fault}" for fault in report.first_faults]
        if report.rows_quarantined > len(report.first_faults):
            lines.append(f"  and {report.rows_quarantined - len(report.first_faults):,} more")
    if report.rows_assumed_utc:
        lines.append(f"{counted(report.rows_assumed_utc, 'row')} without a time zone taken as UTC")
    if report.ignored_columns:
        lines.append(f"columns without a meaning here: {', '.join(sorted(report.ignored_columns))}")
    return lines
