"""The chart inside an e-mail: the deciding run, or water over the days that decided. Pure.

Figures are made without pyplot, so that mails can be composed in any thread.
"""

from __future__ import annotations

import datetime as dt
import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num
from matplotlib.figure import Figure
from numpy.typing import NDArray

from alerts.routing import UnitsSystem
from alerts.wording import duration, local_time, pressure, temperature, water, yard_zone
from ingest.profile import UnitProfile
from ingest.quality import Quality
from ingest.reading import FloatArray
from ingest.units_of_measure import GRAMS_PER_US_FLUID_OUNCE_WATER, f_from_c, psi_from_kpa
from models.overheat import REGION_C
from models.records import Finding, Pattern
from models.trace import Trace

DAYS_OF_WATER = dt.timedelta(days=10)
LONGEST_RUN = dt.timedelta(hours=6)
RUN_SHOWN = dt.timedelta(hours=1)
MARGIN = dt.timedelta(minutes=15)
SIZE_IN = (5.4, 3.7)
DOTS_PER_IN = 216
MOST_POINTS = 4000
"""A column of the picture can't show more."""

DRAWN = frozenset({"discharge_temp_c", "pressure_kpa"})
"""Signals that a picture of a run shows."""
MARK: dict[str, Any] = {"marker": "|", "markersize": 12, "markeredgewidth": 3, "linestyle": "none"}
TICKS = ["%Y", "%b", "%b %d", "%H:%M", "%H:%M", "%S"]
FIRSTS = ["", "%Y", "%b %d", "%b %d", "%H:%M", "%H:%M"]
OFFSETS = ["", "", "", "%b %d, %Y", "%b %d, %Y", "%b %d, %Y %H:%M"]
"""How the time axis is lettered, from years down to seconds; firsts of each; what its end says."""

BLUE, RED, TEAL, GREY, AMBER, INK = "#1f5fbf", "#c0392b", "#0b7a75", "#8a94a3", "#d98e04", "#1c2430"


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A PNG with the words for those who can't see it."""

    png: bytes
    alt: str
    caption: str


def window(finding: Finding, until: dt.datetime) -> tuple[dt.datetime, dt.datetime]:
    """Which stretch of the signals shows why: start and end; none are asked for from after `until`."""
    if finding.pattern is Pattern.SHORT_CYCLING:
        end_at = min(finding.end_at or until, until)
        return end_at - DAYS_OF_WATER, end_at
    flagged_at = finding.first_flagged_at
    # A finding that goes on over several runs names the newest of them, which may begin after the flag.
    run_start_at = finding.run_start_at or finding.start_at
    start_at = max(run_start_at, flagged_at - LONGEST_RUN)
    end_at = max(flagged_at, start_at + RUN_SHOWN) + MARGIN
    return start_at - MARGIN, max(min(end_at, until), start_at)


def draw(finding: Finding, trace: Trace, profile: UnitProfile, units_system: UnitsSystem) -> Picture | None:
    """The chart for a finding from the signals around it; None when there are too few to draw."""
    if len(trace.readings) < 2 or not _tells(finding):
        return None
    if finding.pattern is Pattern.SHORT_CYCLING:
        return _water(finding, trace, profile, units_system)
    return _run(finding, trace, profile, units_system)


def _tells(finding: Finding) -> bool:
    """Whether the signals drawn have to do with it: of a failed humidity sensor they show nothing."""
    return not finding.signals or not DRAWN.isdisjoint(finding.signals)


