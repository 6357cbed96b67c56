"""Findings and runs of a unit, in words and figures."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Sequence
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
LAST = 1e9
"""Stands in sorting for what never came."""


def findings_list(
    findings: Sequence[Finding],
    said: Sequence[FindingVersion],
    tz: dt.tzinfo,
    system: System,
    *,
    above: Collection[str] = (),
) -> None:
    """Newest first, each with when, how sure and why, and what was said of it before.

    Of those whose finding_id is in `above` the page tells the evidence and what was said already: the one is
    folded up, the other left out. Of one that was withdrawn what had been said stands open to be read.
    """
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
                mine = [one for one in said if one.finding.finding_id == finding.finding_id]
                if not (finding.withdrawn and len(mine) > 1):
                    _why(finding, system, folded=finding.finding_id in above)
                if finding.finding_id not in above:
                    versions(mine, tz, system, unfolded=finding.withdrawn)


def _why(finding: Finding, system: System, *, folded: bool) -> None:
    """The evidence, folded up where the page has told it already."""
    if not folded:
        evidence_lines(finding.evidence, system)
        return
    with ui.element("details"):
        with ui.element("summary"):
            ui.label("Evidence, as told above").classes("dw-inline")
        evidence_lines(finding.evidence, system)


def runs_table(
    runs: Sequence[Run], tz: dt.tzinfo, system: System, *, narrow: bool, csv_path: str = ""
) -> None:
    """Newest first; sorts by any column; on a phone only the columns that fit, the rest under each run."""
    ui.html("<h2>Runs</h2>", sanitize=False)
    if not runs:
        empty("No run in this range.", "A run is listed once the air end has turned.")
        return
    if csv_path:
        with ui.element("div").classes("dw-actions"):
            ui.link("Download these runs (CSV)", csv_path).classes("dw-button dw-small")
    columns = [
        {"name": name, "label": label, "field": name, "sortable": True, "align": align}
        | ({":sort": _BY.replace("NAME", name)} if align == "right" else {})
        for name, label, align in _COLUMNS
        if not narrow or name in _ON_A_PHONE
    ]
    rows = [run_row(run, tz, system) for run in reversed(runs)]
    if narrow:
        rows = [row | {"more": _more(row)} for row in rows]
    table = ui.table(
        columns=columns, rows=rows, row_key="start", pagination={"rowsPerPage": ROWS_A_PAGE}
    ).classes("dw-table dw-runs")
    table.props('dense flat wrap-cells rows-per-page-label="Runs per page"')
    if narrow:
        table.add_slot("body", _BODY_WITH_MORE)


_BY = "(a, b, rowA, rowB) => rowA.NAME_by - rowB.NAME_by"
_ON_A_PHONE = ("start", "length", "outcome", "change")
_COLUMNS = (
    ("start", "Start", "left"),
    ("length", "Length", "right"),
    ("outcome", "Outcome", "left"),
    ("peak", "Peak", "right"),
    ("margin", "Peak against dew point", "right"),
    ("required", "Required", "right"),
    ("to_hot", "Time to hot", "right"),
    ("hot", "Hot", "right"),
    ("air", "Air delivered", "right"),
    ("water_in", "Water in", "right"),
    ("water_out", "Water out", "right"),
    ("change", "Water before → after", "right"),
    ("trust", "Pressure", "left"),
    ("sure", "Sure", "right"),
)
_BODY_WITH_MORE = """
<q-tr :props="props" :key="props.row.start">
  <q-td v-for="col in props.cols" :key="col.name" :props="props">
    {{ col.value }}
    <button v-if="col.name === 'start'" type="button" class="dw-more" :aria-expanded="props.expand"
      @click="props.expand = !props.expand">{{ props.expand ? 'Less' : 'More' }}</button>
  </q-td>
</q-tr>
<q-tr v-if="props.expand" :props="props">
  <q-td colspan="100%"><dl class="dw-run-more">
    <template v-for="one in props.row.more"><dt>{{ one[0] }}</dt><dd>{{ one[1] }}</dd></template>
  </dl></q-td>
</q-tr>
"""


def _more(row: dict[str, Any]) -> list[tuple[str, str]]:
    """What a phone's columns leave out, as name and text."""
    return [(label, row[name]) for name, label, _ in _COLUMNS if name not in _ON_A_PHONE]


def run_row(run: Run, tz: dt.tzinfo, system: System) -> dict[str, Any]:
    """One run as text and sort value by column."""
    minutes = ((run.end_at or run.last_at) - run.start_at).total_seconds() / 60.0
    after = display.water(run.water_end_g, system)
    before = display.water(run.water_start_g, system)
    wet = ", wet run" if run.wet else ""
    return {
        "start": display.instant(run.start_at, tz),
        "length": words.run_length(run, minutes),
        "outcome": f"{OUTCOME_MARKS[run.outcome]} {words.OUTCOMES[run.outcome]}{wet}",
        "peak": words.peak(run, system),
        "margin": display.above_or_below(run.dew_margin_k, system),
        "required": display.temp(run.required_temp_c, system),
        "to_hot": "never hot" if run.time_to_hot_min is None else display.minutes(run.time_to_hot_min),
        "hot": display.minutes(run.hot_min) if run.hot_min > 0 else "never",
        "air": display.volume(run.delivered_m3, system),
        "water_in": display.water(run.water_in_g, system),
        "water_out": display.water(run.water_out_g, system),
        "change": f"{before} → {after}",
        "trust": "trusted" if run.pressure_trusted else "⚠ untrusted",
        "sure": words.how_sure(run),
        **{f"{name}_by": value for name, value in _sort_values(run, minutes).items()},
    }


def _sort_values(run: Run, minutes: float) -> dict[str, float]:
    values = {
        "length": minutes,
        "peak": run.peak_temp_c,
        "margin": run.dew_margin_k,
        "required": run.required_temp_c,
        "to_hot": math.inf if run.time_to_hot_min is None else run.time_to_hot_min,
        "hot": run.hot_min,
        "air": run.delivered_m3,
        "water_in": run.water_in_g,
        "water_out": run.water_out_g,
        "change": run.water_end_g - run.water_start_g,
        "sure": run.confidence,
    }
    return {
        name: LAST if math.isinf(value) else 0.0 if math.isnan(value) else value
        for name, value in values.items()
    }
