"""`dewline replay`: stored history through the engine, several units at once, results as three JSON files."""

from __future__ import annotations

import datetime as dt
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Self

import msgspec

from dewline import parts
from dewline.console import Bar, Terminal, counted
from dewline.fleet import UnknownUnit
from dewline.settings import Loaded
from ingest.database import open_database
from ingest.maintenance import Maintenance
from ingest.register import Register
from ingest.store import EmbeddedStore
from models.artefact import load_models
from models.parameters import Parameters
from models.records import Finding, Run, WaterDay
from models.replay import Replay, replay_unit

DECIMALS = 4
"""In the files written: finer than any sensor or estimate, for grams, degrees, minutes and probabilities."""


class SpanError(ValueError):
    """`--from` or `--to` is no instant, or they are the wrong way round."""


@dataclass(frozen=True, kw_only=True)
class Span:
    """Part of history, start inclusive, end exclusive; None leaves a side open. [Unix ms]"""

    start_ms: int | None = None
    end_ms: int | None = None

    @classmethod
    def of(cls, start: str | None, end: str | None) -> Self:
        """From what was typed. A date is its midnight, a time without zone is taken as UTC.

        Raises
        ------
        SpanError
            When either can't be read, or the end is not after the start.
        """
        span = cls(start_ms=instant_ms("--from", start), end_ms=instant_ms("--to", end))
        if span.start_ms is not None and span.end_ms is not None and span.end_ms <= span.start_ms:
            raise SpanError(f"--to {end!r} is not after --from {start!r}")
        return span

    def __str__(self) -> str:
        start, end = _shown(self.start_ms), _shown(self.end_ms)
        if start and end:
            return f"between {start} and {end}"
        return f"from {start} on" if start else f"before {end}" if end else "at all"


@dataclass(frozen=True, kw_only=True)
class Job:
    """All that a process needs to replay one unit; plain data, so that it can be sent there."""

    store_path: Path
    database_url: str
    models_path: Path | None
    unit_id: str
    span: Span
    parameters: Parameters


def replay(loaded: Loaded, unit_ids: Sequence[str] | None, span: Span, out: Path, terminal: Terminal) -> None:
    """Replay units (None: all) and write `findings.json`, `runs.json` and `water.json` to `out`.

    Raises
    ------
    UnknownUnit
        When the store has nothing of a unit.
    """
    jobs, n_readings, empty = _jobs(loaded, unit_ids, span)
    out.mkdir(parents=True, exist_ok=True)
    results: dict[str, Replay] = {}
    with terminal.progress("replaying", n_readings, "readings") as bar:
        for unit_id, result in _replayed(jobs, loaded.settings.analysis.workers or os.cpu_count() or 1, bar):
            results[unit_id] = result
    ordered = [results[job.unit_id] for job in jobs]
    findings = [finding_row(finding) for one in ordered for finding in one.findings]
    write_json(out / "findings.json", findings)
    write_json(out / "runs.json", [run_row(run) for one in ordered for run in one.runs])
    write_json(out / "water.json", [water_row(day) for one in ordered for day in one.water_days])
    for unit_id in empty:
        terminal.say(f"no readings of {unit_id} {span}")
    terminal.say(f"{counted(len(jobs), 'unit')}, {counted(len(findings), 'finding')}; written to {out}")


def replay_one(job: Job, on_progress: Callable[..., None] | None = None) -> Replay:
    """One unit, in whatever process this is called."""
    store = EmbeddedStore(job.store_path)
    database = open_database(job.database_url)
    try:
        return replay_unit(
            store,
            Register(database),
            job.unit_id,
            start_ms=job.span.start_ms,
            end_ms=job.span.end_ms,
            parameters=job.parameters,
            models=load_models(job.models_path),
            services=Maintenance(database).of(job.unit_id),
            on_progress=on_progress,
        )
    finally:
        database.dispose()
        store.close()


def finding_row(finding: Finding) -> dict[str, Any]:
    """A finding as it stands in `findings.json`."""
    return {
        "unit": finding.unit_id,
        "pattern": finding.pattern,
        "start": finding.start_at,
        "end": finding.end_at,
        "first_flagged_at": finding.first_flagged_at,
        "confidence": finding.confidence,
        "evidence": finding.evidence,
    }