def _water(finding: Finding, trace: Trace, profile: UnitProfile, units_system: UnitsSystem) -> Picture:
    scale = GRAMS_PER_US_FLUID_OUNCE_WATER if units_system == "us" else 1.0
    unit = "fl oz" if units_system == "us" else "g"
    rows, at = _rows_and_times(trace)
    figure = Figure(figsize=SIZE_IN, dpi=DOTS_PER_IN, facecolor="white", layout="constrained")
    axes = figure.subplots()
    low, high = trace.water_low_g[rows] / scale, trace.water_high_g[rows] / scale
    axes.fill_between(at, low, high, color=BLUE, alpha=0.18, linewidth=0, label="estimate, low to high")
    axes.plot(at, trace.water_g[rows] / scale, color=BLUE, linewidth=2, label="water held")
    runs = _spans(trace.running)
    for start, stop in runs:
        hot = bool(trace.hot[start:stop].any())
        _mark_run(axes, trace, start, stop, hot=hot)
    axes.plot([], [], color=RED, label="run, never hot", **MARK)
    axes.plot([], [], color=TEAL, label="run, hot", **MARK)
    axes.set_ylim(bottom=0)
    axes.set_ylabel(f"water in the sump [{unit}]", color=INK)
    _finish(axes, finding, trace, profile)
    _legend(figure, axes)
    cold = sum(not trace.hot[start:stop].any() for start, stop in runs)
    last_g = _last(trace.water_g)
    alt = (
        f"Water held in the sump over {_span(at)}, at the end {water(last_g, units_system)}. "
        f"Runs marked: {len(runs)}, of which {cold} never got hot."
    )
    flagged = local_time(finding.first_flagged_at, profile.tz, units_system)
    caption = (
        "Estimated water in the sump. Marks at the bottom are runs: red ones never got hot, green ones did. "
        f"First flagged {flagged}{_dotted(finding, trace)}."
    )
    return Picture(png=_png(figure), alt=alt, caption=caption)


def _run(finding: Finding, trace: Trace, profile: UnitProfile, units_system: UnitsSystem) -> Picture:
    us = units_system == "us"
    rows, at = _rows_and_times(trace)
    temp_c, required_c = trace.readings.discharge_temp_c[rows], trace.required_temp_c[rows]
    kpa, old = trace.readings.pressure_kpa[rows], (trace.quality[rows] & int(Quality.REPEATED)) != 0
    trusted = trace.pressure_trusted[rows] & ~old
    figure = Figure(figsize=SIZE_IN, dpi=DOTS_PER_IN, facecolor="white", layout="constrained")
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    heat = f_from_c(temp_c) if us else temp_c
    above.plot(at, np.where(old, np.nan, heat), color=RED, linewidth=2, label="discharge")
    if old.any():
        above.plot(at, np.where(old, heat, np.nan), color=AMBER, linewidth=2)
    above.plot(
        at,
        f_from_c(required_c) if us else required_c,
        color=INK,
        linewidth=1.5,
        linestyle="--",
        label="required",
    )
    if finding.pattern is Pattern.OVERHEATING:
        region = f_from_c(REGION_C) if us else REGION_C
        above.axhline(region, color=RED, linewidth=1.5, linestyle=":", label="shutdown region from")
    above.set_ylabel(f"temperature [{'°F' if us else '°C'}]", color=INK)
    shown = psi_from_kpa(kpa) if us else kpa
    below.plot(at, np.where(trusted, shown, np.nan), color=BLUE, linewidth=2, label="sump pressure")
    if not trusted.all():
        below.plot(
            at, np.where(trusted, np.nan, shown), color=AMBER, linewidth=2, label="reading not trusted"
        )
    # The rated pressure is in view, so that a sensor stuck near zero looks as wrong as it is.
    rated = psi_from_kpa(profile.max_pressure_kpa) if us else profile.max_pressure_kpa
    below.update_datalim([(at[0].astype(float), 0.0), (at[0].astype(float), 1.05 * rated)], updatex=False)
    below.autoscale_view()
    below.set_ylabel(f"pressure [{'psi' if us else 'kPa'}]", color=INK)
    for axes in (above, below):
        for start, stop in _spans(trace.running[rows]):
            axes.axvspan(at[start], at[stop - 1], color=GREY, alpha=0.14, linewidth=0)
        _finish(axes, finding, trace, profile)
    below.plot([], [], color=GREY, alpha=0.3, linewidth=8, label="running")
    _legend(figure, above, below)
    alt = _run_alt(trace, temp_c, required_c, kpa, units_system)
    flagged = local_time(finding.first_flagged_at, profile.tz, units_system)
    what = "The run behind it" if finding.run_start_at is not None else "The hours before it was noticed"
    caption = f"{what}. First flagged {flagged}{_dotted(finding, trace)}."
    return Picture(png=_png(figure), alt=alt, caption=caption)


