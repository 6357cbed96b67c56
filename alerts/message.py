"""The e-mails: subject, plain text, HTML and picture of one notice. Pure; `desk.py` calls it.

One alarm is one thread: every mail has a Message-ID made from the alarm and its kind, and all but the
first refer to the first.
"""

from __future__ import annotations

import datetime as dt
import email.utils
import functools
import math
import re
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from email.message import EmailMessage
from typing import Any

import jinja2

from alerts.alarm import Action, Alarm, Priority
from alerts.dry_out import dry_out_line
from alerts.notices import Heard, Notice, NoticeKind
from alerts.picture import Picture
from alerts.rationale import Rationale
from alerts.restating import NOT_SAID, differences, sure
from alerts.routing import UnitsSystem
from alerts.wording import duration, evidence_line, local_time, one_line, temperature, water
from ingest.profile import UnitProfile
from models.records import Evidence, Finding, Pattern, UnitStatus
from models.said import Cause, carries_on

WIDTH = 76
"""Columns of the plain text, as RFC 5322 advises for readability (78 with the line end)."""

ASKS_FOR_WATER = frozenset({Pattern.SHORT_CYCLING, Pattern.NEVER_REACHING_TEMPERATURE})
"""Patterns whose response speaks of the required temperature and the water held; beside the others both
would only distract, or come from the sensor that is wrong."""

_LEAD = {
    NoticeKind.RAISED: "",
    NoticeKind.REOPENED: "It is back. ",
    NoticeKind.REMINDER: "Reminder: nobody has acknowledged this yet. ",
    NoticeKind.RESTATED: "Corrected. ",
}
_SUBJECT_LEAD = {
    NoticeKind.REOPENED: "Back: ",
    NoticeKind.REMINDER: "Reminder: ",
    NoticeKind.RESTATED: "Corrected: ",
}
_WHY = {
    Cause.LATE_DATA: "readings that arrived late tell otherwise",
    Cause.OTHER_WORK: "a drain or an oil change was recorded afterwards, or taken back",
    Cause.WORKED_ANEW: "its history was worked through again after its ratings, the settings or the program"
    " had changed",
}


@dataclass(frozen=True, kw_only=True)
class Envelope:
    """Who writes to whom, and how they read."""

    sender: str
    recipients: tuple[str, ...]
    units_system: UnitsSystem
    domain: str
    base_url: str = ""


def unit_name(profile: UnitProfile) -> str:
    """What people call the unit, safe on one line, with its id where that differs."""
    label, unit_id = one_line(profile.label), one_line(profile.unit_id)
    return f"{label} ({unit_id})" if label and label != unit_id else unit_id or "unit without a readable name"


def respond_by(alarm: Alarm, rationale: Rationale) -> dt.datetime:
    """Instant by which somebody should have acted."""
    return alarm.opened_at + rationale.time_to_respond


def message_id(key: str, envelope: Envelope) -> str:
    """Message-ID of a notice; readers of different units get different mails, so different ids."""
    return f"<{key}.{envelope.units_system}@{envelope.domain}>"


def compose(
    notice: Notice,
    profile: UnitProfile,
    rationale: Rationale,
    status: UnitStatus | None,
    picture: Picture | None,
    cause: Cause | None,
    envelope: Envelope,
    now: dt.datetime,
) -> EmailMessage:
    """The mail of a raised, re-opened, reminded or corrected alarm.

    Parameters
    ----------
    notice : Notice
        About one alarm.
    status : UnitStatus or None
        How the unit stands at its newest reading; gives the required temperature the response speaks of.
    picture : Picture or None
        Chart of the deciding run or days; None when the signals are no longer stored.
    cause : Cause or None
        Why what was told before no longer holds.
    """
    alarm = notice.alarms[0]
    corrections = _corrections(notice, profile, cause, envelope)
    kind = NoticeKind.RESTATED if corrections["changes"] else notice.kind
    view = _view(alarm, profile, rationale, envelope, now) | {
        **corrections,
        "lead": _LEAD[kind],
        "standing": []
        if status is None
        else _standing(alarm.pattern, status, profile, envelope.units_system),
        "picture": picture,
        "cid": f"{alarm.alarm_id}@{envelope.domain}",
    }
    lead = _SUBJECT_LEAD.get(kind, "")
    subject = f"{lead}{view['name']}: {view['title']} - {view['task']}"
    message = _message(notice, subject, "alarm", view, envelope, now)
    if picture is not None:
        _attach(message, picture, view["cid"])
    if alarm.priority is Priority.HIGH:
        message["Importance"] = "high"
    return message


