"""Series of a unit's chart: lines, the water band, runs. Pure; `dashboards.charts` joins them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboards import display, words
from dashboards.display import System
from dashboards.lines import Line, UnitLines
from dashboards.palette import Palette
from ingest.reading import FloatArray, IntArray
from models.records import Outcome, Run

OUTCOME_SYMBOLS = {Outcome.DRIED_OUT: "circle", Outcome.HELD: "rect", Outcome.ADDED_WATER: "triangle"}
DOT_PX = 6
SHADE = 0.13
HOUR_MS = 3_600_000


def wall_ms(at_ms: IntArray, tz: dt.tzinfo) -> IntArray:
    """Unix ms shifted so that, read as UTC, they show the zone's wall clock. Shape kept."""
    hours, where = np.unique(at_ms // HOUR_MS, return_inverse=True)
    offsets_ms = [_offset_ms(int(hour) * HOUR_MS, tz) for hour in hours]
    return at_ms + np.array(offsets_ms, dtype=np.int64)[where] if len(at_ms) else at_ms


def _offset_ms(at_ms: int, tz: dt.tzinfo) -> int:
    offset = display.from_ms(at_ms).astimezone(tz).utcoffset()
    return 0 if offset is None else round(offset.total_seconds() * 1000)


def _points(
    line: Line, tz: dt.tzinfo, to_shown: Callable[[FloatArray], FloatArray], digits: int = 1
) -> list[Any]:
    shown: NDArray[np.float64] = np.round(to_shown(line.values), digits)
    points: list[Any] = [
        [at_ms, None if value != value else value]
        for at_ms, value in zip(wall_ms(line.at_ms, tz).tolist(), shown.tolist(), strict=True)
    ]
    for row in _alone(shown):
        points[row] = {"value": points[row], "symbol": "circle", "symbolSize": DOT_PX}
    return points


def _alone(values: NDArray[np.float64]) -> list[int]:
    """Rows of points without a neighbour: a line drawn through them alone could not be seen."""
    drawn = np.concatenate([[False], np.isfinite(values), [False]])
    return np.flatnonzero(drawn[1:-1] & ~drawn[:-2] & ~drawn[2:]).tolist()


def _line(
    name: str,
    pane: int,
    data: list[Any],
    colour: str,
    unit: str,
    *,
    digits: int = 0,
    dash: str | list[int] = "solid",
    width: float = 1.8,
    **more: Any,
) -> dict[str, Any]:
    return {
        "name": name,
        "type": "line",
        "xAxisIndex": pane,
        "yAxisIndex": pane,
        "data": data,
        "symbol": "none",
        "connectNulls": False,
        "itemStyle": {"color": colour},
        "lineStyle": {"color": colour, "width": width, "type": dash},
        "emphasis": {"disabled": True},
        "tooltip": {
            ":valueFormatter": f"(v) => v == null || Array.isArray(v) ? '' : v.toFixed({digits}) + ' {unit}'"
        },
        **more,
    }


def temperature(lines: UnitLines, system: System, tz: dt.tzinfo, palette: Palette) -> list[dict[str, Any]]:
    """Discharge, required and pressure dew point."""

    def shown(celsius: FloatArray) -> FloatArray:
        return display.temps(celsius, system)

    unit = display.TEMP_UNIT[system]
    return [
        _line("Discharge", 0, _points(lines.discharge_c, tz, shown), palette.discharge, unit, width=2.2),
        _line("Required", 0, _points(lines.required_c, tz, shown), palette.required, unit, dash=[7, 4]),
        _line(
            "Pressure dew point",
            0,
            _points(lines.dew_point_c, tz, shown),
            palette.dew_point,
            unit,
            dash=[2, 3],
        ),
    ]


def pressure(lines: UnitLines, system: System, tz: dt.tzinfo, palette: Palette) -> list[dict[str, Any]]:
    """Pressure, and apart from it the stretches in which it is not to be believed."""

    def shown(kpa: FloatArray) -> FloatArray:
        return display.pressures(kpa, system)

    unit = display.PRESSURE_UNIT[system]
    return [
        _line("Pressure", 1, _points(lines.pressure_kpa, tz, shown), palette.pressure, unit),
        _line(
            "Untrusted pressure", 1, _points(lines.doubted_kpa, tz, shown), palette.doubted, unit, dash=[3, 3]
        ),
    ]


def water(
    lines: UnitLines, system: System, tz: dt.tzinfo, palette: Palette, harmful_g: float
) -> list[dict[str, Any]]:
    """Water held, its band of uncertainty and the level from which it harms."""

    def shown(grams: FloatArray) -> FloatArray:
        return display.waters(grams, system)

    unit, digits = display.WATER_UNIT[system], display.WATER_DIGITS[system]
    low = _points(lines.water_low_g, tz, shown, 2)
    width = Line(lines.water_low_g.at_ms, lines.water_high_g.values - lines.water_low_g.values)
    harmful = {
        "silent": True,
        "symbol": "none",
        "lineStyle": {"color": palette.added, "type": "dashed"},
        "label": {"formatter": "harmful", "color": palette.ink, "position": "insideStartTop"},
        "data": [{"yAxis": round(display.water_value(harmful_g, system), 2)}],
    }
    hidden: dict[str, Any] = {"stack": "band", "silent": True, "tooltip": {"show": False}, "z": 1}
    return [
        _line("Low", 2, low, "transparent", unit, width=0, **hidden),
        _line(
            "Low to high",
            2,
            _points(width, tz, shown, 2),
            "transparent",
            unit,
            width=0,
            areaStyle={"color": palette.band, "opacity": 0.7},
            **hidden,
        ),
        _line(
            "Water held",
            2,
            _points(lines.water_g, tz, shown, 2),
            palette.water,
            unit,
            digits=digits,
            width=2.0,
            markLine=harmful,
        ),
    ]


def run_name(outcome: Outcome) -> str:
    """Name of an outcome's series, as the legend shows it."""
    return f"Run: {words.OUTCOMES[outcome]}"


def runs(
    runs: Sequence[Run], system: System, tz: dt.tzinfo, palette: Palette, now: dt.datetime
) -> list[dict[str, Any]]:
    """One mark a run at its peak, and its whole length shaded in every pane."""
    colours = {
        Outcome.DRIED_OUT: palette.dried,
        Outcome.HELD: palette.held,
        Outcome.ADDED_WATER: palette.added,
    }
    series = []
    for outcome, colour in colours.items():
        mine = [run for run in runs if run.outcome is outcome]
        spans = [(wall_instant_ms(run.start_at, tz), wall_instant_ms(run.end_at or now, tz)) for run in mine]
        marks = [
            [(start + end) // 2, round(display.temp_value(run.peak_temp_c, system), 1)]
            for run, (start, end) in zip(mine, spans, strict=True)
        ]
        series += [
            {
                "name": run_name(outcome),
                "type": "scatter",
                "xAxisIndex": pane,
                "yAxisIndex": pane,
                "symbol": OUTCOME_SYMBOLS[outcome],
                "symbolSize": 10,
                "itemStyle": {"color": colour, "borderColor": palette.surface, "borderWidth": 1},
                "data": marks if pane == 0 else [],
                "tooltip": {"show": False},
                "z": 5,
                "markArea": {
                    "silent": True,
                    "itemStyle": {"color": colour, "opacity": SHADE},
                    "data": [[{"xAxis": start}, {"xAxis": end}] for start, end in spans],
                },
            }
            for pane in range(3)
        ]
    return series


def wall_instant_ms(at: dt.datetime, tz: dt.tzinfo) -> int:
    """One instant, shifted likewise."""
    return int(wall_ms(np.array([display.ms_of(at)], dtype=np.int64), tz)[0])
