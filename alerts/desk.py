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
from email.message import EmailMessage
from pathlib import Path
from typing import Any, Protocol

import msgspec
import sqlalchemy as sa

from alerts import alarm as life
from alerts import message, notices, picture, policy, routing
from alerts.alarm import Alarm, AlarmState, LogEntry, Told
from alerts.notices import Notice, NoticeKind
from alerts.outbox import Outbox, OutboxMail
from alerts.policy import AlarmPolicy
from alerts.routing import MailSettings, UnitsSystem
from ingest import database as tables
from ingest.profile import UnitProfile
from models.records import Finding, UnitStatus
from models.trace import Trace

log = logging.getLogger(__name__)

TraceOf = Callable[[str, int, int], Trace | None]
"""(unit_id, start_ms, end_ms) -> signals with what the engine made of them."""


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
        self._register = register
        self._settings = settings
        self._trace_of = trace_of
        self._clock = clock
        self._lock = threading.Lock()
        self.outbox = Outbox(database, settings.outbox_folder)

    def consider(self, findings: Sequence[Finding]) -> list[Alarm]:
        """Takes in new and revised findings; returns the alarms that changed, as they are now."""
        return self._settle(findings)

    def tick(self) -> list[Alarm]:
        """What time brings: delays, end of shelving, reminders, withdrawn findings. Call it every minute."""
        return self._settle(self._standing_findings())

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

    def _settle(self, findings: Sequence[Finding]) -> list[Alarm]:
        with self._lock:
            now = self._clock()
            known = self._alarms_concerned({finding.unit_id for finding in findings})
            changes = policy.review(
                findings, known, now, self._settings.policy, withdrawn=self._withdrawn(known, findings)
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
        mails = [composed for notice in due for composed in self._compose(notice, now)]
        now_ms = _ms(now)
        written = []
        with self._database.begin() as connection:
            for one in changed:
                _write(connection, one)
            for mail, recipients, alarm_id in mails:
                row = self.outbox.put(
                    connection, mail, recipients=recipients, alarm_id=alarm_id, now_ms=now_ms
                )
                if row is not None:
                    written.append(row)
        return written

    def _compose(
        self, notice: Notice, now: dt.datetime
    ) -> list[tuple[EmailMessage, tuple[str, ...], str | None]]:
        """The notice as mails, one per units of measure, with their recipients."""
        profiles = {one.unit_id: self._profile(one.unit_id) for one in notice.alarms}
        mails = []
        for units_system, recipients, alarms in self._audiences(notice, profiles):
            envelope = message.Envelope(
                sender=self._settings.mail.sender,
                recipients=recipients,
                units_system=units_system,
                domain=self._settings.mail.domain,
                base_url=self._settings.mail.base_url,
            )
            part = Notice(kind=notice.kind, alarms=alarms)
            alarm_id = None if notice.kind is NoticeKind.SUMMARY else alarms[0].alarm_id
            mails.append((self._mail(part, profiles, envelope, now), recipients, alarm_id))
        return mails

    def _audiences(
        self, notice: Notice, profiles: dict[str, UnitProfile]
    ) -> list[tuple[UnitsSystem, tuple[str, ...], tuple[Alarm, ...]]]:
        """Who reads which of the alarms in which units; nobody set: a mail to nobody, to be read here."""
        readers: dict[tuple[UnitsSystem, tuple[Alarm, ...]], list[str]] = {}
        concerns: dict[routing.Recipient, list[Alarm]] = {}
        for one in notice.alarms:
            for recipient in routing.recipients_of(one, profiles[one.unit_id], self._settings.mail):
                concerns.setdefault(recipient, []).append(one)
        for recipient, alarms in concerns.items():
            readers.setdefault((recipient.units_system, tuple(alarms)), []).append(recipient.address)
        if not readers:
            return [("us", (), notice.alarms)]
        return [(system, tuple(addresses), alarms) for (system, alarms), addresses in readers.items()]

    def _mail(
        self,
        notice: Notice,
        profiles: dict[str, UnitProfile],
        envelope: message.Envelope,
        now: dt.datetime,
    ) -> EmailMessage:
        rationales = self._settings.policy.rationales
        if notice.kind is NoticeKind.SUMMARY:
            return message.compose_summary(notice, profiles, rationales, envelope, now)
        alarm = notice.alarms[0]
        profile, rationale = profiles[alarm.unit_id], rationales[alarm.pattern]
        if notice.kind is NoticeKind.CLEARED:
            return message.compose_cleared(notice, profile, rationale, envelope, now)
        drawn = self._picture(alarm.finding, profile, envelope.units_system)
        status = self._status(alarm.unit_id)
        return message.compose(notice, profile, rationale, status, drawn, envelope, now)

    def _picture(
        self, finding: Finding, profile: UnitProfile, units_system: UnitsSystem
    ) -> picture.Picture | None:
        start_at, end_at = picture.window(finding)
        try:
            trace = self._trace_of(finding.unit_id, _ms(start_at), _ms(end_at))
            return None if trace is None else picture.draw(finding, trace, profile, units_system)
        except Exception:
            # Whatever is wrong with the signals or the store, the warning must go out.
            log.exception("no picture for finding %s of %r", finding.finding_id, finding.unit_id)
            return None

    def _profile(self, unit_id: str) -> UnitProfile:
        return self._register.get(unit_id) or UnitProfile(unit_id=unit_id, provisional=True)

    def _status(self, unit_id: str) -> UnitStatus | None:
        table = tables.unit_status.c
        with self._database.connect() as connection:
            record = connection.execute(sa.select(table.record).where(table.unit_id == unit_id)).scalar()
        return None if record is None else msgspec.json.decode(record, type=UnitStatus)

    def _alarms_concerned(self, unit_ids: Collection[str]) -> list[Alarm]:
        """Every alarm of these units, and of the others those open or with something left to tell."""
        table = tables.alarms.c
        # Records are compact JSON: closed alarms whose end is still to be told are found by their text.
        untold = table.record.contains(f'"told":"{Told.ACTIVE.value}"', autoescape=True)
        open_ones = table.state != AlarmState.NORMAL.value
        query = sa.select(table.record).where(sa.or_(open_ones, untold, table.unit_id.in_(sorted(unit_ids))))
        return self._read(query)

    def _withdrawn(self, alarms: Iterable[Alarm], heard: Iterable[Finding]) -> frozenset[str]:
        """Ids of findings behind open alarms that the results no longer hold, nor are heard of just now."""
        asked = {one.finding.finding_id for one in alarms if one.open} - {one.finding_id for one in heard}
        query = sa.select(tables.findings.c.finding_id).where(tables.findings.c.finding_id.in_(sorted(asked)))
        with self._database.connect() as connection:
            return frozenset(asked - set(connection.execute(query).scalars()))

    def _standing_findings(self) -> list[Finding]:
        query = sa.select(tables.findings.c.record).where(tables.findings.c.end_at_ms.is_(None))
        with self._database.connect() as connection:
            return [
                msgspec.json.decode(record, type=Finding) for record in connection.execute(query).scalars()
            ]

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
            return [msgspec.json.decode(record, type=Alarm) for record in connection.execute(query).scalars()]


def _write(connection: sa.Connection, alarm: Alarm) -> None:
    values = {
        "unit_id": alarm.unit_id,
        "pattern": alarm.pattern.value,
        "state": alarm.state.value,
        "raised_at_ms": _ms(alarm.raised_at),
        "record": msgspec.json.encode(alarm).decode(),
    }
    done = connection.execute(
        sa.update(tables.alarms).where(tables.alarms.c.alarm_id == alarm.alarm_id).values(values)
    )
    if done.rowcount == 0:
        connection.execute(sa.insert(tables.alarms).values(alarm_id=alarm.alarm_id, **values))


def _ms(at: dt.datetime) -> int:
    return round(at.timestamp() * 1000)
