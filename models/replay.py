"""Replay: a unit's stored history through the engine, start to end. No store of results takes part."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ingest.maintenance import Service
from ingest.profile import UnitProfile
from ingest.register import Register
from ingest.store.protocol import ReadingStore
from ingest.units_of_measure import MS_PER_S
from models import engine
from models.artefact import PatternModels
from models.parameters import Parameters
from models.records import Event, Finding, Run, WaterDay


@dataclass(frozen=True, kw_only=True)
class Replay:
    """What the engine found in a unit's history, each in order of time."""

    runs: tuple[Run, ...]
    findings: tuple[Finding, ...]
    water_days: tuple[WaterDay, ...]
    readings: int = 0


class Collector:
    """Keeps the newest version of every record that events bring."""

    def __init__(self) -> None:
        self.runs: dict[dt.datetime, Run] = {}
        self.findings: dict[str, Finding] = {}
        self.water_days: dict[dt.date, WaterDay] = {}

    def take(self, events: list[Event]) -> None:
        """Take in events in the order they came."""
        for event in events:
            if isinstance(event, Run):
                self.runs[event.start_at] = event
            elif isinstance(event, Finding):
                self.findings[event.finding_id] = event
            else:
                self.water_days[event.date] = event


def replay_unit(
    store: ReadingStore,
    register: Register,
    unit_id: str,
    *,
    start_ms: int | None = None,
    end_ms: int | None = None,
    parameters: Parameters,
    models: PatternModels,
    services: Sequence[Service] = (),
    on_progress: Callable[[int], None] | None = None,
) -> Replay:
    """Fold a unit's history as live operation did, and report what falls into a part of it.

    Parameters
    ----------
    start_ms, end_ms : int, optional
        Part to report, start inclusive, end exclusive; None leaves a side open. Readings from before
        `start_ms` are folded too, because the sump remembers; none from `end_ms` on is looked at. [Unix ms]
    services : sequence of Service
        Work recorded on the unit.
    on_progress : callable, optional
        Called with the number of readings folded so far.

    Returns
    -------
    Replay
        Runs and findings that touch the part, days of water in it; what still stands has no end.

    Raises
    ------
    StoreError
        If the store can't be read.
    """
    profile = register.get(unit_id) or UnitProfile(unit_id=unit_id)
    state, found, done = engine.initial_state(unit_id), Collector(), 0
    for chunk in store.chunks(unit_id, None, end_ms):
        state, events = engine.advance(state, chunk, profile, parameters, models, services)
        found.take(events)
        done += len(chunk)
        if on_progress:
            on_progress(done)
    state, events = engine.settle(state, models, services, end_ms)
    found.take(events)
    found.take(engine.unfinished(state, models))
    since = None if start_ms is None else dt.datetime.fromtimestamp(start_ms / MS_PER_S, dt.UTC)
    return Replay(
        runs=tuple(run for run in found.runs.values() if _touches(run.end_at, since)),
        findings=tuple(
            sorted(
                (finding for finding in found.findings.values() if _touches(finding.end_at, since)),
                key=lambda finding: (finding.start_at, finding.pattern),
            )
        ),
        water_days=tuple(
            day for date, day in sorted(found.water_days.items()) if since is None or date >= since.date()
        ),
        readings=done,
    )


def _touches(end_at: dt.datetime | None, since: dt.datetime | None) -> bool:
    return since is None or end_at is None or end_at >= since