def compose_cleared(
    notice: Notice,
    profile: UnitProfile,
    rationale: Rationale,
    cause: Cause | None,
    envelope: Envelope,
    now: dt.datetime,
) -> EmailMessage:
    """The mail that says an alarm has ended by itself, or otherwise than was said, or was withdrawn."""
    alarm = notice.alarms[0]
    ended_at = alarm.returned_at or now
    view = _view(alarm, profile, rationale, envelope, now) | {
        **_corrections(notice, profile, cause, envelope),
        "ended": local_time(ended_at, profile.tz, envelope.units_system),
        "lasted": duration(ended_at - alarm.finding.start_at),
        "close_reason": one_line(alarm.close_reason, 200),
        "withdrawn": alarm.finding.withdrawn,
    }
    restated = notice.kind is NoticeKind.RESTATED
    word = "Withdrawn" if view["withdrawn"] else "Corrected" if restated else "Ended"
    return _message(notice, f"{word}: {view['name']}: {view['title']}", "cleared", view, envelope, now)


def compose_summary(
    notice: Notice,
    profiles: Mapping[str, UnitProfile],
    rationales: Mapping[Pattern, Rationale],
    envelope: Envelope,
    now: dt.datetime,
) -> EmailMessage:
    """One mail in place of many, when alarms come up faster than people can read them."""
    rows = [
        _view(alarm, profiles[alarm.unit_id], rationales[alarm.pattern], envelope, now)
        for alarm in notice.alarms
    ]
    cautions = dict.fromkeys(text for row in rows for text in row["cautions"])
    count = len(rows)
    units = len({alarm.unit_id for alarm in notice.alarms})
    view = {"rows": rows, "count": count, "units": units, "cautions": list(cautions)} | {
        "board_url": envelope.base_url.rstrip("/") + "/alarms" if envelope.base_url else "",
    }
    subject = f"{count} alarms on {units} units: first {rows[0]['name']}, {rows[0]['task']}"
    return _message(notice, subject, "summary", view, envelope, now)


def _view(
    alarm: Alarm, profile: UnitProfile, rationale: Rationale, envelope: Envelope, now: dt.datetime
) -> dict[str, Any]:
    """Everything the templates show, already in the reader's words."""
    units_system, finding = envelope.units_system, alarm.finding

    def local(at: dt.datetime) -> str:
        return local_time(at, profile.tz, units_system)

    due = "by" if now < respond_by(alarm, rationale) else "was due"
    by = local(respond_by(alarm, rationale))
    return {
        "name": one_line(profile.label) or unit_name(profile),
        "unit": unit_name(profile),
        "yard": one_line(profile.yard),
        "customer": one_line(profile.customer),
        "title": rationale.title,
        "action": rationale.action,
        "priority": alarm.priority.value,
        "due": due,
        "by": by,
        "task": f"{rationale.action} by {by}" if due == "by" else f"{rationale.action}, was due {by}",
        "since": local(finding.start_at),
        "flagged": local(finding.first_flagged_at),
        "evidence_of": _evidence_of(finding, local),
        "sure": sure(finding),
        "evidence": [evidence_line(fact, units_system) for fact in finding.evidence],
        "cause": rationale.cause,
        "consequence": rationale.consequence,
        "response": rationale.response,
        "cautions": rationale.cautions,
        "board_url": _board_url(alarm, envelope.base_url),
    }


def _evidence_of(finding: Finding, local: Callable[[dt.datetime], str]) -> str:
    """Of when the evidence is, where that is not when it was flagged."""
    at = finding.evidence_at
    return "" if at is None or local(at) == local(finding.first_flagged_at) else local(at)


