"""What was said of a finding and when: every version, so that nothing that was told changes unseen."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from nicegui import ui

from alerts.restating import sure
from dashboards import display, words
from dashboards.display import System
from dashboards.pages.alarm_card import evidence_lines
from models.records import Finding
from models.said import Cause, FindingVersion

CORRECTIONS = (Cause.OTHER_WORK, Cause.LATE_DATA, Cause.WORKED_ANEW)


def versions(
    said: Sequence[FindingVersion], tz: dt.tzinfo, system: System, *, unfolded: bool = False
) -> None:
    """Newest first, folded up at first unless `unfolded`; nothing while there has been one version only."""
    if len(said) < 2:
        return
    corrected = sum(one.cause in CORRECTIONS for one in said)
    with ui.element("details").classes("dw-said").props("open" if unfolded else ""):
        with ui.element("summary"):
            ui.label(f"What was said when ({_count(len(said), corrected)})").classes("dw-inline")
        with ui.element("ol"):
            for n, one in enumerate(reversed(said)):
                with ui.element("li").classes("" if n == 0 else "dw-past"):
                    ui.label(_heading(one, tz)).classes("dw-reason-name")
                    ui.label(span(one.finding, tz))
                    if not one.finding.withdrawn:
                        evidence_lines(one.finding.evidence, system)


def span(finding: Finding, tz: dt.tzinfo) -> str:
    """From when to when, flagged when, and how sure."""
    if finding.withdrawn:
        start = display.instant(finding.start_at, tz)
        return f"It was not there, though it had been said to stand from {start}."
    end = display.instant(finding.end_at, tz) if finding.end_at else "now"
    parts = [
        f"{display.instant(finding.start_at, tz)} to {end}",
        f"first flagged {display.instant(finding.first_flagged_at, tz)}",
        sure(finding),
        *words.evidence_time(finding.first_flagged_at, finding.evidence_at, tz),
    ]
    return " · ".join(parts)


def _heading(one: FindingVersion, tz: dt.tzinfo) -> str:
    mailed = f" · mailed {display.instant(one.mailed_at, tz)}" if one.mailed_at else ""
    return f"Said {display.instant(one.said_at, tz)} · {words.CAUSES[one.cause]}{mailed}"


def _count(n: int, corrected: int) -> str:
    return f"{n} versions" + (f", {corrected} corrected" if corrected else "")
