"""The alarm desk: carries out what the policy decides, keeps alarms and mails in step, answers people.

Every change of alarms and the mails it causes are one transaction, so a crash at any instant leaves
neither an alarm nobody hears of nor a mail without its alarm. One desk may be used from many threads.
"""

from __future__ import annotations

import datetime as dt
import logging
import threading
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import sqlalchemy as sa

from alerts import notices, policy
from alerts import transitions as life
from alerts.alarm import Alarm, AlarmState, LogEntry, Told
from alerts.letters import LetterWriter, TraceOf
from alerts.notices import Notice
from alerts.outbox import Outbox, OutboxMail
from alerts.policy import AlarmPolicy
from alerts.routing import MailSettings
from ingest import database as tables
from ingest import json_record
from ingest.finding_versions import FindingVersions, note_mailed
from ingest.profile import UnitProfile
from models.records import Finding, UnitStatus
from models.said import Cause

log = logging.getLogger(__name__)


class ProfileSource(Protocol):
    """What the desk needs of the register of units."""

    def get(self, unit_id: str) -> UnitProfile | None:
        """The unit's profile, or None."""
        ...


class UnknownAlarm(KeyError):  # noqa: N818 - read as a sentence where it is caught
    """No alarm has this id."""

    def __init__(self, alarm_id: str) -> None:
        super().__init__(alarm_id)
        self.alarm_id = alarm_id

    def __str__(self) -> str:
        return f"no alarm has the id {self.alarm_id!r}"


@dataclass(frozen=True, kw_only=True)
class AlertSettings:
    """Policy, mail and where `.eml` files go (None: nowhere)."""

    policy: AlarmPolicy = field(default_factory=AlarmPolicy)
    mail: MailSettings = field(default_factory=MailSettings)
    outbox_folder: Path | None = None


