"""Alarms and the time -> which mails are due. Pure.

What recipients heard last is kept in the alarm (`told`); a mail is due when that is no longer true. So an
alarm that flutters sends what is true at the end of a gap, and one that is back within it sends nothing.
"""

from __future__ import annotations

import datetime as dt
import enum
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import msgspec

from alerts.alarm import COVERED, Alarm, AlarmState, Told
from alerts.policy import AlarmPolicy
from alerts.restating import matters
from models.records import Finding, Pattern


class NoticeKind(enum.StrEnum):
    """What a mail says about its alarm."""

    RAISED = "raised"
    REOPENED = "reopened"
    REMINDER = "reminder"
    CLEARED = "cleared"
    RESTATED = "restated"
    """Something that was told no longer holds."""
    SUMMARY = "summary"


@dataclass(frozen=True, kw_only=True)
class Heard:
    """What the recipients heard last of an alarm, and when."""

    finding: Finding
    at: dt.datetime


@dataclass(frozen=True, kw_only=True)
class Notice:
    """One mail that is due: about one alarm, or about all alarms of a flood."""

    kind: NoticeKind
    alarms: tuple[Alarm, ...]
    """As they are once this has been told."""
    heard: Heard | None = None
    """What had been told before, where one alarm is told of again."""

    @property
    def key(self) -> str:
        """Stable name of this mail: the same notice composed again has the same."""
        first = self.alarms[0]
        if self.kind is NoticeKind.SUMMARY:
            ids = "\n".join(alarm.alarm_id + str(alarm.reopened) for alarm in self.alarms)
            return f"summary.{hashlib.blake2b(ids.encode(), digest_size=10).hexdigest()}"
        if self.kind is NoticeKind.REMINDER:
            return f"{first.alarm_id}.{self.kind.value}-{first.reopened}-{first.n_reminders}"
        if self.kind is NoticeKind.RESTATED:
            return f"{first.alarm_id}.{self.kind.value}-{first.n_restated}"
        again = f"-{first.reopened}" if first.reopened and self.kind is not NoticeKind.RAISED else ""
        return f"{first.alarm_id}.{self.kind.value}{again}"


def due(
    alarms: Iterable[Alarm],
    now: dt.datetime,
    policy: AlarmPolicy,
    *,
    last_heard: Mapping[str, dt.datetime] | None = None,
) -> list[Notice]:
    """Mails due now, most urgent first.

    Parameters
    ----------
    alarms : iterable of Alarm
        All open ones and those closed lately.
    last_heard : mapping of unit id to datetime
        Newest reading of each unit; a unit that is absent counts as heard just now.
    """
    known = list(alarms)
    heard = last_heard or {}
    kinds = [(alarm, _kind_due(alarm, now, policy, heard.get(alarm.unit_id, now))) for alarm in known]
    fresh = [alarm for alarm, kind in kinds if kind in (NoticeKind.RAISED, NoticeKind.REOPENED)]
    lately = [alarm for alarm in known if _told_lately(alarm, now, policy)]
    flood = len(fresh) + len(lately) > policy.flood_alarms
    fresh_ids = {alarm.alarm_id for alarm in fresh}
    notices = []
    for alarm, kind in sorted(kinds, key=lambda pair: (pair[0].priority.rank, pair[0].opened_at)):
        if kind is None or (flood and alarm.alarm_id in fresh_ids):
            continue
        notices.append(Notice(kind=kind, alarms=(told(alarm, kind, now),), heard=_heard(alarm)))
    if flood and fresh and not any(alarm.told_in_summary for alarm in lately):
        notices.append(_summary(fresh, now))
    return notices


