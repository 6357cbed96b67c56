"""The analyst: keeps every unit's state in step with the store, live.

It reads what the store holds beyond a unit's state, folds it, and writes what was found. Readings that come
late rewind the unit to the checkpoint before them and the fold goes on from there. Does I/O through `ingest`
only.
"""

from __future__ import annotations

import itertools
import logging
import threading
from collections.abc import Iterator, Sequence

import msgspec
import sqlalchemy as sa

from ingest.maintenance import Maintenance, Service
from ingest.profile import UnitProfile
from ingest.quality import Quality
from ingest.reading import Reading, Readings
from ingest.register import Register
from ingest.results import Results
from ingest.store.protocol import ReadingStore
from ingest.units_of_measure import MS_PER_DAY, MS_PER_S
from models import engine
from models.artefact import PatternModels
from models.parameters import Parameters
from models.records import Event, Finding, Pattern, Run, WaterDay
from models.trace import Trace

logger = logging.getLogger(__name__)

DAILY_FOR_DAYS = 14
"""Checkpoints a day apart are kept for so long, a week apart before that: few readings come later than this,
and those that do cost a fold of weeks, not of years."""


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
        self._results, self._maintenance = Results(database), Maintenance(database)
        self._parameters, self._models = parameters, models
        self._states: dict[str, engine.State] = {}
        self._told: dict[str, tuple[int, int]] = {}
        self._told_water: dict[str, WaterDay] = {}
        self._unproven: dict[str, dict[str, Finding]] = {}
        self._oldest_come_ms: dict[str, int] = {}
        self._lock = threading.Lock()

    def note_stored(self, readings: Sequence[Reading]) -> None:
        """Hear what has come in; if it is older than its unit's state, the next `catch_up` looks for it."""
        with self._lock:
            for reading in readings:
                oldest_ms = self._oldest_come_ms.get(reading.unit_id, reading.observed_at_ms)
                self._oldest_come_ms[reading.unit_id] = min(oldest_ms, reading.observed_at_ms)

    def catch_up(self, unit_id: str, now_ms: int | None = None) -> list[Event]:
        """Fold all that the store holds of a unit and its state has not seen, early or late.

        Parameters
        ----------
        now_ms : int, optional
            Until when nothing more has come, to judge the unit's silence; None where that is not known, for
            our own silence is not the unit's. [Unix ms]

        Returns
        -------
        list of Event
            What was found, old findings revised. A finding that late readings have undone comes with
            `withdrawn` set.

        Raises
        ------
        StoreError
            If the store can't be read. Nothing is lost: the next call goes on from there.
        """
        # Taken before the store is read: what comes from now on is for the next call to look at.
        with self._lock:
            oldest_ms = self._oldest_come_ms.pop(unit_id, None)
        try:
            return self._caught_up(unit_id, oldest_ms, now_ms)
        except BaseException:
            if oldest_ms is not None:
                with self._lock:
                    newer_ms = self._oldest_come_ms.get(unit_id, oldest_ms)
                    self._oldest_come_ms[unit_id] = min(oldest_ms, newer_ms)
            raise

    def trace(self, unit_id: str, start_ms: int, end_ms: int) -> Trace:
        """What the engine works out at every reading of ``start_ms <= t < end_ms``."""
        profile, services = self._profile(unit_id), self._maintenance.of(unit_id)
        made_with = engine.fingerprint(profile, self._parameters, self._models)
        found = self._results.checkpoint_before(unit_id, start_ms)
        state = self._decoded(found[1], made_with) if found else None
        state = state or engine.initial_state(unit_id, made_with)
        for chunk in self._store.chunks(unit_id, _after(engine.newest_ms(state)), start_ms):
            state, _ = engine.advance(state, chunk, profile, self._parameters, self._models, services)
        readings = self._store.read(unit_id, start_ms, end_ms)
        return engine.trace(state, readings, profile, self._parameters, services)

    def _caught_up(self, unit_id: str, oldest_ms: int | None, now_ms: int | None) -> list[Event]:
        profile, services = self._profile(unit_id), self._maintenance.of(unit_id)
        made_with = engine.fingerprint(profile, self._parameters, self._models)
        state = self._states.get(unit_id)
        set_back = (
            state is None
            or state.made_with != made_with
            or not engine.agrees(state, services)
            or self._has_missed(state, oldest_ms)
        )
        if state is None or set_back:
            state = self._set_back(unit_id, made_with, services)
        # What stood at the kept state stands again, whatever was said of it since.
        events: list[Event] = list(engine.standing(state)) if set_back else []
        self._results.save_findings(_newest(events))
        for chunk in self._daily(unit_id, engine.newest_ms(state)):
            before_ms = engine.newest_ms(state)
            state, found = engine.advance(state, chunk, profile, self._parameters, self._models, services)
            events += found
            self._keep(state, found, before_ms)
        before_ms = engine.newest_ms(state)
        state, found = engine.settle(state, self._models, services)
        events += found
        self._keep(state, found, before_ms)
        events += self._judge_silence(state, profile, now_ms)
        if set_back or (state.rows, len(state.serviced)) != self._told.get(unit_id):
            events += self._withdraw(unit_id)
            self._tell_standing(state, profile)
        return events

    def _has_missed(self, state: engine.State, oldest_ms: int | None) -> bool:
        """Whether the store holds rows behind the state's newest that it has not seen; repeats are none."""
        newest_ms = engine.newest_ms(state)
        if newest_ms is None:
            return False
        # Nobody tells of readings from before recorded work that another process has brought.
        if not engine.ends_with_work(state) and (oldest_ms is None or oldest_ms > newest_ms):
            return False
        return self._stored(state.unit_id, newest_ms) > state.rows

    def _stored(self, unit_id: str, until_ms: int) -> int:
        return self._store.count(unit_id, until_ms + 1, without=int(Quality.CLOCK_WRONG))

    def _set_back(self, unit_id: str, made_with: str, services: Sequence[Service]) -> engine.State:
        """The newest kept state that has seen all that is stored and recorded up to then, taken up again.

        What was said after it is taken back; findings flagged since must prove themselves anew.
        """
        state = engine.initial_state(unit_id, made_with)
        for at_ms in reversed(self._results.checkpoint_instants(unit_id)):
            kept = self._decoded(self._results.checkpoint(unit_id, at_ms) or b"", made_with)
            if (
                kept is not None
                and self._stored(unit_id, at_ms) == kept.rows
                and engine.agrees(kept, services)
            ):
                state = kept
                break
        newest_ms = engine.newest_ms(state)
        unproven = self._unproven.setdefault(unit_id, {})
        for finding in self._results.findings(Finding, unit_id):
            flagged_ms = finding.first_flagged_at.timestamp() * MS_PER_S
            if not finding.withdrawn and (newest_ms is None or flagged_ms > newest_ms):
                unproven[finding.finding_id] = finding
        self._states[unit_id] = state
        self._told_water.pop(unit_id, None)
        self._results.drop_after(unit_id, _after(newest_ms) or 0)
        logger.info("unit %s: folding from %s", unit_id, "the start" if newest_ms is None else newest_ms)
        return state

    def _decoded(self, stored: bytes, made_with: str) -> engine.State | None:
        """A checkpoint's state, if this program with these settings made it."""
        try:
            state = engine.decode_state(stored)
        except engine.StateError as reason:
            logger.info("a checkpoint is passed over: %s", reason)
            return None
        return state if state.made_with == made_with else None

    def _withdraw(self, unit_id: str) -> list[Event]:
        """Take back the findings that did not come again when their readings were folded anew."""
        gone = [
            msgspec.structs.replace(
                finding, end_at=finding.end_at or finding.first_flagged_at, withdrawn=True
            )
            for finding in self._unproven.pop(unit_id, {}).values()
        ]
        self._results.save_findings(gone)
        return list(gone)

    def _profile(self, unit_id: str) -> UnitProfile:
        return self._register.get(unit_id) or UnitProfile(unit_id=unit_id, provisional=True)

    def _daily(self, unit_id: str, newest_ms: int | None) -> Iterator[Readings]:
        """Stored rows after `newest_ms`, a day at most in one piece, so that each day leaves a checkpoint."""
        for chunk in self._store.chunks(unit_id, _after(newest_ms), None):
            days = chunk.observed_at_ms // MS_PER_DAY
            starts = [0, *((days[1:] != days[:-1]).nonzero()[0] + 1).tolist(), len(chunk)]
            for start, end in itertools.pairwise(starts):
                if end > start:
                    yield chunk[start:end]

    def _keep(self, state: engine.State, events: Sequence[Event], before_ms: int | None) -> None:
        self._results.save_runs(event for event in events if isinstance(event, Run))
        self._results.save_findings(_newest(events))
        for finding in _newest(events):
            self._unproven.get(state.unit_id, {}).pop(finding.finding_id, None)
        days = {event.date: event for event in events if isinstance(event, WaterDay)}
        self._results.save_water_days(days.values())
        newest_ms = engine.newest_ms(state)
        if newest_ms is not None and (before_ms is None or newest_ms // MS_PER_DAY > before_ms // MS_PER_DAY):
            self._results.save_checkpoint(state.unit_id, newest_ms, engine.encode_state(state))
            instants = self._results.checkpoint_instants(state.unit_id)
            self._results.drop_checkpoints(state.unit_id, kept_checkpoints(instants))
        self._states[state.unit_id] = state

    def _judge_silence(self, state: engine.State, profile: UnitProfile, now_ms: int | None) -> list[Event]:
        """Judge the silence after the newest reading; one that was told goes on whatever the clock says."""
        unproven = self._unproven.get(state.unit_id, {}).values()
        told_ms = [
            round(finding.first_flagged_at.timestamp() * MS_PER_S) + 1
            for finding in unproven
            if finding.pattern is Pattern.SILENT_UNIT
        ]
        until_ms = max([now_ms or 0, *told_ms])
        state, found = engine.judge_silence(state, until_ms, profile, self._parameters)
        if found:
            self._keep(state, found, engine.newest_ms(state))
        return found

    def _tell_standing(self, state: engine.State, profile: UnitProfile) -> None:
        status = engine.status(state, profile, self._parameters)
        if status is not None:
            self._results.save_status(status)
        # A parked unit's water stays as it is: most readings leave nothing to write here.
        for event in engine.unfinished(state):
            if isinstance(event, WaterDay) and event != self._told_water.get(state.unit_id):
                self._results.save_water_days([event])
                self._told_water[state.unit_id] = event
        self._told[state.unit_id] = (state.rows, len(state.serviced))


def _after(newest_ms: int | None) -> int | None:
    return None if newest_ms is None else newest_ms + 1


def kept_checkpoints(instants_ms: Sequence[int]) -> list[int]:
    """The checkpoints to keep: all of the last fortnight, the first of each week before it. [Unix ms]"""
    if not instants_ms:
        return []
    recent_ms = max(instants_ms) - DAILY_FOR_DAYS * MS_PER_DAY
    weekly = {instant // (7 * MS_PER_DAY): instant for instant in sorted(instants_ms, reverse=True)}
    return sorted({instant for instant in instants_ms if instant >= recent_ms} | set(weekly.values()))


def _newest(events: Sequence[Event]) -> list[Finding]:
    """The last version of each finding."""
    return list({event.finding_id: event for event in events if isinstance(event, Finding)}.values())
