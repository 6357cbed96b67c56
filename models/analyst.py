"""The analyst: keeps every unit's state in step with the store, live.

It reads what the store holds beyond a unit's state, folds it, and writes what was found. Readings that come
late rewind the unit to the checkpoint before them and the fold goes on from there. Does I/O through `ingest`
only.
"""

from __future__ import annotations

import itertools
import logging
import threading
from collections.abc import Iterable, Iterator, Sequence

import msgspec
import sqlalchemy as sa

from ingest.profile import UnitProfile
from ingest.reading import Reading, Readings
from ingest.register import Register
from ingest.results import Results
from ingest.store.protocol import ReadingStore
from ingest.units_of_measure import MS_PER_S
from models import engine
from models.artefact import PatternModels
from models.parameters import Parameters
from models.records import Event, Finding, Run, WaterDay
from models.trace import Trace

logger = logging.getLogger(__name__)

DAY_MS = 86_400_000


class Analyst:
    """Folds stored readings into runs, findings and standings; one thread at a time may `catch_up`."""

    def __init__(
        self,
        store: ReadingStore,
        database: sa.Engine,
        register: Register,
        parameters: Parameters,
        models: PatternModels,
    ) -> None:
        self._store, self._register = store, register
        self._results = Results(database)
        self._parameters, self._models = parameters, models
        self._states: dict[str, engine.State] = {}
        self._late_ms: dict[str, int] = {}
        self._lock = threading.Lock()

    def note_stored(self, readings: Sequence[Reading]) -> None:
        """Hear what has come in: a reading older than its unit's state makes the next `catch_up` rewind."""
        with self._lock:
            for reading in readings:
                state = self._states.get(reading.unit_id)
                newest_ms = None if state is None else engine.newest_ms(state)
                if newest_ms is not None and reading.observed_at_ms <= newest_ms:
                    earlier_ms = self._late_ms.get(reading.unit_id, reading.observed_at_ms)
                    self._late_ms[reading.unit_id] = min(earlier_ms, reading.observed_at_ms)

    def catch_up(self, unit_id: str) -> list[Event]:
        """Fold all that the store holds of a unit beyond its state; what was found, old findings revised.

        Raises
        ------
        StoreError
            If the store can't be read; the unit's state is then what it was.
        """
        with self._lock:
            late_ms = self._late_ms.pop(unit_id, None)
        state = self._states.get(unit_id)
        if state is None:
            state, late_ms = self._restored(unit_id, None), None
        withdrawn: dict[str, Finding] = {}
        if late_ms is not None and self._is_news(state, late_ms):
            state, withdrawn = self._rewound(unit_id, late_ms)
        profile = self._register.ensure(unit_id, engine.newest_ms(state) or 0)
        events: list[Event] = []
        for chunk in self._daily(unit_id, engine.newest_ms(state)):
            state, found = engine.advance(state, chunk, profile, self._parameters, self._models)
            events += found
            self._keep(state, found)
        for finding in _newest(events):
            withdrawn.pop(finding.finding_id, None)
        events += self._withdraw(withdrawn.values())
        self._finish(state, profile)
        return events

    def trace(self, unit_id: str, start_ms: int, end_ms: int) -> Trace:
        """What the engine works out at every reading of ``start_ms <= t < end_ms``."""
        profile = self._register.ensure(unit_id, start_ms)
        state = self._restored(unit_id, start_ms)
        newest_ms = engine.newest_ms(state)
        for chunk in self._store.chunks(unit_id, None if newest_ms is None else newest_ms + 1, start_ms):
            state, _ = engine.advance(state, chunk, profile, self._parameters, self._models)
        return engine.trace(state, self._store.read(unit_id, start_ms, end_ms), profile, self._parameters)

    def _restored(self, unit_id: str, before_ms: int | None) -> engine.State:
        checkpoint = self._results.checkpoint_before(unit_id, before_ms)
        if checkpoint is None:
            return engine.initial_state(unit_id)
        try:
            return engine.decode_state(checkpoint[1])
        except engine.StateError as reason:
            logger.info("unit %s is folded anew: %s", unit_id, reason)
            return engine.initial_state(unit_id)

    def _is_news(self, state: engine.State, late_ms: int) -> bool:
        """Whether the store holds rows that the state has not seen: repeats of old ones change nothing."""
        before = self._restored(state.unit_id, late_ms)
        before_ms = engine.newest_ms(before)
        newest_ms = engine.newest_ms(state) or late_ms
        stored = self._store.read(state.unit_id, None if before_ms is None else before_ms + 1, newest_ms + 1)
        return len(stored) > state.rows - before.rows

    def _rewound(self, unit_id: str, late_ms: int) -> tuple[engine.State, dict[str, Finding]]:
        """The state before `late_ms`, and the findings flagged since, which must now prove themselves."""
        state = self._restored(unit_id, late_ms)
        from_ms = engine.newest_ms(state) or 0
        flagged = {
            finding.finding_id: finding
            for finding in self._results.findings(Finding, unit_id)
            if finding.first_flagged_at.timestamp() * MS_PER_S > from_ms and not finding.withdrawn
        }
        self._results.drop_after(unit_id, from_ms + 1)
        logger.info("unit %s: late readings, folding again from %d ms", unit_id, from_ms)
        return state, flagged

    def _withdraw(self, findings: Iterable[Finding]) -> list[Event]:
        gone = [
            msgspec.structs.replace(
                finding, end_at=finding.end_at or finding.first_flagged_at, withdrawn=True
            )
            for finding in findings
        ]
        self._results.save_findings(gone)
        return list(gone)

    def _daily(self, unit_id: str, newest_ms: int | None) -> Iterator[Readings]:
        """Stored rows after `newest_ms`, a day at most in one piece, so that each day leaves a checkpoint."""
        after_ms = None if newest_ms is None else newest_ms + 1
        for chunk in self._store.chunks(unit_id, after_ms, None):
            days = chunk.observed_at_ms // DAY_MS
            starts = [0, *((days[1:] != days[:-1]).nonzero()[0] + 1).tolist(), len(chunk)]
            for start, end in itertools.pairwise(starts):
                if end > start:
                    yield chunk[start:end]

    def _keep(self, state: engine.State, events: Sequence[Event]) -> None:
        self._results.save_runs(event for event in events if isinstance(event, Run))
        self._results.save_findings(_newest(events))
        days = {event.date: event for event in events if isinstance(event, WaterDay)}
        self._results.save_water_days(days.values())
        newest_ms = engine.newest_ms(state)
        known = self._states.get(state.unit_id)
        before_ms = None if known is None else engine.newest_ms(known)
        if newest_ms is not None and (before_ms is None or newest_ms // DAY_MS > before_ms // DAY_MS):
            self._results.save_checkpoint(state.unit_id, newest_ms, engine.encode_state(state))
        with self._lock:
            self._states[state.unit_id] = state

    def _finish(self, state: engine.State, profile: UnitProfile) -> None:
        with self._lock:
            self._states[state.unit_id] = state
        status = engine.status(state, profile, self._parameters)
        if status is not None:
            self._results.save_status(status)
        unfinished = engine.unfinished(state)
        self._results.save_water_days(event for event in unfinished if isinstance(event, WaterDay))


def _newest(events: Sequence[Event]) -> list[Finding]:
    """The last version of each finding."""
    return list({event.finding_id: event for event in events if isinstance(event, Finding)}.values())
