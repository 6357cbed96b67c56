"""Marks on a unit's chart: findings, work on the sump, values left out, doubtful readings. Pure.

`dashboards.charts` joins them to the lines of `dashboards.chart_series`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import numpy as np

from dashboards import display, words
from dashboards import work as work_words
from dashboards.chart_series import wall_instant_ms, wall_ms
from dashboards.lines import UnitLines
from dashboards.palette import Palette
from dashboards.sources import WorkView
from ingest.reading import IntArray
from models.records import Finding

FINDING_SYMBOL = "diamond"
LEFT_OUT = "Not plausible"
LEFT_OUT_SYMBOL = "path://M1,0L5,4L9,0L10,1L6,5L10,9L9,10L5,6L1,10L0,9L4,5L0,1Z"
DOUBTFUL = "Doubtful"
DOUBTFUL_SYMBOL = "emptyCircle"
WORK = "Sump work"
WORK_SYMBOL = "path://M5,0C5,0 10,6 10,9.2A5,5 0 0 1 0,9.2C0,6 5,0 5,0Z"
"""A drop."""
MARKS_AT_MOST = 200


def findings(
    findings: Sequence[Finding], tz: dt.tzinfo, palette: Palette, lines: UnitLines
) -> list[dict[str, Any]]:
    """A dashed line with the pattern's name where each finding was first flagged."""
    shown = [f for f in findings if lines.start_ms <= display.ms_of(f.first_flagged_at) < lines.end_ms]
    return [
        {
            "name": "Finding",
            "type": "line",
            "data": [],
            "symbol": FINDING_SYMBOL,
            "itemStyle": {"color": palette.finding},
            "lineStyle": {"color": palette.finding},
            "markLine": {
                "silent": True,
                "symbol": [FINDING_SYMBOL, "none"],
                "symbolSize": 11,
                "lineStyle": {"color": palette.finding, "type": [4, 3], "width": 1.4},
                "label": {"color": palette.ink, "position": "insideEndTop", "fontSize": 12},
                "data": [
                    {
                        "xAxis": wall_instant_ms(finding.first_flagged_at, tz),
                        "label": {"formatter": words.pattern_words(finding.pattern)},
                    }
                    for finding in shown
                ],
            },
        }
    ]


def work(done: Sequence[WorkView], tz: dt.tzinfo, palette: Palette, lines: UnitLines) -> list[dict[str, Any]]:
    """A drop on a line through the water pane for each drain or oil change that counts; none: no series."""
    shown = [
        one
        for one in done
        if one.taken_back_at is None and lines.start_ms <= display.ms_of(one.done_at) < lines.end_ms
    ]
    if not shown:
        return []
    return [
        {
            "name": WORK,
            "type": "line",
            "xAxisIndex": 2,
            "yAxisIndex": 2,
            "data": [],
            "itemStyle": {"color": palette.ink},
            "lineStyle": {"color": palette.ink},
            "markLine": {
                "silent": True,
                "symbol": ["none", WORK_SYMBOL],
                "symbolSize": [10, 14],
                "symbolRotate": 0,
                "lineStyle": {"color": palette.ink, "type": "solid", "width": 1.4},
                "label": {"color": palette.ink, "position": "insideEndTop", "fontSize": 12},
                "data": [
                    {
                        "xAxis": wall_instant_ms(one.done_at, tz),
                        "label": {"formatter": work_words.WORDS[one.work]},
                    }
                    for one in shown
                ],
            },
        }
    ]


def left_out(lines: UnitLines, tz: dt.tzinfo, palette: Palette) -> list[dict[str, Any]]:
    """A cross at the upper edge of a pane, on an axis of its own, for each value that is not drawn."""
    by_pane = ((0, lines.left_out.discharge_at_ms), (1, lines.left_out.pressure_at_ms))
    return [
        {
            "name": LEFT_OUT,
            "type": "scatter",
            "xAxisIndex": pane,
            "yAxisIndex": 3 + pane,
            "symbol": LEFT_OUT_SYMBOL,
            "symbolSize": 8,
            "itemStyle": {"color": palette.doubted},
            "tooltip": {"show": False},
            "data": [[at, 1] for at in wall_ms(_spread(at_ms, lines), tz).tolist()],
        }
        for pane, at_ms in by_pane
        if len(at_ms)
    ]


def doubtful(lines: UnitLines, tz: dt.tzinfo, palette: Palette) -> list[dict[str, Any]]:
    """A small ring at the lower edge of the first pane for each doubtful reading that is drawn."""
    if not len(lines.doubtful.at_ms):
        return []
    return [
        {
            "name": DOUBTFUL,
            "type": "scatter",
            "xAxisIndex": 0,
            "yAxisIndex": 3,
            "symbol": DOUBTFUL_SYMBOL,
            "symbolSize": 6,
            "symbolOffset": [0, -4],
            "itemStyle": {"color": palette.doubted},
            "tooltip": {"show": False},
            "data": [[at, 0] for at in wall_ms(_spread(lines.doubtful.at_ms, lines), tz).tolist()],
        }
    ]


def _spread(at_ms: IntArray, lines: UnitLines) -> IntArray:
    """The first instant of every stretch that has one, so that crosses do not pile up."""
    width_ms = max((lines.end_ms - lines.start_ms) // MARKS_AT_MOST, 1)
    return at_ms[np.unique(at_ms // width_ms, return_index=True)[1]]
