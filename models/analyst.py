"""The analyst: keeps every unit's state in step with the store, live.

It reads what the store holds beyond a unit's state, folds it, and has what was found written down and told
(`models.telling`). Readings that come late rewind the unit to the checkpoint before them and the fold goes on
from there. Does I/O through `ingest` only.
"""

from __future__ import annotations

import itertools
import logging
import threading
import time
from collections.abc import Callable, Iterator, Sequence

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
from models import clocks, engine
from models.artefact import PatternModels
from models.checkpoints import Checkpoints, after
from models.clocks import WrongClocks
from models.parameters import Parameters
from models.records import Event, Finding, Pattern, UnitStatus
from models.telling import Telling, newest
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
        self._maintenance = Maintenance(database)
        self._checkpoints = Checkpoints(Results(database), store)
        self._telling = Telling(database, clock_ms)
        self._parameters, self._models, self._clock_ms = parameters, models, clock_ms
        self._states: dict[str, engine.State] = {}
        self._made_with: dict[str, tuple[UnitProfile, str]] = {}
        self._told: dict[str, tuple[int, int, int]] = {}
        self._oldest_come_ms: dict[str, int] = {}
        self._wrong_clocks = WrongClocks()
        self._lock = threading.Lock()

    def note_stored(self, readings: Sequence[Reading]) -> None:
        """Hear what has come in; if it is older than its unit's state, the next `catch_up` looks for it."""
        with self._lock:
            self._wrong_clocks.note(readings)
            for reading in readings:
                if reading.quality & Quality.CLOCK_WRONG:
                    continue  # Left out whatever its instant says: nothing is to be folded again for it.
                oldest_ms = self._oldest_come_ms.get(reading.unit_id, reading.observed_at_ms)
                self._oldest_come_ms[reading.unit_id] = min(oldest_ms, reading.observed_at_ms)

    def catch_up(
        self,
        unit_id: str,
        now_ms: int | None = None,
        hear: Callable[[Sequence[Finding]], object] | None = None,
    ) -> list[Event]:
        """Fold all that the store holds of a unit and its state has not seen, early or late.

        Parameters
        ----------
        now_ms : int, optional
            Until when nothing more has come, to judge the unit's silence; None where that is not known, for
            our own silence is not the unit's. [Unix ms]
        hear : callable, optional
            Takes in the findings among what is returned, and those that an earlier call, in this process or
            in the one before, may not have had taken in.

        Returns
        -------
        list of Event
            What was found: runs, days of water, and each finding as it is now, old ones revised. A finding
            that late readings have undone comes with `withdrawn` set.

        Raises
        ------
        StoreError
            If the store can't be read. Nothing is lost: the next call goes on from there.
        """
        # Taken before the store is read: what comes from now on is for the next call to look at.
        with self._lock:
            oldest_ms = self._oldest_come_ms.pop(unit_id, None)
        try:
            events = self._caught_up(unit_id, oldest_ms, now_ms)
        except BaseException:
            if oldest_ms is not None:
                with self._lock:
                    newer_ms = self._oldest_come_ms.get(unit_id, oldest_ms)
                    self._oldest_come_ms[unit_id] = min(oldest_ms, newer_ms)
            raise
        if hear is not None:
            self._telling.hand_on(unit_id, newest(events), hear)
        return events

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
        state = self._states.get(unit_id)
        if (
            state is None
            or state.made_with != made_with
            or not engine.agrees(state, services)
            or self._checkpoints.outrun(state, oldest_ms)
        ):
            state = self._set_back(unit_id, made_with, services, oldest_ms)
        events, found = list[Event](), list[Event]()
        for state, more in self._folded(state, profile, services):  # noqa: B020 - each goes on from the last
            found += more
            at_ms = engine.newest_ms(state)
            if at_ms is not None and _ends_a_day(self._states[unit_id], at_ms):
                self._telling.keep_day(state, at_ms, found, self._checkpoints.kept_with(unit_id, at_ms))
                self._states[unit_id] = state
                events, found = events + found, []
        state, more = self._silence(state, profile, now_ms)
        found += more
        findings: list[Finding] = []
        if found or self._telling.in_hand(unit_id) or self._seen(state) != self._told.get(unit_id):
            findings = self._telling.say(state, found, self._status(state, profile))
            self._states[unit_id], self._told[unit_id] = state, self._seen(state)
        return [*(event for event in events + found if not isinstance(event, Finding)), *findings]

    def _set_back(
        self, unit_id: str, made_with: str, services: Sequence[Service], oldest_ms: int | None
    ) -> engine.State:
        """The newest kept state that has seen all that is stored and recorded up to then, taken up again."""
        instants = self._checkpoints.instants(unit_id)
        known_good = [at_ms for at_ms in instants if oldest_ms is None or at_ms < oldest_ms]
        state = self._checkpoints.newest_whole(unit_id, known_good, made_with, services)
        self._telling.set_back(state, self._checkpoints.why_again(state, services))
        self._states[unit_id] = state
        newest_ms = engine.newest_ms(state)
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

    def _silence(
        self, state: engine.State, profile: UnitProfile, now_ms: int | None
    ) -> tuple[engine.State, list[Event]]:
        """Judge the silence after the newest reading; one that was told goes on whatever the clock says."""
        in_hand = self._telling.in_hand(state.unit_id)
        told_ms = [
            round(finding.first_flagged_at.timestamp() * MS_PER_S) + 1
            for finding in (in_hand.doubted.values() if in_hand else ())
            if finding.pattern is Pattern.SILENT_UNIT
        ]
        return engine.judge_silence(state, max([now_ms or 0, *told_ms]), profile, self._parameters)

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


def _ends_a_day(before: engine.State, at_ms: int) -> bool:
    """Whether an instant is on another day than a state. [Unix ms]"""
    before_ms = engine.newest_ms(before)
    return before_ms is None or before_ms // MS_PER_DAY != at_ms // MS_PER_DAY