class AlarmDesk:
    """Findings in; alarms and mails out; acknowledge, shelve and the like from people.

    Parameters
    ----------
    database : sqlalchemy.Engine
        The operations database, its schema in place.
    register : ProfileSource
        Profiles of units; an unknown unit gets a provisional one.
    trace_of : callable
        Signals for the picture in a mail; None when they are no longer stored.
    clock : callable
        The time now, aware UTC.
    """

    def __init__(
        self,
        database: sa.Engine,
        register: ProfileSource,
        settings: AlertSettings,
        trace_of: TraceOf,
        clock: Callable[[], dt.datetime],
    ) -> None:
        self._database = database
        self._settings = settings
        self._clock = clock
        self._writer = LetterWriter(
            settings.mail,
            settings.policy.rationales,
            profile_of=register.get,
            status_of=self._status,
            trace_of=trace_of,
            cause_of=self._cause,
        )
        self._versions = FindingVersions(database)
        self._lock = threading.Lock()
        self.outbox = Outbox(database, settings.outbox_folder)

    def consider(self, findings: Sequence[Finding]) -> list[Alarm]:
        """Takes in new and revised findings; returns the alarms that changed, as they are now."""
        return self._settle(findings)

    def tick(self) -> list[Alarm]:
        """What time brings: delays, end of shelving, reminders, withdrawn findings. Call it every minute."""
        return self._settle(None)

    def acknowledge(self, alarm_id: str, by: str, note: str = "") -> Alarm:
        """Somebody has seen it and will act; raises `IllegalTransition` or `UnknownAlarm`, as all below."""
        return self._by_hand(alarm_id, lambda one, now: life.acknowledged(one, now, by, note))

    def unacknowledge(self, alarm_id: str, by: str, note: str = "") -> Alarm:
        """Takes an acknowledgement back."""
        return self._by_hand(alarm_id, lambda one, now: life.unacknowledged(one, now, by, note))

    def shelve(self, alarm_id: str, until: dt.datetime, by: str, reason: str) -> Alarm:
        """Out of view until an instant, at most `AlarmPolicy.longest_shelf` away."""
        longest = self._settings.policy.longest_shelf

        def step(one: Alarm, now: dt.datetime) -> Alarm:
            if until - now > longest:
                raise ValueError(f"shelved until {until.isoformat()!r}: expected at most {longest.days} days")
            return life.shelved(one, now, until, by, reason)

        return self._by_hand(alarm_id, step)

    def unshelve(self, alarm_id: str, by: str, note: str = "") -> Alarm:
        """Back in view before its time."""
        return self._by_hand(alarm_id, lambda one, now: life.unshelved(one, now, by, note))

    def take_out_of_service(self, alarm_id: str, by: str, reason: str) -> Alarm:
        """Off for maintenance."""
        return self._by_hand(alarm_id, lambda one, now: life.taken_out_of_service(one, now, by, reason))

    def return_to_service(self, alarm_id: str, by: str, note: str = "") -> Alarm:
        """Maintenance is over."""
        return self._by_hand(alarm_id, lambda one, now: life.returned_to_service(one, now, by, note))

    def alarms(self, states: Collection[AlarmState] | None = None) -> list[Alarm]:
        """Alarms in these states (None: all), most urgent first, then newest."""
        query = sa.select(tables.alarms.c.record)
        if states is not None:
            query = query.where(tables.alarms.c.state.in_([state.value for state in states]))
        found = self._read(query)
        return sorted(found, key=lambda one: (one.priority.rank, -one.opened_at.timestamp()))

    def alarm(self, alarm_id: str) -> Alarm | None:
        """One alarm, or None."""
        found = self._read(sa.select(tables.alarms.c.record).where(tables.alarms.c.alarm_id == alarm_id))
        return found[0] if found else None

    def history(self, alarm_id: str) -> tuple[LogEntry, ...]:
        """Every step of its life, oldest first; raises `UnknownAlarm`."""
        return self._known(alarm_id).log

    def _known(self, alarm_id: str) -> Alarm:
        found = self.alarm(alarm_id)
        if found is None:
            raise UnknownAlarm(alarm_id)
        return found

    def _by_hand(self, alarm_id: str, step: Callable[[Alarm, dt.datetime], Alarm]) -> Alarm:
        with self._lock:
            changed = step(self._known(alarm_id), self._clock())
            with self._database.begin() as connection:
                _write(connection, changed)
        last = changed.log[-1]
        log.info("alarm %s: %s by %s, now %s", alarm_id, last.action.value, last.by, changed.state.value)
        return changed

    def _settle(self, findings: Sequence[Finding] | None) -> list[Alarm]:
        """Review findings, or (None) those that the results hold and that may concern an open alarm."""
        with self._lock:
            now = self._clock()
            # Read under the lock: a list read before could bring back what has been settled since.
            findings = self._stored_findings() if findings is None else findings
            known = self._alarms_concerned({finding.unit_id for finding in findings})
            changes = policy.review(
                [finding for finding in findings if not finding.withdrawn],
                known,
                now,
                self._settings.policy,
                withdrawn=self._withdrawn(known, findings),
            )
            book = {one.alarm_id: one for one in known} | {
                change.alarm.alarm_id: change.alarm for change in changes
            }
            heard = self._last_heard({one.unit_id for one in book.values()})
            due = notices.due(book.values(), now, self._settings.policy, last_heard=heard)
            changed = {change.alarm.alarm_id: change.alarm for change in changes} | {
                one.alarm_id: one for notice in due for one in notice.alarms
            }
            written = self._write_all(list(changed.values()), due, now)
        for change in changes:
            log.info("alarm %s of %r: %s", change.alarm.alarm_id, change.alarm.unit_id, change.kind.value)
        for mail in written:
            self.outbox.write_file(mail)
        return list(changed.values())

    def _write_all(
        self, changed: Sequence[Alarm], due: Sequence[Notice], now: dt.datetime
    ) -> list[OutboxMail]:
        # Composed before the transaction opens: drawing takes long and must not hold the database.
        letters = [letter for notice in due for letter in self._writer.letters(notice, now)]
        now_ms = _ms(now)
        written = []
        with self._database.begin() as connection:
            for one in changed:
                _write(connection, one)
            for notice in due:
                for one in notice.alarms:
                    note_mailed(connection, one.finding, Cause.NEWS, now_ms)
            for letter in letters:
                row = self.outbox.put(
                    connection,
                    letter.message,
                    recipients=letter.recipients,
                    alarm_id=letter.alarm_id,
                    now_ms=now_ms,
                )
                if row is not None:
                    written.append(row)
        return written

    def _status(self, unit_id: str) -> UnitStatus | None:
        table = tables.unit_status.c
        with self._database.connect() as connection:
            record = connection.execute(sa.select(table.record).where(table.unit_id == unit_id)).scalar()
        return None if record is None else json_record.decode(record, UnitStatus)

    def _cause(self, finding_id: str) -> Cause | None:
        """Why what was said last of a finding was said."""
        kept = self._versions.of_findings(Finding, [finding_id])
        return Cause(kept[-1].cause) if kept else None

    def _alarms_concerned(self, unit_ids: Collection[str]) -> list[Alarm]:
        """Every alarm of these units, and of the others those open or with something left to tell."""
        table = tables.alarms.c
        # Records are compact JSON: closed alarms whose end is still to be told are found by their text.
        untold = table.record.contains(f'"told":"{Told.ACTIVE.value}"', autoescape=True)
        open_ones = table.state != AlarmState.NORMAL.value
        query = sa.select(table.record).where(sa.or_(open_ones, untold, table.unit_id.in_(sorted(unit_ids))))
        return self._read(query)

    def _withdrawn(self, alarms: Iterable[Alarm], heard: Iterable[Finding]) -> frozenset[str]:
        """Ids of findings that late data have undone, or that the results no longer hold."""
        undone = {one.finding_id for one in heard if one.withdrawn}
        asked = {one.finding.finding_id for one in alarms if one.open} - {one.finding_id for one in heard}
        query = sa.select(tables.findings.c.record).where(tables.findings.c.finding_id.in_(sorted(asked)))
        with self._database.connect() as connection:
            kept = [json_record.decode(record, Finding) for record in connection.execute(query).scalars()]
        return frozenset(undone | (asked - {one.finding_id for one in kept if not one.withdrawn}))

    def _stored_findings(self) -> list[Finding]:
        """Findings that stand, and those behind open alarms: their end may have been missed."""
        behind = {one.finding.finding_id for one in self._alarms_concerned(()) if one.open}
        table = tables.findings.c
        query = sa.select(table.record).where(
            sa.or_(table.end_at_ms.is_(None), table.finding_id.in_(sorted(behind)))
        )
        with self._database.connect() as connection:
            return [json_record.decode(record, Finding) for record in connection.execute(query).scalars()]

    def _last_heard(self, unit_ids: Collection[str]) -> dict[str, dt.datetime]:
        table = tables.unit_status.c
        query = sa.select(table.unit_id, table.observed_at_ms).where(table.unit_id.in_(sorted(unit_ids)))
        with self._database.connect() as connection:
            return {
                row.unit_id: dt.datetime.fromtimestamp(row.observed_at_ms / 1000, dt.UTC)
                for row in connection.execute(query)
            }

    def _read(self, query: sa.Select[Any]) -> list[Alarm]:
        with self._database.connect() as connection:
            return [json_record.decode(record, Alarm) for record in connection.execute(query).scalars()]


def _write(connection: sa.Connection, alarm: Alarm) -> None:
    values = {
        "unit_id": alarm.unit_id,
        "pattern": alarm.pattern.value,
        "state": alarm.state.value,
        "raised_at_ms": _ms(alarm.raised_at),
        "record": json_record.encode(alarm),
    }
    done = connection.execute(
        sa.update(tables.alarms).where(tables.alarms.c.alarm_id == alarm.alarm_id).values(values)
    )
    if done.rowcount == 0:
        connection.execute(sa.insert(tables.alarms).values(alarm_id=alarm.alarm_id, **values))


def _ms(at: dt.datetime) -> int:
    return round(at.timestamp() * 1000)
