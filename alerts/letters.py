"""From a notice to its letters: one mail for each group of readers, with everything looked up.

The desk calls it; what it looks up - profiles, standings, signals - comes through functions.
"""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from email.message import EmailMessage

from alerts.message import Envelope, compose, compose_cleared, compose_summary
from alerts.notices import Notice, NoticeKind
from alerts.picture import Picture, draw, window
from alerts.rationale import Rationale
from alerts.routing import MailSettings, UnitsSystem, audiences
from ingest.profile import UnitProfile
from models.records import Finding, Pattern, UnitStatus
from models.said import Cause
from models.trace import Trace

log = logging.getLogger(__name__)

CauseOf = Callable[[str], Cause | None]
"""finding_id -> why what was said last of it was said; None when nothing was."""
TraceOf = Callable[[str, int, int], Trace | None]
"""(unit_id, start_ms, end_ms) -> signals with what the engine made of them; None when no longer stored."""


@dataclass(frozen=True, kw_only=True)
class Letter:
    """A mail and who gets it; `alarm_id` is None when it stands for several alarms."""

    message: EmailMessage
    recipients: tuple[str, ...]
    alarm_id: str | None


class LetterWriter:
    """Writes the mails of notices."""

    def __init__(
        self,
        settings: MailSettings,
        rationales: Mapping[Pattern, Rationale],
        *,
        profile_of: Callable[[str], UnitProfile | None],
        status_of: Callable[[str], UnitStatus | None],
        trace_of: TraceOf,
        cause_of: CauseOf,
    ) -> None:
        self._settings = settings
        self._rationales = rationales
        self._profile_of = profile_of
        self._status_of = status_of
        self._trace_of = trace_of
        self._cause_of = cause_of

    def letters(self, notice: Notice, now: dt.datetime) -> list[Letter]:
        """One letter for each group of readers; with nobody to read it, one that is read here."""
        profiles = {one.unit_id: self._profile(one.unit_id) for one in notice.alarms}
        written = []
        for audience in audiences(notice.alarms, profiles, self._settings):
            envelope = Envelope(
                sender=self._settings.sender,
                recipients=audience.addresses,
                units_system=audience.units_system,
                domain=self._settings.domain,
                base_url=self._settings.base_url,
            )
            part = Notice(kind=notice.kind, alarms=audience.alarms, heard=notice.heard)
            alarm_id = None if notice.kind is NoticeKind.SUMMARY else part.alarms[0].alarm_id
            mail = self._mail(part, profiles, envelope, now)
            written.append(Letter(message=mail, recipients=audience.addresses, alarm_id=alarm_id))
        return written

    def _mail(
        self, notice: Notice, profiles: dict[str, UnitProfile], envelope: Envelope, now: dt.datetime
    ) -> EmailMessage:
        if notice.kind is NoticeKind.SUMMARY:
            return compose_summary(notice, profiles, self._rationales, envelope, now)
        alarm = notice.alarms[0]
        profile, rationale = profiles[alarm.unit_id], self._rationales[alarm.pattern]
        cause = None if notice.heard is None else self._cause_of(notice.heard.finding.finding_id)
        if notice.kind is NoticeKind.CLEARED or not alarm.standing:
            return compose_cleared(notice, profile, rationale, cause, envelope, now)
        status = self._status_of(alarm.unit_id)
        until = now if status is None else min(now, status.observed_at)
        picture = self._picture(alarm.finding, until, profile, envelope.units_system)
        return compose(notice, profile, rationale, status, picture, cause, envelope, now)

    def _picture(
        self, finding: Finding, until: dt.datetime, profile: UnitProfile, units_system: UnitsSystem
    ) -> Picture | None:
        start_at, end_at = window(finding, until)
        start_ms, end_ms = (round(at.timestamp() * 1000) for at in (start_at, end_at))
        try:
            # The end is exclusive, and live it is the very reading that decided.
            trace = self._trace_of(finding.unit_id, start_ms, end_ms + 1)
            return None if trace is None else draw(finding, trace, profile, units_system)
        except Exception:
            # Whatever is wrong with the signals or the store, the warning must go out.
            log.exception("no picture for finding %s of %r", finding.finding_id, finding.unit_id)
            return None

    def _profile(self, unit_id: str) -> UnitProfile:
        return self._profile_of(unit_id) or UnitProfile(unit_id=unit_id, provisional=True)
