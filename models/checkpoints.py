"""Kept states of units to come back to, and which of them still holds. Does I/O through `ingest` only."""

from __future__ import annotations

import logging
from collections.abc import Sequence

from ingest.maintenance import Service
from ingest.quality import Quality
from ingest.results import Results, Watermark
from ingest.store.protocol import ReadingStore
from ingest.units_of_measure import MS_PER_DAY
from models import engine
from models.said import Cause

logger = logging.getLogger(__name__)

DAILY_FOR_DAYS = 14
"""Checkpoints a day apart are kept for so long, a week apart before that: few readings come later than this,
and those that do cost a fold of weeks, not of years."""


class Checkpoints:
    """States as they were after a day; one is trusted only while it has seen all that came up to then."""

    def __init__(self, results: Results, store: ReadingStore) -> None:
        self._results, self._store = results, store

    def instants(self, unit_id: str) -> list[int]:
        """When there are checkpoints of a unit, oldest first. [Unix ms]"""
        return self._results.checkpoint_instants(unit_id)

    def kept_with(self, unit_id: str, at_ms: int) -> list[int]:
        """Which checkpoints of a unit to keep when there is one more, at `at_ms`. [Unix ms]"""
        return kept_checkpoints([*self.instants(unit_id), at_ms])

    def stored(self, unit_id: str, start_ms: int | None, until_ms: int) -> int:
        """How many rows with a right clock the store holds, both ends included. [Unix ms]"""
        return self._store.count(unit_id, until_ms + 1, start_ms=start_ms, without=int(Quality.CLOCK_WRONG))

    def outrun(self, state: engine.State, oldest_ms: int | None) -> bool:
        """Whether the store holds rows behind the state's newest that it has not seen; repeats are none.

        Only the rows since the checkpoint before the oldest that came are counted, for a truck that sends
        everything twice would else have its whole history counted with every message.
        """
        newest_ms = engine.newest_ms(state)
        if newest_ms is None:
            return False
        # Nobody tells of readings from before recorded work that another process has brought.
        if not engine.ends_with_work(state) and (oldest_ms is None or oldest_ms > newest_ms):
            return False
        from_ms = newest_ms if oldest_ms is None else min(oldest_ms, newest_ms)
        kept = self.before(state.unit_id, from_ms, state.made_with)
        stored = self.stored(state.unit_id, after(engine.newest_ms(kept)), newest_ms)
        return stored > state.rows - kept.rows

    def before(self, unit_id: str, at_ms: int, made_with: str) -> engine.State:
        """The newest kept state before an instant; that before the first reading when there is none."""
        found = self._results.checkpoint_before(unit_id, at_ms)
        state = _decoded(found[1], made_with) if found else None
        return state or engine.initial_state(unit_id, made_with)

    def newest_whole(
        self, unit_id: str, instants_ms: Sequence[int], made_with: str, services: Sequence[Service]
    ) -> engine.State:
        """The newest kept state that has seen every row and all work up to its instant.

        What one has not seen is missing from all later ones too, so halving finds it.
        """
        whole, low, high = engine.initial_state(unit_id, made_with), 0, len(instants_ms)
        middle = high - 1
        while low < high:
            kept = self.at(unit_id, instants_ms[middle], made_with)
            if (
                kept is not None
                and self.stored(unit_id, None, instants_ms[middle]) == kept.rows
                and engine.agrees(kept, services)
            ):
                whole, low = kept, middle + 1
            else:
                high = middle
            middle = (low + high) // 2
        return whole

    def why_again(self, state: engine.State, services: Sequence[Service]) -> Cause | None:
        """Why a unit is folded again from a kept state: what differs from what was said to be folded.

        Parameters
        ----------
        state : State
            The one to go on from: whole, of the ratings, settings and models that hold now.

        Returns
        -------
        Cause or None
            None where nothing does, as after a restart.
        """
        unit_id, instants = state.unit_id, self.instants(state.unit_id)
        mark = self._results.watermark(unit_id)
        if instants and self.at(unit_id, instants[-1], state.made_with) is None:
            return Cause.WORKED_ANEW
        if mark is None:
            return None
        if mark.made_with is not None and mark.made_with != state.made_with:
            return Cause.WORKED_ANEW
        if self._has_more(state, mark):
            return Cause.LATE_DATA
        return Cause.OTHER_WORK if _other_work(mark, services) else None

    def _has_more(self, state: engine.State, mark: Watermark) -> bool:
        """Whether up to the watermark there are other readings than were taken in."""
        newest_ms, n_seen = engine.newest_ms(state), state.rows
        if newest_ms is not None and newest_ms > mark.analysed_until_ms:
            newest_ms, n_seen = None, 0
        return (
            n_seen + self.stored(state.unit_id, after(newest_ms), mark.analysed_until_ms) != mark.n_readings
        )

    def at(self, unit_id: str, at_ms: int, made_with: str) -> engine.State | None:
        """The state kept at exactly this instant, if this program with these settings made it."""
        stored = self._results.checkpoint(unit_id, at_ms)
        return None if stored is None else _decoded(stored, made_with)


def _decoded(stored: bytes, made_with: str) -> engine.State | None:
    """A checkpoint's state, if this program with these settings made it."""
    try:
        state = engine.decode_state(stored)
    except engine.StateError as reason:
        logger.info("a checkpoint is passed over: %s", reason)
        return None
    return state if state.made_with == made_with else None


def _other_work(mark: Watermark, services: Sequence[Service]) -> bool:
    """Whether up to the watermark other work is recorded than was taken in."""
    if mark.serviced is None:
        return False
    last, recorded = max(mark.serviced, default=(-1, "")), {service.key for service in services}
    past = {key for key in recorded if key <= last or key[0] < mark.analysed_until_ms}
    return past != set(mark.serviced)


def after(newest_ms: int | None) -> int | None:
    """The first instant later than one; None stays open. [Unix ms]"""
    return None if newest_ms is None else newest_ms + 1


def kept_checkpoints(instants_ms: Sequence[int]) -> list[int]:
    """The checkpoints to keep: all of the last fortnight, the first of each week before it. [Unix ms]"""
    if not instants_ms:
        return []
    recent_ms = max(instants_ms) - DAILY_FOR_DAYS * MS_PER_DAY
    weekly = {instant // (7 * MS_PER_DAY): instant for instant in sorted(instants_ms, reverse=True)}
    return sorted({instant for instant in instants_ms if instant >= recent_ms} | set(weekly.values()))
