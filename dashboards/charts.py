"""Chart options for a unit: three panes over one time axis, runs shaded by outcome. Pure.

Times are shifted to the yard's wall clock and drawn as if they were UTC, since the browser knows only its
own zone. State is never told by colour alone: outcomes have shapes, lines have dashes.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import numpy as np

from dashboards import chart_marks, chart_series, display
from dashboards.chart_marks import (
    DOUBTFUL,
    DOUBTFUL_SYMBOL,
    FINDING_SYMBOL,
    LEFT_OUT,
    LEFT_OUT_SYMBOL,
    WORK,
    WORK_SYMBOL,
)
from dashboards.chart_series import OUTCOME_SYMBOLS, run_name, wall_ms
from dashboards.display import System
from dashboards.lines import UnitLines
from dashboards.palette import Palette
from dashboards.sources import WorkView
from models.records import Finding, Outcome, Run

PANES_PX = ((64, 232), (344, 84), (476, 96))
"""Top and height of temperature, pressure and water. [px]"""
NARROW_LEGEND_PX = 54
"""How much further down the panes start on a phone, where the legend takes several lines. [px]"""
LEAST_TOP = {1: {System.US: 30, System.SI: 200}, 2: {System.US: 1, System.SI: 30}}
"""Pressure and water axes reach at least this high, in the unit of display: below is the sensor's noise."""
_BAR, _DASHES, _DOTS = (
    "path://M0,0H22V3H0Z",
    "path://M0,0H9V3H0Z M13,0H22V3H13Z",
    "path://M0,0H4V3H0Z M6,0H10V3H6Z M12,0H16V3H12Z M18,0H22V3H18Z",
)


def unit_chart(
    lines: UnitLines,
    runs: Sequence[Run],
    findings: Sequence[Finding],
    *,
    system: System,
    tz: dt.tzinfo,
    palette: Palette,
    harmful_g: float,
    now: dt.datetime,
    work: Sequence[WorkView] = (),
    narrow: bool = False,
) -> dict[str, Any]:
    """ECharts options of a unit's page.

    Parameters
    ----------
    lines : UnitLines
        What to draw, house units.
    runs, findings
        Those of the span.
    system, tz, palette
        Units, wall clock and colours to show it in.
    harmful_g : float
        Water level drawn as harmful. [g]
    now : datetime
        End of a run or finding that still lasts.
    work : sequence of WorkView
        Drains and oil changes; what was taken back is not drawn.
    narrow : bool
        For a phone: fewer ticks and smaller margins.
    """
    start, end = (int(ms) for ms in wall_ms(np.array([lines.start_ms, lines.end_ms]), tz))
    text = {"color": palette.soft, "fontSize": 12}
    crosses = chart_marks.left_out(lines, tz, palette)
    doubts = chart_marks.doubtful(lines, tz, palette)
    drops = chart_marks.work(work, tz, palette, lines)
    return {
        "useUTC": True,
        "animation": False,
        "backgroundColor": "transparent",
        "textStyle": {"color": palette.ink, "fontFamily": "system-ui, DejaVu Sans, sans-serif"},
        "aria": {"enabled": True},
        "legend": _legend(palette, crosses=bool(crosses), doubts=bool(doubts), drops=bool(drops)),
        "tooltip": {
            "trigger": "axis",
            "confine": True,
            "backgroundColor": palette.surface,
            "borderColor": palette.grid,
            "textStyle": {"color": palette.ink, "fontSize": 13},
            "axisPointer": {"type": "line", "lineStyle": {"color": palette.soft}},
        },
        "axisPointer": {"link": [{"xAxisIndex": "all"}]},
        "grid": [
            {
                "left": 46 if narrow else 58,
                "right": 12 if narrow else 24,
                "top": top + (NARROW_LEGEND_PX if narrow else 0),
                "height": height,
            }
            for top, height in PANES_PX
        ],
        "xAxis": [
            {
                "type": "time",
                "gridIndex": pane,
                "min": start,
                "max": end,
                "axisLabel": {**text, "show": pane == 2, "hideOverlap": True},
                "axisLine": {"lineStyle": {"color": palette.grid}},
                "axisTick": {"show": pane == 2},
                "splitLine": {"show": True, "lineStyle": {"color": palette.grid}},
                "splitNumber": 3 if narrow else 8,
            }
            for pane in range(3)
        ],
        "yAxis": [
            *(_y_axis(pane, name, palette, system) for pane, name in enumerate(_pane_names(system))),
            # Where crosses stand must not depend on, nor stretch, the scale of the values.
            *({"type": "value", "gridIndex": pane, "show": False, "min": 0, "max": 1} for pane in (0, 1)),
        ],
        "dataZoom": [
            {"type": "inside", "xAxisIndex": [0, 1, 2], "filterMode": "none", "zoomOnMouseWheel": "ctrl"},
            {
                "type": "slider",
                "xAxisIndex": [0, 1, 2],
                "filterMode": "none",
                "bottom": 4,
                "height": 20,
                "showDataShadow": False,
                "borderColor": palette.grid,
                "textStyle": text,
                "brushSelect": False,
            },
        ],
        "series": [
            *chart_series.temperature(lines, system, tz, palette),
            *chart_series.pressure(lines, system, tz, palette),
            *chart_series.water(lines, system, tz, palette, harmful_g),
            *chart_series.runs(runs, system, tz, palette, now),
            *chart_marks.findings(findings, tz, palette, lines),
            *drops,
            *crosses,
            *doubts,
        ],
    }


