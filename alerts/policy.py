"""Findings, known alarms and the time -> what changes. Pure; the desk carries it out.

One alarm per unit and pattern, raised once; cleared by itself when the condition has ended for the off-delay;
re-opened, not raised anew, within the hold period; closed when late data takes the finding back.
"""

from __future__ import annotations

import datetime as dt
import enum
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

import msgspec

from alerts import transitions as life
from alerts.alarm import Alarm, AlarmState, Told, alarm_id_of
from alerts.rationale import Rationale, rationales
from alerts.restating import in_a_line
from models.records import Finding, Pattern
from models.said import carries_on, same

WITHDRAWN_REASON = "withdrawn by late data: the condition was not there"
FORGOTTEN_REASON = "ended, and nobody acknowledged it for the whole keep time"


@dataclass(frozen=True, kw_only=True)
class AlarmPolicy:
    """Limits and delays. The defaults are chosen; see docs/alarms.md."""

    rationales: Mapping[Pattern, Rationale] = field(default_factory=rationales)
    hold: dt.timedelta = dt.timedelta(hours=24)
    """A condition that comes back sooner re-opens its alarm."""
    long_past: dt.timedelta = dt.timedelta(hours=24)
    """A condition first heard of so long after its end raises no alarm."""
    silent: dt.timedelta = dt.timedelta(days=7)
    """Nobody is mailed about a unit whose newest reading is older: that is history being imported. Of a unit
    that fell silent, the silence must have become too long within this time, else it raises no alarm."""
    keep_returned: dt.timedelta = dt.timedelta(days=7)
    """Ended but unacknowledged alarms leave the list after this."""
    withdraw_delay: dt.timedelta = dt.timedelta(minutes=1)
    """A finding must be gone for so long: while late data is folded in it is gone only for moments."""
    longest_shelf: dt.timedelta = dt.timedelta(days=14)
    mail_gap: dt.timedelta = dt.timedelta(hours=6)
    """Least time between mails of one alarm once it has been raised and cleared."""
    restated_span: dt.timedelta = dt.timedelta(minutes=15)
    """A start or end that moves by less is corrected on the board, without a mail."""
    restated_confidence: float = 0.1
    """The same for how sure it is, 0-1."""
    restate_within: dt.timedelta = dt.timedelta(days=30)
    """What was mailed longer ago is corrected on the board alone."""
    max_reminders: int = 3
    flood_alarms: int = 10
    """More raised within `flood_window` make a flood: one summary mail instead."""
    flood_window: dt.timedelta = dt.timedelta(minutes=10)
    suppressed_while: Mapping[Pattern, Pattern] = field(
        default_factory=lambda: {Pattern.SHORT_CYCLING: Pattern.NEVER_REACHING_TEMPERATURE}
    )
    """The key's response can't be carried out while the value stands: what can't get hot can't be dried. Both
    findings are true; one that another makes untrue is never found (`models.patterns.SUPPRESSED_BY`)."""


class ChangeKind(enum.StrEnum):
    """What happened to an alarm in a review."""

    RAISED = "raised"
    REVISED = "revised"
    RESTATED = "restated"
    REOPENED = "reopened"
    RETURNED = "returned"
    WITHDRAWN = "withdrawn"
    CLEARED = "cleared"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"


@dataclass(frozen=True, kw_only=True)
class AlarmChange:
    """One change: the alarm as it is after it."""

    kind: ChangeKind
    alarm: Alarm