def _corrections(
    notice: Notice, profile: UnitProfile, cause: Cause | None, envelope: Envelope
) -> dict[str, Any]:
    """What was told and no longer holds, both versions side by side; of what was withdrawn, all of it."""
    heard, alarm = notice.heard, notice.alarms[0]
    nothing: dict[str, Any] = {"changes": [], "told": None}
    if heard is None or not _corrected(alarm, heard):
        return nothing

    def local(at: dt.datetime) -> str:
        return local_time(at, profile.tz, envelope.units_system)

    def worded(fact: Evidence) -> str:
        return evidence_line(fact, envelope.units_system)

    return {
        "not_said": NOT_SAID,
        "changes": differences(heard.finding, alarm.finding, instant=local, evidence=worded),
        "told": {
            "at": local(heard.at),
            "since": local(heard.finding.start_at),
            "sure": sure(heard.finding),
            "evidence": [worded(fact) for fact in heard.finding.evidence],
            "why": _WHY.get(cause or Cause.LATE_DATA, _WHY[Cause.LATE_DATA]),
        },
    }


def _corrected(alarm: Alarm, heard: Heard) -> bool:
    """Whether something was taken back, rather than news having come, since the last mail."""
    steps = (Action.REVISE, Action.WITHDRAW)
    taken_back = any(step.action in steps and step.at > heard.at for step in alarm.log)
    same_one = heard.finding.finding_id == alarm.finding.finding_id
    return taken_back or (same_one and not carries_on(heard.finding, alarm.finding))


def _standing(
    pattern: Pattern, status: UnitStatus, profile: UnitProfile, units_system: UnitsSystem
) -> list[str]:
    """The numbers the response needs, as far as they are known."""
    lines: list[str] = []
    if pattern is Pattern.OVERHEATING and math.isfinite(status.discharge_temp_c):
        at = local_time(status.observed_at, profile.tz, units_system)
        return [
            f"Discharge at the newest reading, {at}: {temperature(status.discharge_temp_c, units_system)}"
        ]
    if pattern not in ASKS_FOR_WATER:
        return lines
    if math.isfinite(status.required_temp_c):
        lines.append(f"Required temperature: {temperature(status.required_temp_c, units_system)}")
    if math.isfinite(status.water_g):
        low, high = water(status.water_low_g, units_system), water(status.water_high_g, units_system)
        lines.append(f"Water held: about {water(status.water_g, units_system)} ({low} to {high})")
    if pattern is Pattern.SHORT_CYCLING and not math.isnan(status.dry_out_min):
        lines.append(dry_out_line(status))
    return lines


def _board_url(alarm: Alarm, base_url: str) -> str:
    if not base_url:
        return ""
    # A unit may be called anything: an odd name stays out of addresses, the list of alarms shows it as well.
    plain = re.fullmatch(r"[A-Za-z0-9_-]+", alarm.unit_id)
    return f"{base_url.rstrip('/')}/{f'units/{alarm.unit_id}' if plain else 'alarms'}"


def _message(
    notice: Notice,
    subject: str,
    template: str,
    view: Mapping[str, Any],
    envelope: Envelope,
    now: dt.datetime,
) -> EmailMessage:
    message = EmailMessage()
    message["Subject"] = one_line(subject, 200)
    message["From"] = email.utils.formataddr(("Dewline", envelope.sender))
    message["To"] = ", ".join(envelope.recipients) or "undisclosed-recipients:;"
    message["Date"] = email.utils.format_datetime(now)
    message["Message-ID"] = message_id(notice.key, envelope)
    message["Auto-Submitted"] = "auto-generated"
    root = message_id(f"{notice.alarms[0].alarm_id}.{NoticeKind.RAISED.value}", envelope)
    if notice.kind is not NoticeKind.SUMMARY and root != message["Message-ID"]:
        message["In-Reply-To"] = root
        message["References"] = root
    message.set_content(_templates().get_template(f"{template}.txt.j2").render(view))
    html = _templates().get_template(f"{template}.html.j2").render(view, subject=subject)
    message.add_alternative(html, subtype="html")
    return message


def _attach(message: EmailMessage, picture: Picture, cid: str) -> None:
    parts: Sequence[Any] = list(message.iter_parts())
    parts[1].add_related(
        picture.png, "image", "png", cid=f"<{cid}>", filename="chart.png", disposition="inline"
    )


def _wrapped(text: str, first: str = "", rest: str = "") -> str:
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=rest or " " * len(first))


@functools.cache
def _templates() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("alerts", "templates"),
        autoescape=jinja2.select_autoescape(("html.j2",)),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["wrapped"] = _wrapped
    return environment