def _pane_names(system: System) -> tuple[str, str, str]:
    return (
        f"Temperature, {display.TEMP_UNIT[system]}",
        f"Sump pressure, {display.PRESSURE_UNIT[system]}",
        f"Water held, {display.WATER_UNIT[system]}",
    )


def _legend(palette: Palette, *, crosses: bool, doubts: bool, drops: bool) -> dict[str, Any]:
    return {
        "top": 0,
        "left": 0,
        "right": 0,
        "itemWidth": 22,
        "textStyle": {"color": palette.ink, "fontSize": 13},
        "inactiveColor": palette.soft,
        "data": [
            {"name": "Discharge", "icon": _BAR},
            {"name": "Required", "icon": _DASHES},
            {"name": "Pressure dew point", "icon": _DOTS},
            {"name": "Untrusted pressure", "icon": _DASHES},
            *({"name": run_name(outcome), "icon": OUTCOME_SYMBOLS[outcome]} for outcome in Outcome),
            {"name": "Finding", "icon": FINDING_SYMBOL},
            *([{"name": WORK, "icon": WORK_SYMBOL}] if drops else []),
            *([{"name": LEFT_OUT, "icon": LEFT_OUT_SYMBOL}] if crosses else []),
            *([{"name": DOUBTFUL, "icon": DOUBTFUL_SYMBOL}] if doubts else []),
        ],
    }


def _from_nothing(least_top: int) -> dict[str, str]:
    """An axis from zero on, unless a failed sensor reads far below, that does not blow noise up."""
    return {
        ":min": "(v) => (v.min < -50 ? v.min : 0)",
        ":max": f"(v) => (v.max < {least_top} ? {least_top} : null)",
    }


def _y_axis(pane: int, name: str, palette: Palette, system: System) -> dict[str, Any]:
    return {
        "type": "value",
        "gridIndex": pane,
        "name": name,
        "nameLocation": "end",
        "nameTextStyle": {
            "color": palette.ink,
            "align": "left",
            "fontWeight": 600,
            "padding": [0, 0, 0, -40],
        },
        "scale": pane == 0,
        "splitNumber": 5 if pane == 0 else 2,
        **({} if pane == 0 else _from_nothing(LEAST_TOP[pane][system])),
        "axisLabel": {"color": palette.soft, "fontSize": 12},
        "splitLine": {"lineStyle": {"color": palette.grid}},
    }