def review(
    findings: Iterable[Finding],
    alarms: Iterable[Alarm],
    now: dt.datetime,
    policy: AlarmPolicy,
    *,
    withdrawn: Collection[str] = frozenset(),
) -> list[AlarmChange]:
    """What changes now. Reviewing again at the same instant with the changes applied gives nothing.

    Parameters
    ----------
    findings : iterable of Finding
        New or revised ones, any order; of several records with one id the last counts.
    alarms : iterable of Alarm
        Every alarm known of the units concerned, closed ones too.
    withdrawn : collection of str
        Ids of findings that the results no longer hold.
    """
    book = _Book(alarms)
    latest = {finding.finding_id: finding for finding in findings}
    for finding in sorted(latest.values(), key=lambda one: (one.first_flagged_at, one.finding_id)):
        book.note(_heard(finding, book, now, policy, withdrawn))
    for alarm_id in sorted(book.by_id):
        missing = book.by_id[alarm_id].finding.finding_id in withdrawn
        while book.note(_aged(book.by_id[alarm_id], now, policy, missing=missing)):
            pass
    for alarm_id in sorted(book.by_id):
        book.note(_held_back(book.by_id[alarm_id], book, now, policy))
    return book.changes


class _Book:
    """Alarms as they are in the middle of a review, and the changes so far."""

    def __init__(self, alarms: Iterable[Alarm]) -> None:
        self.by_id: dict[str, Alarm] = {}
        self.changes: list[AlarmChange] = []
        self._ids: dict[tuple[str, Pattern], set[str]] = defaultdict(set)
        for alarm in alarms:
            self._put(alarm)

    def of(self, unit_id: str, pattern: Pattern) -> list[Alarm]:
        """Alarms of one unit and pattern, newest first."""
        found = [self.by_id[alarm_id] for alarm_id in self._ids[unit_id, pattern]]
        return sorted(found, key=lambda one: (one.raised_at, one.alarm_id), reverse=True)

    def note(self, change: AlarmChange | None) -> bool:
        """Carries a change out; False when there is none."""
        if change is None:
            return False
        self._put(change.alarm)
        self.changes.append(change)
        return True

    def _put(self, alarm: Alarm) -> None:
        self.by_id[alarm.alarm_id] = alarm
        self._ids[alarm.unit_id, alarm.pattern].add(alarm.alarm_id)


def _heard(
    finding: Finding, book: _Book, now: dt.datetime, policy: AlarmPolicy, withdrawn: Collection[str]
) -> AlarmChange | None:
    owner = _owner(finding, book, policy)
    if owner is None:
        if not _worth_raising(finding, now, policy):
            return None
        priority = policy.rationales[finding.pattern].priority
        return AlarmChange(kind=ChangeKind.RAISED, alarm=life.raised(finding, priority, now))
    latest = owner.finding
    if same(finding, latest):
        return None
    undone = latest.withdrawn or latest.finding_id in withdrawn
    if _older(finding, latest) and not (undone and _meets(finding, latest, now)):
        return None
    # One condition whose start late data moves comes as another finding in the place of one withdrawn.
    corrected = undone if finding.finding_id != latest.finding_id else not carries_on(latest, finding)
    note = in_a_line(latest, finding)
    if not owner.standing and finding.end_at is None:
        again = life.reopened(owner, finding, now, note) if corrected else life.reopened(owner, finding, now)
        return AlarmChange(kind=ChangeKind.REOPENED, alarm=again)
    if corrected:
        return AlarmChange(kind=ChangeKind.RESTATED, alarm=life.restated(owner, finding, now, note))
    return AlarmChange(kind=ChangeKind.REVISED, alarm=life.revised(owner, finding))


def _older(finding: Finding, latest: Finding) -> bool:
    """True for an earlier occurrence: when history is gone through again, it is heard once more."""
    return finding.finding_id != latest.finding_id and finding.start_at < latest.start_at


def _meets(finding: Finding, latest: Finding, now: dt.datetime) -> bool:
    """Whether two findings share an instant; what still stands reaches to now."""
    return finding.start_at <= (latest.end_at or now) and latest.start_at <= (finding.end_at or now)


def _owner(finding: Finding, book: _Book, policy: AlarmPolicy) -> Alarm | None:
    """The alarm a finding belongs to: one that knows it, else the open or lately ended one of its kind."""
    mine = book.of(finding.unit_id, finding.pattern)
    alarm_id = alarm_id_of(finding)
    for one in mine:
        if finding.finding_id in one.finding_ids or one.alarm_id == alarm_id:
            return one
    for one in mine:
        if one.open or (one.returned_at and finding.first_flagged_at <= one.returned_at + policy.hold):
            return one
    return None


