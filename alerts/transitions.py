"""The steps of an alarm's life: pure, each gives a new alarm with the step written in its log.

A step that the standard's state diagram does not know raises `IllegalTransition`.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import msgspec

from alerts.alarm import (
    COVERED,
    LEGAL_FROM,
    SYSTEM,
    Action,
    Alarm,
    AlarmState,
    IllegalTransition,
    LogEntry,
    Priority,
    alarm_id_of,
)
from models.records import Finding
from models.said import taken_back


def raised(finding: Finding, priority: Priority, now: dt.datetime) -> Alarm:
    """A new alarm, unacknowledged."""
    entry = LogEntry(at=now, by=SYSTEM, action=Action.RAISE, state=AlarmState.UNACKNOWLEDGED)
    return Alarm(
        alarm_id=alarm_id_of(finding),
        unit_id=finding.unit_id,
        pattern=finding.pattern,
        priority=priority,
        state=AlarmState.UNACKNOWLEDGED,
        raised_at=finding.first_flagged_at,
        opened_at=now,
        finding_ids=(finding.finding_id,),
        finding=finding,
        log=(entry,),
    )


def revised(alarm: Alarm, finding: Finding) -> Alarm:
    """The same alarm with the newer record of what is behind it; the state stays, nothing is logged."""
    known = alarm.finding_ids
    ids = known if finding.finding_id in known else (*known, finding.finding_id)
    return msgspec.structs.replace(
        alarm, finding=finding, finding_ids=ids, missing_since=None, revision=alarm.revision + 1
    )


def restated(alarm: Alarm, finding: Finding, now: dt.datetime, note: str) -> Alarm:
    """The same alarm, of which something that was said is taken back; the note tells what."""
    over = {} if alarm.standing or finding.end_at is None else {"returned_at": finding.end_at}
    stepped = _step(alarm, Action.REVISE, alarm.state, now, SYSTEM, note, restated=True, **over)
    return revised(stepped, finding)


def acknowledged(alarm: Alarm, now: dt.datetime, by: str, note: str = "") -> Alarm:
    """Somebody has seen it and will act. One that has already ended becomes normal."""
    ended = alarm.state is AlarmState.RETURNED_UNACKNOWLEDGED
    state = AlarmState.NORMAL if ended else AlarmState.ACKNOWLEDGED
    changes = {"cleared_at": now} if ended else {}
    return _step(
        alarm, Action.ACKNOWLEDGE, state, now, by, note, acknowledged_at=now, acknowledged_by=by, **changes
    )


def unacknowledged(alarm: Alarm, now: dt.datetime, by: str, note: str = "") -> Alarm:
    """Takes an acknowledgement back: the alarm stands where it stood before it."""
    if alarm.acknowledged_at is None:
        raise IllegalTransition(
            alarm.alarm_id, alarm.state, Action.UNACKNOWLEDGE, "nobody has acknowledged it"
        )
    if alarm.state is AlarmState.NORMAL and alarm.log[-1].action is not Action.ACKNOWLEDGE:
        raise IllegalTransition(
            alarm.alarm_id, alarm.state, Action.UNACKNOWLEDGE, "it has gone on since it was acknowledged"
        )
    state = AlarmState.UNACKNOWLEDGED if alarm.standing else AlarmState.RETURNED_UNACKNOWLEDGED
    return _step(
        alarm,
        Action.UNACKNOWLEDGE,
        state,
        now,
        by,
        note,
        acknowledged_at=None,
        acknowledged_by="",
        cleared_at=None,
    )


def shelved(alarm: Alarm, now: dt.datetime, until: dt.datetime, by: str, reason: str) -> Alarm:
    """Out of view until an instant, at which it comes back by itself.

    Raises
    ------
    ValueError
        If `until` is not after `now`, or no reason is given: the standard asks for both.
    """
    if until <= now:
        raise ValueError(f"shelved until {until.isoformat()!r}: expected an instant after {now.isoformat()}")
    _need_reason(reason, "shelve")
    return _step(
        alarm, Action.SHELVE, AlarmState.SHELVED, now, by, reason, shelved_until=until, cover_reason=reason
    )


def unshelved(alarm: Alarm, now: dt.datetime, by: str = SYSTEM, note: str = "") -> Alarm:
    """Back in view: unacknowledged when the condition stands, normal when it ended meanwhile."""
    return _uncovered(alarm, Action.UNSHELVE, now, by, note)


def suppressed(alarm: Alarm, now: dt.datetime, reason: str) -> Alarm:
    """Held back by logic, because its response makes no sense now."""
    _need_reason(reason, "suppress")
    state = AlarmState.SUPPRESSED_BY_DESIGN
    return _step(alarm, Action.SUPPRESS, state, now, SYSTEM, reason, cover_reason=reason)


def unsuppressed(alarm: Alarm, now: dt.datetime) -> Alarm:
    """The logic no longer holds it back."""
    return _uncovered(alarm, Action.UNSUPPRESS, now, SYSTEM, "")


def taken_out_of_service(alarm: Alarm, now: dt.datetime, by: str, reason: str) -> Alarm:
    """Switched off for maintenance, until somebody returns it to service."""
    _need_reason(reason, "take out of service")
    return _step(
        alarm,
        Action.TAKE_OUT_OF_SERVICE,
        AlarmState.OUT_OF_SERVICE,
        now,
        by,
        reason,
        shelved_until=None,
        cover_reason=reason,
    )


def returned_to_service(alarm: Alarm, now: dt.datetime, by: str, note: str = "") -> Alarm:
    """Maintenance is over."""
    return _uncovered(alarm, Action.RETURN_TO_SERVICE, now, by, note)


def returned_to_normal(alarm: Alarm, now: dt.datetime, ended_at: dt.datetime, reason: str) -> Alarm:
    """The condition ended by itself. Unacknowledged ones stay in view until somebody has seen them."""
    state = alarm.state
    if state is AlarmState.ACKNOWLEDGED:
        state = AlarmState.NORMAL
    elif state is AlarmState.UNACKNOWLEDGED:
        state = AlarmState.RETURNED_UNACKNOWLEDGED
    cleared_at = now if state is AlarmState.NORMAL else None
    return _step(
        alarm,
        Action.RETURN_TO_NORMAL,
        state,
        now,
        SYSTEM,
        reason,
        returned_at=ended_at,
        cleared_at=cleared_at,
        close_reason=reason,
    )


def cleared(alarm: Alarm, now: dt.datetime, reason: str) -> Alarm:
    """Off the list though nobody acknowledged it."""
    return _step(alarm, Action.CLEAR, AlarmState.NORMAL, now, SYSTEM, reason, cleared_at=now)


def reopened(
    alarm: Alarm, finding: Finding, now: dt.datetime, note: str = "the condition came back"
) -> Alarm:
    """The condition stands again within the hold period: the same alarm, unacknowledged again."""
    state = alarm.state if alarm.state in COVERED else AlarmState.UNACKNOWLEDGED
    stepped = _step(
        alarm,
        Action.REOPEN,
        state,
        now,
        SYSTEM,
        note,
        returned_at=None,
        cleared_at=None,
        close_reason="",
        acknowledged_at=None,
        acknowledged_by="",
        opened_at=now,
        reopened=alarm.reopened + 1,
        n_reminders=0,
    )
    return revised(stepped, finding)


def withdrawn(alarm: Alarm, now: dt.datetime, reason: str) -> Alarm:
    """Late data took the finding back: closed, whatever state it was in."""
    return _step(
        alarm,
        Action.WITHDRAW,
        AlarmState.NORMAL,
        now,
        SYSTEM,
        reason,
        returned_at=alarm.returned_at or now,
        cleared_at=now,
        close_reason=reason,
        shelved_until=None,
        cover_reason="",
        missing_since=None,
        finding=taken_back(alarm.finding),
        restated=True,
    )


def _need_reason(reason: str, what: str) -> None:
    if not reason.strip():
        raise ValueError(f"no reason given to {what} an alarm: {reason!r}")


def _uncovered(alarm: Alarm, action: Action, now: dt.datetime, by: str, note: str) -> Alarm:
    state = AlarmState.UNACKNOWLEDGED if alarm.standing else AlarmState.NORMAL
    return _step(
        alarm,
        action,
        state,
        now,
        by,
        note,
        shelved_until=None,
        cover_reason="",
        acknowledged_at=None,
        acknowledged_by="",
        cleared_at=None if alarm.standing else now,
    )


def _step(
    alarm: Alarm, action: Action, state: AlarmState, now: dt.datetime, by: str, note: str, **changes: Any
) -> Alarm:
    if alarm.state not in LEGAL_FROM[action]:
        raise IllegalTransition(alarm.alarm_id, alarm.state, action)
    entry = LogEntry(at=now, by=by, action=action, state=state, note=note)
    return msgspec.structs.replace(
        alarm, state=state, revision=alarm.revision + 1, log=(*alarm.log, entry), **changes
    )
