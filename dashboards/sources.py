"""What the board needs to know, as one typed protocol: pages and API are written against this alone.

`dashboards.live_sources` answers it from the databases, the engine and the alarm desk; tests answer it
from an invented fleet.
"""

from __future__ import annotations

import datetime as dt
from typing import Protocol

import msgspec

from alerts.alarm import AlarmState, Priority
from ingest.maintenance import Work
from ingest.profile import UnitProfile
from models.records import Evidence, Finding, Run, UnitStatus
from models.said import FindingVersion
from models.trace import Trace


class AlarmView(msgspec.Struct, frozen=True, kw_only=True):
    """One alarm with everything a person needs to answer it."""

    alarm_id: str
    unit_id: str
    pattern: str
    name: str
    """A few words, for tags."""
    title: str
    priority: Priority
    state: AlarmState
    flagged_at: dt.datetime
    """Instant of the reading that decided it."""
    told_at: dt.datetime
    """When the alarm came up: of history that is imported, long after the reading."""
    evidence_at: dt.datetime | None = None
    """Instant of the reading that the evidence speaks of."""
    ended_at: dt.datetime | None = None
    """When its finding ended; the alarm stays up for a while, in case it comes back."""
    returned_at: dt.datetime | None = None
    acknowledged_by: str = ""
    acknowledged_at: dt.datetime | None = None
    shelved_until: dt.datetime | None = None
    cover_reason: str = ""
    """Why it is shelved, suppressed or out of service."""
    cause: str = ""
    consequence: str = ""
    response: tuple[str, ...] = ()
    """Steps, in order."""
    respond_by: dt.datetime | None = None
    cautions: tuple[str, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    sure: str = ""
    """How sure it is, in words."""
    signals: tuple[str, ...] = ()
    """Signals that it holds to be wrong; empty where it tells of the machine."""
    finding_id: str = ""
    said: tuple[FindingVersion, ...] = ()
    """What has been said of it, version by version, oldest first."""


class WatermarkView(msgspec.Struct, frozen=True, kw_only=True):
    """How far a unit has been analysed."""

    analysed_until: dt.datetime
    """`observed_at` of the newest reading taken in."""
    analysed_at: dt.datetime | None
    n_readings: int | None
    """Readings taken in up to there."""
    behind_s: float
    """How much older that reading is than the newest one stored. [s]"""


class MailView(msgspec.Struct, frozen=True, kw_only=True):
    """One message of the outbox, as listed."""

    message_id: str
    subject: str
    recipients: tuple[str, ...]
    created_at: dt.datetime
    sent_at: dt.datetime | None
    attempts: int
    next_attempt_at: dt.datetime | None
    last_error: str
    """Why it was not sent; empty when nothing stands in the way."""
    alarm_id: str


class QuarantineView(msgspec.Struct, frozen=True, kw_only=True):
    """One message that could not be used, and why."""

    quarantine_id: int
    received_at: dt.datetime
    topic: str
    reason: str
    payload: str


class WorkView(msgspec.Struct, frozen=True, kw_only=True):
    """One piece of work on a unit's sump, as somebody recorded it."""

    number: int
    work: Work
    done_at: dt.datetime
    recorded_at: dt.datetime
    recorded_by: str
    taken_back_at: dt.datetime | None = None
    """None while the record counts."""
    taken_back_by: str = ""


class Sources(Protocol):
    """Everything shown on the board. Every method may block on a database: call it off the event loop."""

    def profiles(self) -> dict[str, UnitProfile]:
        """Every known unit by its id."""

    def statuses(self) -> dict[str, UnitStatus]:
        """Newest standing of every unit that has spoken, by id."""

    def links(self) -> dict[str, str]:
        """Link state ("up", "down") by unit, for those whose broker session is known."""

    def span(self, unit_id: str) -> tuple[int, int] | None:
        """First and last reading. [Unix ms]"""

    def trace(self, unit_id: str, start_ms: int, end_ms: int) -> Trace:
        """Readings and what the engine made of them, start inclusive, end exclusive."""

    def runs(self, unit_id: str, start_ms: int, end_ms: int) -> list[Run]:
        """Runs that touch the span, oldest first."""

    def findings(self, unit_id: str) -> list[Finding]:
        """Findings of a unit, oldest first."""

    def finding_versions(self, unit_id: str) -> list[FindingVersion]:
        """What has been said of a unit's findings, version by version, oldest first."""

    def watermark(self, unit_id: str) -> WatermarkView | None:
        """How far a unit has been analysed; None before its first reading."""

    def alarms(self) -> list[AlarmView]:
        """Alarms that are not back to normal and acknowledged."""

    def alarm(self, alarm_id: str) -> AlarmView | None:
        """One alarm, whatever its state."""

    def acknowledge(self, alarm_id: str, by: str) -> None:
        """Take note of an alarm. KeyError: no such alarm; ValueError: not in a state to be acknowledged."""

    def unacknowledge(self, alarm_id: str, by: str) -> None:
        """Take an acknowledgement back. KeyError: no such alarm."""

    def shelve(self, alarm_id: str, by: str, reason: str, until: dt.datetime) -> None:
        """Put an alarm aside until an instant, for a reason. KeyError: no such alarm."""

    def unshelve(self, alarm_id: str, by: str) -> None:
        """Bring a shelved alarm back. KeyError: no such alarm."""

    def work(self, unit_id: str) -> list[WorkView]:
        """Work recorded on a unit in the order it was done, what was taken back included."""

    def record_work(
        self, unit_id: str, work: Work, done_at: dt.datetime, by: str, now: dt.datetime
    ) -> WorkView:
        """Keep that work was done; its water is counted anew from there. ValueError: not a time until now."""

    def take_work_back(self, unit_id: str, number: int, by: str, now: dt.datetime) -> None:
        """Undo a record. KeyError: the unit has none of this number that still counts."""

    def mails(self, limit: int) -> list[MailView]:
        """Outbox, newest first."""

    def mail_eml(self, message_id: str) -> bytes | None:
        """The message as it is or will be sent (RFC 5322)."""

    def quarantined(self, limit: int) -> list[QuarantineView]:
        """Messages in quarantine, newest first."""

    def quarantine_count(self) -> int:
        """How many messages are in quarantine."""

    def check(self) -> None:
        """Touch both databases; raises whatever stands in the way."""