def told(alarm: Alarm, kind: NoticeKind, now: dt.datetime) -> Alarm:
    """The alarm once recipients have been told so."""
    restated = kind is NoticeKind.RESTATED
    ended = kind is NoticeKind.CLEARED or (restated and not alarm.standing)
    return msgspec.structs.replace(
        alarm,
        told=Told.ENDED if ended else Told.ACTIVE,
        told_at=now,
        told_finding=alarm.finding,
        restated=False,
        told_in_summary=kind is NoticeKind.SUMMARY,
        n_mails=alarm.n_mails + (not restated),
        n_restated=alarm.n_restated + restated,
        n_reminders=alarm.n_reminders + (kind is NoticeKind.REMINDER),
        revision=alarm.revision + 1,
    )


def _heard(alarm: Alarm) -> Heard | None:
    if alarm.told_finding is None or alarm.told_at is None:
        return None
    return Heard(finding=alarm.told_finding, at=alarm.told_at)


def _summary(fresh: Sequence[Alarm], now: dt.datetime) -> Notice:
    ordered = sorted(fresh, key=lambda alarm: (alarm.priority.rank, alarm.opened_at, alarm.unit_id))
    return Notice(
        kind=NoticeKind.SUMMARY, alarms=tuple(told(alarm, NoticeKind.SUMMARY, now) for alarm in ordered)
    )


def _told_lately(alarm: Alarm, now: dt.datetime, policy: AlarmPolicy) -> bool:
    first_mail = alarm.told is Told.ACTIVE and alarm.n_reminders == 0
    return first_mail and alarm.told_at is not None and now - alarm.told_at < policy.flood_window


def _kind_due(
    alarm: Alarm, now: dt.datetime, policy: AlarmPolicy, last_heard_at: dt.datetime
) -> NoticeKind | None:
    # A silent unit is not heard of by its meaning: there the instant counts at which that became unusual.
    if alarm.pattern is Pattern.SILENT_UNIT:
        last_heard_at = max(last_heard_at, alarm.finding.first_flagged_at)
    if alarm.state in COVERED or now - last_heard_at > policy.silent:
        return None
    if alarm.active and alarm.told is not Told.ACTIVE:
        return _after_gap(NoticeKind.REOPENED if alarm.n_mails else NoticeKind.RAISED, alarm, now, policy)
    if not alarm.standing and alarm.told is Told.ACTIVE:
        return _after_gap(NoticeKind.CLEARED, alarm, now, policy)
    if _restating_due(alarm, now, policy):
        return NoticeKind.RESTATED
    if alarm.state is AlarmState.UNACKNOWLEDGED and _reminder_due(alarm, now, policy):
        return NoticeKind.REMINDER
    return None


def _after_gap(kind: NoticeKind, alarm: Alarm, now: dt.datetime, policy: AlarmPolicy) -> NoticeKind | None:
    # The first raised and the first cleared mail never wait: the gap is there to calm an alarm that flutters.
    # Nor does the first that takes an end back, as when a drain was recorded in error: somebody relies on it.
    if alarm.reopened == 1 and _end_taken_back(alarm):
        return kind
    if alarm.n_mails >= 2 and alarm.told_at is not None and now - alarm.told_at < policy.mail_gap:
        return None
    return kind


def _end_taken_back(alarm: Alarm) -> bool:
    """Whether the very finding of which a mail told the end has none after all."""
    before, now = alarm.told_finding, alarm.finding
    if before is None or before.finding_id != now.finding_id:
        return False
    return before.end_at is not None and now.end_at is None


def _restating_due(alarm: Alarm, now: dt.datetime, policy: AlarmPolicy) -> bool:
    heard = _heard(alarm)
    if heard is None or not alarm.restated or now - heard.at > policy.restate_within:
        return False
    # Late readings come in pieces: the first correction goes out at once, the others wait for each other.
    if alarm.n_restated and now - heard.at < policy.mail_gap:
        return False
    return matters(
        heard.finding, alarm.finding, span=policy.restated_span, confidence=policy.restated_confidence
    )


def _reminder_due(alarm: Alarm, now: dt.datetime, policy: AlarmPolicy) -> bool:
    if alarm.told_at is None or alarm.n_reminders >= policy.max_reminders:
        return False
    return now - alarm.told_at >= policy.rationales[alarm.pattern].time_to_respond