def _run_alt(
    trace: Trace, temp_c: FloatArray, required_c: FloatArray, kpa: FloatArray, units_system: UnitsSystem
) -> str:
    low, high = _least(kpa), _most(kpa)
    doubt = "" if trace.pressure_trusted.all() else ", partly not to be trusted"
    repeated = bool((trace.quality & int(Quality.REPEATED)).any())
    old = " Part of it is old messages sent again." if repeated else ""
    return (
        f"Discharge temperature peaks at {temperature(_most(temp_c), units_system)} against "
        f"{temperature(_most(required_c), units_system)} required. Sump pressure reads "
        f"{pressure(low, units_system)} to {pressure(high, units_system)}{doubt}.{old}"
    )


def _rows_and_times(trace: Trace) -> tuple[NDArray[np.int64], NDArray[np.datetime64]]:
    count = len(trace.readings)
    step = max(-(-count // MOST_POINTS), 1)
    rows = np.arange(0, count, step)
    return rows, trace.readings.observed_at_ms[rows].astype("datetime64[ms]")


def _spans(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First row and row after the last of every stretch of true flags."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]


def _mark_run(axes: Axes, trace: Trace, start: int, stop: int, *, hot: bool) -> None:
    # A mark of fixed width: on the scale of days a run of a few minutes would be too thin to see.
    middle = trace.readings.observed_at_ms[[(start + stop) // 2]].astype("datetime64[ms]")
    axes.plot(
        middle,
        (0.04,),
        transform=axes.get_xaxis_transform(),
        color=TEAL if hot else RED,
        **MARK,
    )


def _in_view(finding: Finding, trace: Trace) -> bool:
    at_ms = trace.readings.observed_at_ms
    return bool(at_ms[0] <= finding.first_flagged_at.timestamp() * 1000 <= at_ms[-1])


def _dotted(finding: Finding, trace: Trace) -> str:
    return " (dotted line)" if _in_view(finding, trace) else ""


def _finish(axes: Axes, finding: Finding, trace: Trace, profile: UnitProfile) -> None:
    zone = yard_zone(profile.tz)
    # The library's dates module carries no types: hence the three exceptions below.
    locator = AutoDateLocator(tz=zone, minticks=3, maxticks=7)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    letters = ConciseDateFormatter(  # type: ignore[no-untyped-call]
        locator, tz=zone, formats=TICKS, zero_formats=FIRSTS, offset_formats=OFFSETS
    )
    axes.xaxis.set_major_formatter(letters)
    if _in_view(finding, trace):
        flagged = date2num(finding.first_flagged_at)  # type: ignore[no-untyped-call]
        axes.axvline(flagged, color=INK, linestyle=":")
    axes.grid(visible=True, color="#e3e7ec", linewidth=0.8)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(colors=INK, labelsize=10)


def _legend(figure: Figure, *axes: Axes) -> None:
    pairs = [one.get_legend_handles_labels() for one in axes]
    handles = [handle for found, _ in pairs for handle in found]
    labels = [label for _, found in pairs for label in found]
    figure.legend(handles, labels, loc="outside upper left", ncols=3, frameon=False, fontsize=10)


def _png(figure: Figure) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png")
    return buffer.getvalue()


def _span(at: NDArray[np.datetime64]) -> str:
    return duration(dt.timedelta(milliseconds=float((at[-1] - at[0]) / np.timedelta64(1, "ms"))))


def _finite(values: FloatArray) -> FloatArray:
    return values[np.isfinite(values)]


def _most(values: FloatArray) -> float:
    return float(_finite(values).max(initial=-np.inf)) if _finite(values).size else float("nan")


def _least(values: FloatArray) -> float:
    return float(_finite(values).min(initial=np.inf)) if _finite(values).size else float("nan")


def _last(values: FloatArray) -> float:
    return float(_finite(values)[-1]) if _finite(values).size else float("nan")
