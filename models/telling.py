"""What is said of each unit: worked out aside while its history is folded, said in one piece at the end.

Findings are shown and told only once all that is stored has been folded, in one transaction with the versions
that they take the place of. Until then what was said stays, and all that is in hand (why a unit was set back,
from where on, what has been found since) is in the database: whenever a process dies, the next one goes on.
Does I/O through `ingest` only.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field

import sqlalchemy as sa

from ingest.finding_versions import FindingVersions
from ingest.results import Checkpoint, Results, Rewind, Said, Watermark
from ingest.units_of_measure import MS_PER_S
from models import engine
from models.records import Event, Finding, Run, UnitStatus, WaterDay
from models.said import Cause, stronger, taken_back, worth_keeping


@dataclass(frozen=True)
class InHand:
    """A unit of which not all has been said yet."""

    doubted: dict[str, Finding] = field(default_factory=dict)
    """What was said of the time that is folded again and had not come again when that began, by id."""
    cause: Cause | None = None
    """Why it is folded again; None: nothing has changed of what was folded before."""


class Telling:
    """Keeps what is found and tells it on. One thread at a time may work on a unit.

    Parameters
    ----------
    clock_ms : callable
        The time now. [Unix ms]
    """

    def __init__(self, database: sa.Engine, clock_ms: Callable[[], int]) -> None:
        self._results, self._versions = Results(database), FindingVersions(database)
        self._clock_ms = clock_ms
        self._in_hand: dict[str, InHand] = {}
        self._water: dict[str, WaterDay] = {}
        self._all_heard: set[str] = set()

    def in_hand(self, unit_id: str) -> InHand | None:
        """What of a unit is not said yet, if its history is being folded again or over days."""
        return self._in_hand.get(unit_id)

    def set_back(self, state: engine.State, cause: Cause | None) -> None:
        """Take a kept state up again: findings flagged after it must prove themselves anew.

        What a process before this one had in hand is in hand again.
        """
        unit_id, at_ms = state.unit_id, engine.newest_ms(state)
        from_ms, before = at_ms, self._results.rewind_in_hand(unit_id)
        if before is not None:
            cause = stronger(cause, before.cause)
            from_ms = None if at_ms is None or before.from_ms is None else min(at_ms, before.from_ms)
        self._results.rewind(
            unit_id,
            at_ms,
            runs_from_ms=engine.runs_settled_ms(state),
            standing=engine.standing(state),
            in_hand=Rewind(from_ms, cause),
        )
        come_again = {finding.finding_id for finding in self._results.unsaid(Finding, unit_id)}
        doubted = {
            finding.finding_id: finding
            for finding in self._results.findings(Finding, unit_id)
            if not finding.withdrawn
            and flagged_after(finding, from_ms)
            and finding.finding_id not in come_again
        }
        self._in_hand[unit_id] = InHand(doubted, cause)
        self._water.pop(unit_id, None)

    def keep_day(
        self, state: engine.State, at_ms: int, events: Sequence[Event], instants: Collection[int]
    ) -> None:
        """Write down a day that has ended, with a checkpoint to come back to.

        Parameters
        ----------
        at_ms : int
            The state's instant. [Unix ms]
        instants : collection of int
            Checkpoints to keep; the unit's others go. [Unix ms]
        """
        self._results.save(
            run_records=runs(events),
            unsaid_records=newest(events),
            day_records=_days(events),
            checkpoint=Checkpoint(state.unit_id, at_ms, engine.encode_state(state)),
            checkpoint_instants_ms=sorted(instants),
        )
        self._in_hand.setdefault(state.unit_id, InHand())

    def say(self, state: engine.State, events: Sequence[Event], status: UnitStatus | None) -> list[Finding]:
        """All is folded: say it. What has not come again is taken back.

        Parameters
        ----------
        events : sequence of Event
            What was found since the last day that was kept.

        Returns
        -------
        list of Finding
            All findings that are said anew, withdrawn ones among them.
        """
        unit_id, newest_ms, now_ms = state.unit_id, engine.newest_ms(state), self._clock_ms()
        findings, said = self._all_found(unit_id, events), None
        if findings or unit_id in self._in_hand:
            said = Said(unit_id, self._versions_of(unit_id, findings), now_ms)
        days, today = _days(events), engine.day_in_hand(state)
        # A parked unit's water stays as it is: most readings leave nothing to write here.
        if today is not None and today != self._water.get(unit_id):
            days = [*days, today]
        mark = None
        if newest_ms is not None:
            mark = Watermark(newest_ms, now_ms, state.rows, state.made_with, state.serviced)
        self._results.save(
            run_records=runs(events),
            finding_records=findings,
            day_records=days,
            status=status,
            watermark=mark,
            said=said,
        )
        self._in_hand.pop(unit_id, None)
        if today is not None:
            self._water[unit_id] = today
        return findings

    def _all_found(self, unit_id: str, events: Sequence[Event]) -> list[Finding]:
        """Findings of all that has been folded since something was last said; doubts end here."""
        found, in_hand = newest(events), self._in_hand.get(unit_id)
        if in_hand is not None:
            found = newest([*self._results.unsaid(Finding, unit_id), *found])
            come_again = {finding.finding_id for finding in found}
            found += [taken_back(one) for key, one in in_hand.doubted.items() if key not in come_again]
        return sorted(found, key=lambda finding: (finding.start_at, finding.finding_id))

    def _versions_of(self, unit_id: str, findings: Sequence[Finding]) -> list[tuple[Finding, Cause]]:
        """What is worth keeping beside what was said of these findings before."""
        in_hand = self._in_hand.get(unit_id)
        before = self._versions.newest(Finding, unit_id) if findings else {}
        return worth_keeping(before, findings, in_hand.cause if in_hand else None)

    def hand_on(
        self, unit_id: str, findings: Iterable[Finding], hear: Callable[[Sequence[Finding]], object]
    ) -> None:
        """Have `hear` take in what is said, and what an earlier call may have failed to take in.

        It is noted as heard only when `hear` has come back, so after a crash it is handed on again.
        """
        now = {finding.finding_id: finding for finding in findings}
        if not now and unit_id in self._all_heard:
            return
        self._all_heard.discard(unit_id)
        unheard = self._versions.unheard(unit_id)
        missing = unheard - now.keys()
        if missing:
            said = self._results.findings(Finding, unit_id)
            now |= {one.finding_id: one for one in said if one.finding_id in missing}
        if now:
            hear(list(now.values()))
        if unheard:
            self._versions.note_heard(unit_id, self._clock_ms())
        self._all_heard.add(unit_id)


def flagged_after(finding: Finding, at_ms: int | None) -> bool:
    """Whether a finding was flagged after an instant; None lies before all. [Unix ms]"""
    return at_ms is None or finding.first_flagged_at.timestamp() * MS_PER_S > at_ms


def runs(events: Iterable[Event]) -> list[Run]:
    """The runs among events, in the order they came."""
    return [event for event in events if isinstance(event, Run)]


def newest(events: Iterable[Event]) -> list[Finding]:
    """The last version of each finding."""
    return list({event.finding_id: event for event in events if isinstance(event, Finding)}.values())


def _days(events: Iterable[Event]) -> list[WaterDay]:
    """The last version of each day of water."""
    return list({event.date: event for event in events if isinstance(event, WaterDay)}.values())