def _worth_raising(finding: Finding, now: dt.datetime, policy: AlarmPolicy) -> bool:
    if finding.pattern is Pattern.SILENT_UNIT and now - finding.first_flagged_at > policy.silent:
        return False
    stood_until = finding.end_at or now
    if stood_until - finding.first_flagged_at < policy.rationales[finding.pattern].on_delay:
        return False
    return now - stood_until <= policy.long_past


def _aged(alarm: Alarm, now: dt.datetime, policy: AlarmPolicy, *, missing: bool) -> AlarmChange | None:
    """The next thing that time alone does to an alarm."""
    if not alarm.open:
        undone = missing and not alarm.finding.withdrawn
        return _taken_back(alarm, now) if undone else None
    if missing or alarm.missing_since:
        return _missed(alarm, now, policy, missing=missing)
    ended_at = alarm.finding.end_at
    known_cause = alarm.finding.explained_by is not None
    off_delay = dt.timedelta() if known_cause else policy.rationales[alarm.pattern].off_delay
    if alarm.standing and ended_at is not None and now - ended_at >= off_delay:
        return AlarmChange(kind=ChangeKind.RETURNED, alarm=_ended(alarm, now, ended_at, policy))
    if alarm.shelved_until is not None and now >= alarm.shelved_until:
        return AlarmChange(
            kind=ChangeKind.UNSHELVED, alarm=life.unshelved(alarm, now, note="shelving time is over")
        )
    waiting = alarm.state is AlarmState.RETURNED_UNACKNOWLEDGED and alarm.returned_at
    if waiting and now - max(waiting, alarm.opened_at) >= policy.keep_returned:
        return AlarmChange(kind=ChangeKind.CLEARED, alarm=life.cleared(alarm, now, FORGOTTEN_REASON))
    return None


def _missed(alarm: Alarm, now: dt.datetime, policy: AlarmPolicy, *, missing: bool) -> AlarmChange | None:
    if not missing:
        found = msgspec.structs.replace(alarm, missing_since=None)
        return AlarmChange(kind=ChangeKind.REVISED, alarm=found)
    if alarm.missing_since is None:
        lost = msgspec.structs.replace(alarm, missing_since=now)
        return AlarmChange(kind=ChangeKind.REVISED, alarm=lost)
    if now - alarm.missing_since < policy.withdraw_delay:
        return None
    return _taken_back(alarm, now)


def _taken_back(alarm: Alarm, now: dt.datetime) -> AlarmChange:
    return AlarmChange(kind=ChangeKind.WITHDRAWN, alarm=life.withdrawn(alarm, now, WITHDRAWN_REASON))


def _ended(alarm: Alarm, now: dt.datetime, ended_at: dt.datetime, policy: AlarmPolicy) -> Alarm:
    cause = alarm.finding.explained_by
    reason = "the condition ended" if cause is None else f"explained by: {policy.rationales[cause].title}"
    over = life.returned_to_normal(alarm, now, ended_at, reason)
    unseen = over.state is AlarmState.RETURNED_UNACKNOWLEDGED and over.told is Told.NOTHING
    if unseen and now - ended_at > policy.long_past:
        return life.cleared(over, now, "history: it had ended before anybody was told")
    return over


def _held_back(alarm: Alarm, book: _Book, now: dt.datetime, policy: AlarmPolicy) -> AlarmChange | None:
    cause = policy.suppressed_while.get(alarm.pattern)
    if cause is None:
        return None
    stands = any(one.active for one in book.of(alarm.unit_id, cause))
    if stands and alarm.active:
        title = policy.rationales[cause].title
        return AlarmChange(
            kind=ChangeKind.SUPPRESSED, alarm=life.suppressed(alarm, now, f"while this stands: {title}")
        )
    if not stands and alarm.state is AlarmState.SUPPRESSED_BY_DESIGN:
        return AlarmChange(kind=ChangeKind.UNSUPPRESSED, alarm=life.unsuppressed(alarm, now))
    return None
