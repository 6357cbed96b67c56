"""Short names of patterns, states and outcomes, as tags and tables show them. Pure."""

from __future__ import annotations

import datetime as dt

from alerts.alarm import AlarmState
from dashboards import display
from dashboards.sources import AlarmView, MailView
from models.records import Finding, Outcome, Pattern, Run
from models.said import Cause
from models.senses_temp import BURNING_C

_PATTERNS = {
    Pattern.SHORT_CYCLING: "Short, cool runs",
    Pattern.NEVER_REACHING_TEMPERATURE: "Never gets hot",
    Pattern.PRESSURE_SENSOR_ICING: "Pressure sensor iced",
    Pattern.SENSOR_FAULT: "Sensor failed",
    Pattern.STALE_TELEMETRY: "Old values repeated",
    Pattern.SILENT_UNIT: "Not heard of",
    Pattern.OVERHEATING: "Overheating",
    Pattern.SLOW_PRESSURE_BUILD: "Slow to build pressure",
    Pattern.UNLIKE_ITSELF: "Not its usual self",
}
DOUBTFUL_BELOW = 0.8
AT_ONCE = dt.timedelta(minutes=10)
"""Instants nearer to each other than this are told as one."""
"""A run less sure than this is marked. [-] Chosen."""
TELLING_PART = 0.1
"""Doubt about a run's ends is told from this part of its length on. [-] Chosen."""
OUTCOMES = {
    Outcome.DRIED_OUT: "dried out",
    Outcome.HELD: "water as before",
    Outcome.ADDED_WATER: "added water",
}
STATES = {
    AlarmState.UNACKNOWLEDGED: "not acknowledged",
    AlarmState.ACKNOWLEDGED: "acknowledged",
    AlarmState.RETURNED_UNACKNOWLEDGED: "ended, not acknowledged",
    AlarmState.SHELVED: "shelved",
    AlarmState.SUPPRESSED_BY_DESIGN: "held back while it can't apply",
    AlarmState.OUT_OF_SERVICE: "out of service",
    AlarmState.NORMAL: "normal",
}

CAUSES = {
    Cause.FIRST: "first said",
    Cause.NEWS: "carried on by newer readings or recorded work",
    Cause.OTHER_WORK: "corrected: a drain or an oil change was recorded afterwards, or taken back",
    Cause.LATE_DATA: "corrected: readings arrived late",
    Cause.WORKED_ANEW: "corrected: worked through again after ratings, settings or the program changed",
}


def alarm_times(alarm: AlarmView, tz: dt.tzinfo, now: dt.datetime) -> list[str]:
    """How sure, since when, and by when somebody should have acted; or that its finding is over."""
    parts = [*([alarm.sure] if alarm.sure else []), f"flagged {display.instant(alarm.flagged_at, tz)}"]
    if alarm.told_at - alarm.flagged_at > AT_ONCE:
        parts.append(f"told {display.instant(alarm.told_at, tz)}")
    parts += evidence_time(alarm.flagged_at, alarm.evidence_at, tz)
    if alarm.respond_by is not None and alarm.state is AlarmState.UNACKNOWLEDGED:
        left_min = (alarm.respond_by - now).total_seconds() / 60.0
        left = "overdue" if left_min < 0 else f"in {display.minutes(left_min)}"
        parts.append(f"respond by {display.instant(alarm.respond_by, tz)}, {left}")
    if alarm.ended_at is not None and alarm.returned_at is None:
        parts.append(
            f"not seen since {display.instant(alarm.ended_at, tz)}, watched for whether it comes back"
        )
    return parts


def evidence_time(flagged_at: dt.datetime, evidence_at: dt.datetime | None, tz: dt.tzinfo) -> list[str]:
    """Of when the evidence is, where that is not when it was flagged."""
    if evidence_at is None or evidence_at - flagged_at <= AT_ONCE:
        return []
    return [f"evidence of {display.instant(evidence_at, tz)}"]


def finding_state(finding: Finding) -> str:
    """Whether it stands, in a word or two."""
    if finding.withdrawn:
        return "withdrawn: it was not there"
    if finding.explained_by is not None:
        return f"explained by: {pattern_words(finding.explained_by)}"
    return "stands" if finding.end_at is None else "ended"


def peak(run: Run, system: display.System) -> str:
    """A run's hottest; marked where no machine has been so hot and come through it."""
    shown = display.temp(run.peak_temp_c, system)
    return f"⚠ {shown}, or °F under a °C name" if run.peak_temp_c >= BURNING_C else shown


def how_sure(run: Run) -> str:
    """How sure it is that it was a run, never wholly, and where nobody saw it, what it is known from."""
    if run.end_at is None:
        # How sure it is rests on both its edges, and one is still to come.
        return "not over yet"
    sure = f"{100.0 * min(run.confidence, 0.99):.0f} %"
    doubt = "⚠ " if run.confidence < DOUBTFUL_BELOW else ""
    return f"{doubt}{sure}, from the hour meter alone" if run.inferred else f"{doubt}{sure}"


def run_length(run: Run, minutes_min: float) -> str:
    """How long it took, and how far off that may be where it matters."""
    length = display.minutes(minutes_min) + (" so far" if run.end_at is None else "")
    if run.start_error_s is None:
        return f"at least {length}"
    off_min = (run.start_error_s + (run.end_error_s if run.end_at else 0.0)) / 60.0
    return f"{length} ± {display.minutes(off_min)}" if off_min >= TELLING_PART * minutes_min else length


def pattern_words(pattern: str) -> str:
    """Short name of a pattern; one that has none yet is spelt out."""
    known = {str(one): words for one, words in _PATTERNS.items()}
    return known.get(pattern) or spelt_out(pattern)


def spelt_out(name: str) -> str:
    """ "service_due" -> "Service due"."""
    return name.replace("_", " ").capitalize()


def bytes_words(payload: bytes) -> str:
    r"""Bytes as text; those that are no UTF-8 as ``\xff``, so that they can still be told."""
    return payload.decode(errors="backslashreplace")


def mail_state(mail: MailView) -> tuple[str, str]:
    """State of a message in a word, and the reason or time behind it."""
    if mail.sent_at is not None:
        return "sent", f"{display.instant(mail.sent_at, dt.UTC)} UTC"
    return (
        "not sent" if mail.last_error.startswith("not sent") else "waiting"
    ), mail.last_error or "next in line"
