"""Import of log files: CSV and JSON lines, gzipped or not; what can't be used goes to quarantine.

Importing a file again changes nothing, so an import that was interrupted is simply repeated.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ingest import csv_rows, json_lines
from ingest.contradictions import contradictions
from ingest.csv_layout import CsvHeaderError, Layout, layout_of
from ingest.log_text import BLOCK_BYTES, LogFileCutError, log_files, read_blocks
from ingest.parts import BadLine, Block
from ingest.quarantine import Quarantine, Rejected
from ingest.reading import Readings
from ingest.store.protocol import ReadingStore

MAX_FIRST_FAULTS = 5

OnProgress = Callable[[int, int, int], None]
"""Called with (bytes read, bytes in all, rows read) after every block."""


class LogFileError(ValueError):
    """Files that can't be imported; `faults` has one line of text for each. Nothing was imported."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = list(faults)
        super().__init__("; ".join(faults))


@dataclass(kw_only=True)
class ImportReport:
    """What an import did. ``rows_read = rows_new + rows_repeated + rows_quarantined``."""

    rows_read: int = 0
    rows_new: int = 0
    rows_repeated: int = 0
    """Rows whose unit and instant the store already had, or that stand in the files twice."""
    rows_contradicting: int = 0
    """Of the repeated ones: contents that differ from the stored row of their instant, in quarantine too."""
    rows_quarantined: int = 0
    first_faults: list[str] = field(default_factory=list)
    """Of the first rows that can't be used: file, line and reason."""
    rows_assumed_utc: int = 0
    """CSV rows whose time named no offset and was taken as UTC."""
    units: Counter[str] = field(default_factory=Counter)
    """Good rows of each unit."""
    ignored_columns: set[str] = field(default_factory=set)
    """Names of CSV columns that mean nothing here."""
    files_passed_over: list[Path] = field(default_factory=list)
    """Files inside the folders named that are no logs by their name or first line, or empty."""
    first_at_ms: int | None = None
    """Oldest and newest instant among the good rows. [Unix ms]"""
    last_at_ms: int | None = None
    seconds: float = 0.0


def import_paths(
    paths: Sequence[Path],
    store: ReadingStore,
    quarantine: Quarantine,
    *,
    received_at_ms: int,
    on_progress: OnProgress | None = None,
    dry_run: bool = False,
    prefix: str = "compressors",
) -> ImportReport:
    """Import files, and the log files inside folders.

    Gzip is told by content, and so is JSON from CSV: JSON lines start with ``{``. A row that does not say
    when it was received takes its own time for that: it is history, not a late message.

    Parameters
    ----------
    received_at_ms : int
        Now, for what lies in the future and for the quarantine. [Unix ms]
    on_progress : callable, optional
        See `OnProgress`.
    dry_run : bool
        Read everything and write nothing; the report says what would happen, but counts an instant that
        two blocks of the input share as new in both.
    prefix : str
        First level of the topics in JSON lines.

    Raises
    ------
    LogFileError
        If a path is missing or unreadable, a CSV file lacks the columns it needs, or there is no log at all;
        before any row is read.
    StoreError
        If the store can't keep a block; what came before it is kept.
    """
    started_s = time.perf_counter()
    sources, passed_over = _opened(paths)
    n_bytes = sum(source.path.stat().st_size for source in sources)
    job = _Import(store, quarantine, received_at_ms, prefix, dry_run)
    job.report.files_passed_over = passed_over
    n_bytes_before = 0
    for source in sources:
        for n_bytes_read in job.run(source):
            if on_progress is not None:
                on_progress(n_bytes_before + n_bytes_read, n_bytes, job.report.rows_read)
        n_bytes_before += source.path.stat().st_size
    job.report.seconds = time.perf_counter() - started_s
    return job.report


@dataclass(frozen=True)
class _Source:
    """One file, and what the columns of it are when it is CSV."""

    path: Path
    layout: Layout | None


def _opened(paths: Sequence[Path]) -> tuple[list[_Source], list[Path]]:
    """Sources to import, and files that only lay in a folder named and are no logs.

    Whoever names a file means it, so one that is no log is a fault; a folder may hold other things too.
    """
    faults: list[str] = []
    sources: list[_Source] = []
    try:
        files, passed_over = log_files(paths)
    except OSError as error:
        raise LogFileError([str(error)]) from error
    for path in files:
        try:
            source = _source(path)
        except CsvHeaderError as error:
            if path in paths:
                faults.append(f"{path}: {error}")
            else:
                passed_over.append(path)
        except OSError as error:
            faults.append(f"{path}: can't be read: {error.strerror}")
        else:
            if source is not None:
                sources.append(source)
            elif path not in paths:
                passed_over.append(path)
    if faults:
        raise LogFileError(faults)
    if not sources:
        raise LogFileError([f"no logs found in {', '.join(map(str, paths))}"])
    return sources, sorted(passed_over)


