"""Parts of an alarm as several pages show them: evidence, cause, consequence, response, cautions."""

from __future__ import annotations

from collections.abc import Sequence

from nicegui import ui

from alerts.wording import evidence_line
from dashboards.display import System
from dashboards.sources import AlarmView
from models.records import Evidence


def evidence_lines(evidence: Sequence[Evidence], system: System) -> None:
    """The facts behind it, in words."""
    if evidence:
        with ui.element("ul").classes("dw-evidence"):
            for one in evidence:
                with ui.element("li"):
                    ui.label(evidence_line(one, system.value))


def steps(alarm: AlarmView) -> None:
    """Cause, consequence, the cautions of this alarm, and what to do in order."""
    with ui.element("div").classes("dw-steps"):
        for name, text in (("Cause", alarm.cause), ("If nothing is done", alarm.consequence)):
            if text:
                with ui.element("div").classes("dw-reason"):
                    ui.label(name).classes("dw-reason-name")
                    ui.label(text)
        _listed("Caution", alarm.cautions, "ul", "dw-cautions")
        _listed("What to do", alarm.response, "ol", "dw-response")


def _listed(name: str, texts: Sequence[str], tag: str, kind: str) -> None:
    if not texts:
        return
    with ui.element("div").classes(f"dw-reason {kind}"):
        ui.label(name).classes("dw-reason-name")
        with ui.element(tag):
            for text in texts:
                with ui.element("li"):
                    ui.label(text)