def run_row(run: Run) -> dict[str, Any]:
    """A run as it stands in `runs.json`: the three keys first, then everything else that is known."""
    rest = {
        name: getattr(run, name)
        for name in run.__struct_fields__
        if name not in ("unit_id", "start_at", "end_at")
    }
    return {"unit": run.unit_id, "start": run.start_at, "end": run.end_at, **rest}


def water_row(day: WaterDay) -> dict[str, Any]:
    """A day of water as it stands in `water.json`. [g]"""
    return {
        "unit": day.unit_id,
        "date": day.date,
        "grams": day.grams,
        "low": day.low,
        "high": day.high,
    }


def write_json(path: Path, rows: list[dict[str, Any]]) -> None:
    """Rows as a JSON list, the file whole or not at all.

    NaN becomes null, instants RFC 3339 with Z; numbers are rounded to `DECIMALS`.
    """
    partial = path.with_suffix(".part")
    partial.write_bytes(
        msgspec.json.format(msgspec.json.encode(rounded(msgspec.to_builtins(rows))), indent=1)
    )
    os.replace(partial, path)


def rounded(value: Any) -> Any:
    """A tree of JSON values with every number rounded to `DECIMALS`, and no minus before nothing."""
    if isinstance(value, float):
        return round(value, DECIMALS) + 0.0
    if isinstance(value, list | tuple):
        return [rounded(item) for item in value]
    if isinstance(value, dict):
        return {name: rounded(item) for name, item in value.items()}
    return value


def _jobs(loaded: Loaded, unit_ids: Sequence[str] | None, span: Span) -> tuple[list[Job], int, list[str]]:
    """A job a unit, how many readings will be folded in all, and the units that have none in the span."""
    if not loaded.store_path.exists():
        raise FileNotFoundError(
            f"no readings at {loaded.store_path}: import some first, or name another --home"
        )
    store = EmbeddedStore(loaded.store_path)
    try:
        known = store.units()
        for unit_id in unit_ids or ():
            if unit_id not in known:
                raise UnknownUnit(unit_id, known)
        chosen = list(dict.fromkeys(unit_ids)) if unit_ids else known
        # What lies before the span is folded too.
        n_readings = sum(store.count(unit_id, span.end_ms) for unit_id in chosen)
        empty = [unit_id for unit_id in chosen if not _has_readings(store, unit_id, span)]
    finally:
        store.close()
    models_path = loaded.settings.analysis.models_path
    # Migrations run once here, not in every process at the same time.
    open_database(loaded.database_url).dispose()
    jobs = [
        Job(
            store_path=loaded.store_path,
            database_url=loaded.database_url,
            models_path=loaded.home / models_path if models_path else None,
            unit_id=unit_id,
            span=span,
            parameters=parts.parameters(loaded),
        )
        for unit_id in chosen
    ]
    return jobs, n_readings, empty


def _has_readings(store: EmbeddedStore, unit_id: str, span: Span) -> bool:
    return next(store.chunks(unit_id, span.start_ms, span.end_ms, rows=1), None) is not None


def _replayed(jobs: list[Job], workers: int, bar: Bar) -> Iterator[tuple[str, Replay]]:
    if workers == 1 or len(jobs) == 1:
        n_before = 0
        for job in jobs:
            result = replay_one(job, partial(_reach, bar, n_before))
            n_before += result.readings
            yield job.unit_id, result
        return
    # A forked child would inherit threads and database connections in an unknown state.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(workers, len(jobs)), mp_context=context) as pool:
        under_way = {pool.submit(replay_one, job): job.unit_id for job in jobs}
        for done in as_completed(under_way):
            bar.advance(done.result().readings)
            yield under_way[done], done.result()


def _reach(bar: Bar, n_before: int, n_done: int) -> None:
    bar.reach(n_before + n_done)


def _shown(at_ms: int | None) -> str:
    """Such as ``2026-01-05T00:00:00Z``; empty for none."""
    if at_ms is None:
        return ""
    at = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(milliseconds=at_ms)
    return at.isoformat().replace("+00:00", "Z")


def instant_ms(option: str, text: str | None) -> int | None:
    """What was typed as Unix ms; a date is its midnight, a time without zone is UTC. Raises SpanError."""
    if text is None:
        return None
    try:
        at = dt.datetime.fromisoformat(text)
    except ValueError as error:
        raise SpanError(f"{option} {text!r}: expected a date or an RFC 3339 instant") from error
    aware = at if at.tzinfo else at.replace(tzinfo=dt.UTC)
    return (aware - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)) // dt.timedelta(milliseconds=1)
