"""Findings and runs of a unit, in words and figures."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import Any

from nicegui import ui

from dashboards import display, words
from dashboards.display import System
from dashboards.pages.alarm_card import evidence_lines
from dashboards.pages.frame import empty
from dashboards.pages.said import span, versions
from models.records import Finding, Outcome, Run
from models.said import FindingVersion

OUTCOME_MARKS = {Outcome.DRIED_OUT: "●", Outcome.HELD: "■", Outcome.ADDED_WATER: "▲"}
ROWS_A_PAGE = 15


def findings_list(
    findings: Sequence[Finding], said: Sequence[FindingVersion], tz: dt.tzinfo, system: System
) -> None:
    """Newest first, each with when, how sure and why, and what was said of it before."""
    ui.html("<h2>Findings</h2>", sanitize=False)
    if not findings:
        empty("No finding in this range.", "Patterns appear here with the evidence behind them.")
        return
    with ui.element("div").classes("dw-findings"):
        for finding in sorted(findings, key=lambda one: one.first_flagged_at, reverse=True):
            with ui.element("section").classes("dw-finding"):
                with ui.element("div").classes("dw-alarm-top"):
                    ui.label(words.pattern_words(finding.pattern)).classes("dw-alarm-title")
                    ui.label(words.finding_state(finding)).classes(
                        "dw-tag caution" if finding.end_at is None else "dw-tag"
                    )
                ui.label(span(finding, tz)).classes("dw-sub")
                evidence_lines(finding.evidence, system)
                mine = [one for one in said if one.finding.finding_id == finding.finding_id]
                versions(mine, tz, system)


def runs_table(runs: Sequence[Run], tz: dt.tzinfo, system: System, *, narrow: bool) -> None:
    """Newest first; sorts by any column; on a phone only the columns that fit."""
    ui.html("<h2>Runs</h2>", sanitize=False)
    if not runs:
        empty("No run in this range.", "A run is listed once the air end has turned.")
        return
    columns = [
        {"name": name, "label": label, "field": name, "sortable": True, "align": align}
        | ({":sort": _BY.replace("NAME", name)} if align == "right" else {})
        for name, label, align in _COLUMNS
        if not narrow or name in _ON_A_PHONE
    ]
    rows = [run_row(run, tz, system) for run in reversed(runs)]
    table = ui.table(
        columns=columns, rows=rows, row_key="start", pagination={"rowsPerPage": ROWS_A_PAGE}
    ).classes("dw-table")
    table.props('dense flat wrap-cells rows-per-page-label="Runs per page"')


_BY = "(a, b, rowA, rowB) => rowA.NAME_by - rowB.NAME_by"
_ON_A_PHONE = ("start", "length", "outcome", "change")
_COLUMNS = (
    ("start", "Start", "left"),
    ("length", "Length", "right"),
    ("outcome", "Outcome", "left"),
    ("peak", "Peak", "right"),
    ("required", "Required", "right"),
    ("hot", "Hot", "right"),
    ("air", "Air delivered", "right"),
    ("change", "Water before → after", "right"),
    ("trust", "Pressure", "left"),
)


def run_row(run: Run, tz: dt.tzinfo, system: System) -> dict[str, Any]:
    """One run as text and sort value by column."""
    minutes = ((run.end_at or run.last_at) - run.start_at).total_seconds() / 60.0
    after = display.water(run.water_end_g, system)
    before = display.water(run.water_start_g, system)
    wet = ", wet run" if run.wet else ""
    return {
        "start": display.instant(run.start_at, tz),
        "length": display.minutes(minutes) + (" so far" if run.end_at is None else ""),
        "outcome": f"{OUTCOME_MARKS[run.outcome]} {words.OUTCOMES[run.outcome]}{wet}",
        "peak": display.temp(run.peak_temp_c, system),
        "required": display.temp(run.required_temp_c, system),
        "hot": display.minutes(run.hot_min) if run.hot_min > 0 else "never",
        "air": display.volume(run.delivered_m3, system),
        "change": f"{before} → {after}",
        "trust": "trusted" if run.pressure_trusted else "⚠ untrusted",
        **{f"{name}_by": value for name, value in _sort_values(run, minutes).items()},
    }


def _sort_values(run: Run, minutes: float) -> dict[str, float]:
    values = {
        "length": minutes,
        "peak": run.peak_temp_c,
        "required": run.required_temp_c,
        "hot": run.hot_min,
        "air": run.delivered_m3,
        "change": run.water_end_g - run.water_start_g,
    }
    return {name: 0.0 if math.isnan(value) else value for name, value in values.items()}
