"""The analyst: keeps every unit's state in step with the store, live.

It reads what the store holds beyond a unit's state, folds it, and writes what was found. Readings that come
late rewind the unit to the checkpoint before them and the fold goes on from there. Does I/O through `ingest`
only.
"""

from __future__ import annotations

import itertools
import logging
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import msgspec
import sqlalchemy as sa

from ingest.finding_versions import FindingVersions
from ingest.maintenance import Maintenance, Service
from ingest.profile import UnitProfile
from ingest.reading import Reading, Readings
from ingest.register import Register
from ingest.results import Checkpoint, Results, Watermark
from ingest.store.protocol import ReadingStore
from ingest.units_of_measure import MS_PER_DAY, MS_PER_S
from models import clocks, engine
from models.artefact import PatternModels
from models.checkpoints import Checkpoints, after
from models.clocks import WrongClocks
from models.parameters import Parameters
from models.records import Event, Finding, Pattern, Run, UnitStatus, WaterDay
from models.said import Cause, taken_back, worth_keeping
from models.trace import Trace

logger = logging.getLogger(__name__)


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


class Analyst:
    """Folds stored readings into runs, findings and standings; one thread at a time may `catch_up`.

    Parameters
    ----------
    clock_ms : callable
        The time now. [Unix ms]
    """

    def __init__(
        self,
        store: ReadingStore,
        database: sa.Engine,
        register: Register,
        parameters: Parameters,
        models: PatternModels,
        clock_ms: Callable[[], int] = _now_ms,
    ) -> None:
        self._store, self._register = store, register
        self._results, self._versions = Results(database), FindingVersions(database)
        self._maintenance = Maintenance(database)
        self._checkpoints = Checkpoints(self._results, store)
        self._parameters, self._models, self._clock_ms = parameters, models, clock_ms
        self._states: dict[str, engine.State] = {}
        self._made_with: dict[str, tuple[UnitProfile, str]] = {}
        self._told: dict[str, tuple[int, int, int]] = {}
        self._told_water: dict[str, WaterDay] = {}
        self._unproven: dict[str, _Unproven] = {}
        self._oldest_come_ms: dict[str, int] = {}
        self._wrong_clocks = WrongClocks()
        self._lock = threading.Lock()

    def note_stored(self, readings: Sequence[Reading]) -> None:
        """Hear what has come in; if it is older than its unit's state, the next `catch_up` looks for it."""
        with self._lock:
            self._wrong_clocks.note(readings)
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
        (profile, made_with), services = self._profile(unit_id), self._maintenance.of(unit_id)
        state = self._checkpoints.before(unit_id, start_ms, made_with)
        for chunk in self._store.chunks(unit_id, after(engine.newest_ms(state)), start_ms):
            state, _ = engine.advance(state, chunk, profile, self._parameters, self._models, services)
        readings = self._store.read(unit_id, start_ms, end_ms)
        return engine.trace(state, readings, profile, self._parameters, services)

    def _caught_up(self, unit_id: str, oldest_ms: int | None, now_ms: int | None) -> list[Event]:
        (profile, made_with), services = self._profile(unit_id), self._maintenance.of(unit_id)
        state, events = self._states.get(unit_id), list[Event]()
        set_back = (
            state is None
            or state.made_with != made_with
            or not engine.agrees(state, services)
            or self._checkpoints.outrun(state, oldest_ms)
        )
        if state is None or set_back:
            state = self._set_back(unit_id, made_with, services, oldest_ms)
            events += engine.standing(state)
        found: list[Event] = []
        for state, more in self._folded(state, profile, services):  # noqa: B020 - each goes on from the last
            found += more
            if self._ends_a_day(state):
                self._keep(state, found)
                events, found = events + found, []
        state, more = self._silence(state, profile, now_ms)
        found += more
        if found or unit_id in self._unproven or self._seen(state) != self._told.get(unit_id):
            gone = self._settle(state, profile, found)
            events = [*events, *found, *gone]
            self._say(unit_id, _newest(events))
        return events

    def _set_back(
        self, unit_id: str, made_with: str, services: Sequence[Service], oldest_ms: int | None
    ) -> engine.State:
        """The newest kept state that has seen all that is stored and recorded up to then, taken up again.

        What was said after it is taken back; findings flagged since must prove themselves anew.
        """
        instants = self._checkpoints.instants(unit_id)
        known_good = [at_ms for at_ms in instants if oldest_ms is None or at_ms < oldest_ms]
        state = self._checkpoints.newest_whole(unit_id, known_good, made_with, services)
        newest_ms = engine.newest_ms(state)
        readable = not instants or self._checkpoints.at(unit_id, instants[-1], made_with) is not None
        before = self._states.get(unit_id)
        anew = not readable or (before is not None and before.made_with != made_with)
        unproven = self._unproven.setdefault(unit_id, _Unproven())
        unproven.cause = Cause.WORKED_ANEW if anew or unproven.cause is Cause.WORKED_ANEW else Cause.LATE_DATA
        for finding in self._results.findings(Finding, unit_id):
            flagged_ms = finding.first_flagged_at.timestamp() * MS_PER_S
            if not finding.withdrawn and (newest_ms is None or flagged_ms > newest_ms):
                unproven.findings[finding.finding_id] = finding
        # What stood at the kept state stands again, whatever was said of it since.
        self._results.rewind(
            unit_id,
            newest_ms,
            runs_from_ms=engine.runs_settled_ms(state),
            standing=engine.standing(state),
        )
        self._states[unit_id] = state
        self._told_water.pop(unit_id, None)
        logger.info("unit %s: folding from %s", unit_id, "the start" if newest_ms is None else newest_ms)
        return state

    def _profile(self, unit_id: str) -> tuple[UnitProfile, str]:
        """The unit's ratings, and the fingerprint of all that decides what is found with them."""
        profile = self._register.get(unit_id) or UnitProfile(unit_id=unit_id, provisional=True)
        known = self._made_with.get(unit_id)
        if known is None or known[0] != profile:
            made_with = engine.fingerprint(profile, self._parameters, self._models)
            known = self._made_with[unit_id] = (profile, made_with)
        return known

    def _daily(self, unit_id: str, newest_ms: int | None) -> Iterator[Readings]:
        """Stored rows after `newest_ms`, a day at most in one piece, so that each day leaves a checkpoint."""
        for chunk in self._store.chunks(unit_id, after(newest_ms), None):
            days = chunk.observed_at_ms // MS_PER_DAY
            starts = [0, *((days[1:] != days[:-1]).nonzero()[0] + 1).tolist(), len(chunk)]
            for start, end in itertools.pairwise(starts):
                if end > start:
                    yield chunk[start:end]

    def _folded(
        self, state: engine.State, profile: UnitProfile, services: Sequence[Service]
    ) -> Iterator[tuple[engine.State, list[Event]]]:
        """The state after each day of news, and last after the work that no reading has followed yet."""
        for chunk in self._daily(state.unit_id, engine.newest_ms(state)):
            state, found = engine.advance(state, chunk, profile, self._parameters, self._models, services)
            yield state, found
        yield engine.settle(state, self._models, services)

    def _ends_a_day(self, state: engine.State) -> bool:
        """Whether the state is on another day than the one before it."""
        before = self._states[state.unit_id]
        return _day_of(engine.newest_ms(state)) != _day_of(engine.newest_ms(before))

    def _silence(
        self, state: engine.State, profile: UnitProfile, now_ms: int | None
    ) -> tuple[engine.State, list[Event]]:
        """Judge the silence after the newest reading; one that was told goes on whatever the clock says."""
        unproven = self._unproven.get(state.unit_id)
        told_ms = [
            round(finding.first_flagged_at.timestamp() * MS_PER_S) + 1
            for finding in (unproven.findings.values() if unproven else ())
            if finding.pattern is Pattern.SILENT_UNIT
        ]
        return engine.judge_silence(state, max([now_ms or 0, *told_ms]), profile, self._parameters)

    def _keep(self, state: engine.State, events: Sequence[Event]) -> None:
        """Write down a day that has ended, with a checkpoint to come back to."""
        newest_ms = engine.newest_ms(state)
        if newest_ms is None:
            return
        self._results.save(
            run_records=_runs(events),
            finding_records=_newest(events),
            day_records=_days(events),
            checkpoint=Checkpoint(state.unit_id, newest_ms, engine.encode_state(state)),
        )
        self._checkpoints.thin(state.unit_id)
        self._prove(state.unit_id, events)
        self._states[state.unit_id] = state

    def _prove(self, unit_id: str, events: Sequence[Event]) -> None:
        if unproven := self._unproven.get(unit_id):
            for finding in _newest(events):
                unproven.findings.pop(finding.finding_id, None)

    def _settle(self, state: engine.State, profile: UnitProfile, events: Sequence[Event]) -> list[Finding]:
        """Write down what was found last and how the unit stands now; the findings that are taken back."""
        unit_id = state.unit_id
        self._prove(unit_id, events)
        unproven = self._unproven.get(unit_id)
        gone = [taken_back(one) for one in unproven.findings.values()] if unproven else []
        days = _days(events)
        # A parked unit's water stays as it is: most readings leave nothing to write here.
        today = engine.day_in_hand(state)
        if today is not None and today != self._told_water.get(unit_id):
            days = [*days, today]
        newest_ms = engine.newest_ms(state)
        self._results.save(
            run_records=_runs(events),
            finding_records=[*_newest(events), *gone],
            day_records=days,
            status=self._status(state, profile),
            watermark=None if newest_ms is None else Watermark(newest_ms, self._clock_ms(), state.rows),
        )
        self._states[unit_id], self._told[unit_id] = state, self._seen(state)
        if today is not None:
            self._told_water[unit_id] = today
        return gone

    def _status(self, state: engine.State, profile: UnitProfile) -> UnitStatus | None:
        status = engine.status(state, profile, self._parameters, self._models)
        n_wrong = self._wrong_clocks.of_last_day(state.unit_id, self._clock_ms())
        if status is None or not n_wrong:
            return status
        n_wrong += status.doubtful.get(clocks.NAME, 0)
        return msgspec.structs.replace(status, doubtful=status.doubtful | {clocks.NAME: n_wrong})

    def _seen(self, state: engine.State) -> tuple[int, int, int]:
        """How much a state has taken in, readings and work, and of how many of late the clock was wrong."""
        n_wrong = self._wrong_clocks.of_last_day(state.unit_id, self._clock_ms())
        return state.rows, len(state.serviced), n_wrong

    def _say(self, unit_id: str, findings: Sequence[Finding]) -> None:
        """Keep what is said from now on beside what was said before, where that no longer holds."""
        unproven = self._unproven.get(unit_id)
        if unproven is not None:
            findings = self._results.findings(Finding, unit_id)
        if findings:
            said = self._versions.newest(Finding, unit_id)
            cause = unproven.cause if unproven else None
            self._versions.add(worth_keeping(said, findings, cause), self._clock_ms())
        self._unproven.pop(unit_id, None)


@dataclass
class _Unproven:
    """Since a unit was set back: findings flagged later that have not come again yet, and why it was."""

    findings: dict[str, Finding] = field(default_factory=dict)
    cause: Cause = Cause.LATE_DATA


def _day_of(at_ms: int | None) -> int | None:
    return None if at_ms is None else at_ms // MS_PER_DAY


def _runs(events: Sequence[Event]) -> list[Run]:
    return [event for event in events if isinstance(event, Run)]


def _days(events: Sequence[Event]) -> list[WaterDay]:
    """The last version of each day of water."""
    return list({event.date: event for event in events if isinstance(event, WaterDay)}.values())


def _newest(events: Sequence[Event]) -> list[Finding]:
    """The last version of each finding."""
    return list({event.finding_id: event for event in events if isinstance(event, Finding)}.values())