def _source(path: Path) -> _Source | None:
    """None for an empty file: a logger that never got to write."""
    try:
        first = next(read_blocks(path, block_bytes=BLOCK_BYTES), None)
    except LogFileCutError as error:
        raise CsvHeaderError(f"no whole first line: {error.reason}") from error
    text = b"" if first is None else first.text
    if not text.strip():
        return None
    is_json = text.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] == b"{"
    return _Source(path, None if is_json else layout_of(text.partition(b"\n")[0]))


class _Import:
    """One import on its way: reads blocks, keeps rows, counts."""

    def __init__(
        self, store: ReadingStore, quarantine: Quarantine, now_ms: int, prefix: str, dry_run: bool
    ) -> None:
        self.report = ImportReport()
        self._store = store
        self._quarantine = quarantine
        self._now_ms = now_ms
        self._prefix = prefix
        self._dry_run = dry_run

    def run(self, source: _Source) -> Iterator[int]:
        """Import one file; yields after every block how many of the file's bytes are done."""
        if source.layout is not None:
            self.report.ignored_columns.update(source.layout.ignored)
        line = 1
        try:
            for text, n_bytes_read in read_blocks(source.path):
                self._keep(source.path, self._decode(source, text, line))
                line += text.count(b"\n")
                yield n_bytes_read
        except LogFileCutError as error:
            self._keep(source.path, Block([], [BadLine(line, error.reason, error.rest)]))

    def _decode(self, source: _Source, text: bytes, line: int) -> Block:
        if line == 1:
            text = text.removeprefix(b"\xef\xbb\xbf")
        if source.layout is None:
            return json_lines.read_block(text, line, self._now_ms, prefix=self._prefix)
        if line == 1:
            text = text.partition(b"\n")[2]
            line = 2
        return csv_rows.read_block(text, line, source.layout, self._now_ms)

    def _keep(self, path: Path, block: Block) -> None:
        # Quarantine first, which takes a line once: a block that the store refuses is simply repeated.
        if self._dry_run:
            n_new = sum(self._n_missing(part) for part in block.parts)
        else:
            self._quarantine.add_absent(
                Rejected(self._now_ms, f"{path.name}:{bad.line}", bad.reason, bad.text) for bad in block.bad
            )
            n_new = self._store.append_columns(*block.parts)
            if n_new < sum(len(part) for part in block.parts):
                self._keep_contradictions(block.parts)
        self._count(path, block, n_new)

    def _keep_contradictions(self, parts: Sequence[Readings]) -> None:
        instants = [(part.unit_id, part.observed_at_ms) for part in parts]
        aside = contradictions(self._store, instants, self._now_ms)
        self._quarantine.add_absent(aside)
        self.report.rows_contradicting += len(aside)

    def _n_missing(self, part: Readings) -> int:
        """Rows of a part whose instants the store lacks."""
        first_ms, last_ms = int(part.observed_at_ms[0]), int(part.observed_at_ms[-1])
        stored = self._store.chunks(part.unit_id, first_ms, last_ms + 1)
        known = (np.isin(chunk.observed_at_ms, part.observed_at_ms).sum() for chunk in stored)
        return len(part) - sum(int(n) for n in known)

    def _count(self, path: Path, block: Block, n_new: int) -> None:
        report = self.report
        n_good = sum(len(part) for part in block.parts)
        report.rows_read += n_good + len(block.bad)
        report.rows_new += n_new
        report.rows_repeated += n_good - n_new
        report.rows_quarantined += len(block.bad)
        shown = block.bad[: MAX_FIRST_FAULTS - len(report.first_faults)]
        report.first_faults += [f"{path.name}:{bad.line}: {bad.reason}" for bad in shown]
        report.rows_assumed_utc += block.n_assumed_utc
        for part in block.parts:
            report.units[part.unit_id] += len(part)
            first_ms, last_ms = int(part.observed_at_ms[0]), int(part.observed_at_ms[-1])
            report.first_at_ms = first_ms if report.first_at_ms is None else min(first_ms, report.first_at_ms)
            report.last_at_ms = last_ms if report.last_at_ms is None else max(last_ms, report.last_at_ms)
