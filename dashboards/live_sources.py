"""`dashboards.sources.Sources` answered from the databases, the engine's results and the alarm desk."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

import sqlalchemy as sa

from alerts.alarm import Alarm, AlarmState
from alerts.desk import AlarmDesk
from alerts.message import respond_by
from alerts.outbox import Outbox, OutboxMail
from alerts.rationale import Rationale, rationales
from alerts.restating import sure
from dashboards.display import from_ms, ms_of
from dashboards.sources import AlarmView, MailView, QuarantineView, WatermarkView, WorkView
from dashboards.words import bytes_words, pattern_words
from ingest import database as tables
from ingest.finding_versions import FindingVersions, Version
from ingest.maintenance import Maintenance, Service, Work
from ingest.profile import UnitProfile
from ingest.quality import Quality
from ingest.register import Register
from ingest.results import Results
from ingest.store.protocol import ReadingStore
from ingest.units_of_measure import MS_PER_S
from models.records import Finding, Pattern, Run, UnitStatus
from models.said import Cause, FindingVersion
from models.trace import Trace

SHOWN = tuple(state for state in AlarmState if state is not AlarmState.NORMAL)
PAYLOAD_SHOWN_BYTES = 2_000


class TraceSource(Protocol):
    """What the board needs of the analyst."""

    def trace(self, unit_id: str, start_ms: int, end_ms: int) -> Trace:
        """Readings and what the engine made of them."""


class LiveSources:
    """The board's view on a running system. Every method blocks on a database.

    Parameters
    ----------
    on_work : callable
        Told the unit whose recorded work has changed, so that it is analysed at once.
    """

    def __init__(
        self,
        *,
        database: sa.Engine,
        store: ReadingStore,
        register: Register,
        desk: AlarmDesk,
        analyst: TraceSource,
        on_work: Callable[[str], None],
    ) -> None:
        self._database, self._store, self._register = database, store, register
        self._desk, self._analyst = desk, analyst
        self._results, self._versions = Results(database), FindingVersions(database)
        self._outbox = Outbox(database)
        self._maintenance, self._on_work = Maintenance(database), on_work
        self._rationales = rationales()

    def profiles(self) -> dict[str, UnitProfile]:
        """Every registered unit by its id."""
        return {profile.unit_id: profile for profile in self._register.all()}

    def statuses(self) -> dict[str, UnitStatus]:
        """Newest standing by unit."""
        return {status.unit_id: status for status in self._results.statuses(UnitStatus)}

    def links(self) -> dict[str, str]:
        """Link state by unit."""
        query = sa.select(tables.links.c.unit_id, tables.links.c.state)
        with self._database.connect() as connection:
            return {row.unit_id: row.state for row in connection.execute(query)}

    def span(self, unit_id: str) -> tuple[int, int] | None:
        """First and last reading. [Unix ms]"""
        return self._store.span(unit_id)

    def trace(self, unit_id: str, start_ms: int, end_ms: int) -> Trace:
        """Readings with what the engine made of them."""
        return self._analyst.trace(unit_id, start_ms, end_ms)

    def runs(self, unit_id: str, start_ms: int, end_ms: int) -> list[Run]:
        """Runs that touch the span, oldest first."""
        return self._results.runs(Run, unit_id, start_ms, end_ms)

    def findings(self, unit_id: str) -> list[Finding]:
        """Findings of a unit, oldest first."""
        return self._results.findings(Finding, unit_id)

    def finding_versions(self, unit_id: str) -> list[FindingVersion]:
        """Every version of every finding of a unit, oldest first."""
        return [_version(one) for one in self._versions.of_unit(Finding, unit_id)]

    def watermark(self, unit_id: str) -> WatermarkView | None:
        """How far a unit has been analysed, against the newest reading stored whose clock was right."""
        mark, newest = self._results.watermark(unit_id), self._store.latest(unit_id)
        if mark is None:
            return None
        right = newest is not None and not newest.quality & Quality.CLOCK_WRONG
        newest_ms = newest.observed_at_ms if newest is not None and right else mark.analysed_until_ms
        return WatermarkView(
            analysed_until=from_ms(mark.analysed_until_ms),
            analysed_at=None if mark.analysed_at_ms is None else from_ms(mark.analysed_at_ms),
            n_readings=mark.n_readings,
            behind_s=max(newest_ms - mark.analysed_until_ms, 0) / MS_PER_S,
        )

    def alarms(self) -> list[AlarmView]:
        """Alarms in every state but normal."""
        return self._views(self._desk.alarms(SHOWN))

    def alarm(self, alarm_id: str) -> AlarmView | None:
        """One alarm, whatever its state."""
        found = self._desk.alarm(alarm_id)
        return None if found is None else self._views([found])[0]

    def acknowledge(self, alarm_id: str, by: str) -> None:
        """See `AlarmDesk.acknowledge`."""
        self._desk.acknowledge(alarm_id, by)

    def unacknowledge(self, alarm_id: str, by: str) -> None:
        """See `AlarmDesk.unacknowledge`."""
        self._desk.unacknowledge(alarm_id, by)

    def shelve(self, alarm_id: str, by: str, reason: str, until: dt.datetime) -> None:
        """See `AlarmDesk.shelve`."""
        self._desk.shelve(alarm_id, until, by, reason)

    def unshelve(self, alarm_id: str, by: str) -> None:
        """See `AlarmDesk.unshelve`."""
        self._desk.unshelve(alarm_id, by)

    def work(self, unit_id: str) -> list[WorkView]:
        """All recorded work of a unit, in the order it was done."""
        return [_work_view(one) for one in self._maintenance.of(unit_id, taken_back=True)]

    def record_work(
        self, unit_id: str, work: Work, done_at: dt.datetime, by: str, now: dt.datetime
    ) -> WorkView:
        """See `Maintenance.record`."""
        made = self._maintenance.record(unit_id, work, ms_of(done_at), by=by, now_ms=ms_of(now))
        self._on_work(unit_id)
        return _work_view(made)

    def take_work_back(self, unit_id: str, number: int, by: str, now: dt.datetime) -> None:
        """See `Maintenance.take_back`. KeyError: the unit has no such record that counts."""
        own = number in {one.service_id for one in self._maintenance.of(unit_id)}
        if not own or not self._maintenance.take_back(number, by=by, now_ms=ms_of(now)):
            raise KeyError(number)
        self._on_work(unit_id)

    def mails(self, limit: int) -> list[MailView]:
        """Outbox, newest first."""
        return [_mail_view(mail) for mail in self._outbox.recent(limit)]

    def mail_eml(self, message_id: str) -> bytes | None:
        """One message as it is or will be sent."""
        return self._outbox.eml(message_id)

    def quarantined(self, limit: int) -> list[QuarantineView]:
        """Messages in quarantine, newest first."""
        kept = tables.quarantine.c
        query = sa.select(tables.quarantine).order_by(kept.quarantine_id.desc()).limit(limit)
        with self._database.connect() as connection:
            return [
                QuarantineView(
                    quarantine_id=row.quarantine_id,
                    received_at=from_ms(row.received_at_ms),
                    topic=row.topic,
                    reason=row.reason,
                    payload=bytes_words(row.payload[:PAYLOAD_SHOWN_BYTES]),
                )
                for row in connection.execute(query)
            ]

    def quarantine_count(self) -> int:
        """How many messages are in quarantine."""
        with self._database.connect() as connection:
            return connection.execute(sa.select(sa.func.count()).select_from(tables.quarantine)).scalar_one()

    def check(self) -> None:
        """Touch both databases."""
        self.quarantine_count()
        self._store.span("")

    def _views(self, alarms: Sequence[Alarm]) -> list[AlarmView]:
        """Alarms with what has been said of them, looked up at once."""
        wanted = {finding_id for alarm in alarms for finding_id in alarm.finding_ids}
        said = [_version(one) for one in self._versions.of_findings(Finding, wanted)]
        return [
            alarm_view(
                alarm,
                self._rationales,
                [one for one in said if one.finding.finding_id in alarm.finding_ids],
            )
            for alarm in alarms
        ]


def _version(kept: Version[Finding]) -> FindingVersion:
    return FindingVersion(
        finding=kept.finding,
        said_at=from_ms(kept.said_at_ms),
        cause=Cause(kept.cause),
        mailed_at=None if kept.mailed_at_ms is None else from_ms(kept.mailed_at_ms),
    )


def alarm_view(alarm: Alarm, known: Mapping[Pattern, Rationale], said: Sequence[FindingVersion]) -> AlarmView:
    """An alarm joined with what its pattern's rationale tells and what has been said of it."""
    rationale = known[alarm.pattern]
    return AlarmView(
        alarm_id=alarm.alarm_id,
        unit_id=alarm.unit_id,
        pattern=alarm.pattern,
        name=pattern_words(alarm.pattern),
        title=rationale.title,
        priority=alarm.priority,
        state=alarm.state,
        flagged_at=alarm.raised_at,
        told_at=alarm.opened_at,
        evidence_at=alarm.finding.evidence_at,
        ended_at=alarm.finding.end_at,
        returned_at=alarm.returned_at,
        acknowledged_by=alarm.acknowledged_by,
        acknowledged_at=alarm.acknowledged_at,
        shelved_until=alarm.shelved_until,
        cover_reason=alarm.cover_reason,
        cause=rationale.cause,
        consequence=rationale.consequence,
        response=rationale.response,
        respond_by=respond_by(alarm, rationale),
        cautions=rationale.cautions,
        evidence=alarm.finding.evidence,
        sure=sure(alarm.finding),
        signals=alarm.finding.signals,
        finding_id=alarm.finding.finding_id,
        said=tuple(said),
    )


def _work_view(kept: Service) -> WorkView:
    return WorkView(
        number=kept.service_id,
        work=kept.work,
        done_at=from_ms(kept.done_at_ms),
        recorded_at=from_ms(kept.recorded_at_ms),
        recorded_by=kept.recorded_by,
        taken_back_at=None if kept.taken_back_at_ms is None else from_ms(kept.taken_back_at_ms),
        taken_back_by=kept.taken_back_by,
    )


def _mail_view(mail: OutboxMail) -> MailView:
    return MailView(
        message_id=mail.message_id,
        subject=mail.subject,
        recipients=mail.recipients,
        created_at=from_ms(mail.created_at_ms),
        sent_at=None if mail.sent_at_ms is None else from_ms(mail.sent_at_ms),
        attempts=mail.attempts,
        next_attempt_at=None if mail.next_attempt_at_ms is None else from_ms(mail.next_attempt_at_ms),
        last_error=mail.last_error or "",
        alarm_id=mail.alarm_id or "",
    )
