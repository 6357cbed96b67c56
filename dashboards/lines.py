"""A trace thinned to what a chart can show: about two thousand points a line, its extremes kept. Pure.

The thinning is MinMaxLTTB: extremes of each stretch first, then largest triangles three buckets
(Van Der Donckt and others, "MinMaxLTTB", IEEE VIS 2023).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from tsdownsample import MinMaxLTTBDownsampler

from dashboards.doubtful import Doubtful, doubtful
from dashboards.plausible import LeftOut, drawn, left_out, plausible, with_true_clock
from ingest.quality import Quality
from ingest.reading import FloatArray, IntArray
from models.trace import Trace

POINTS_A_LINE = 2000
GAP_MS = 600_000
"""Readings further apart than this are not joined by a line. [ms] Chosen: many times the usual period."""
NAN = float("nan")
_DOWNSAMPLER: Any = MinMaxLTTBDownsampler()  # type: ignore[no-untyped-call]  # no types in the library


@dataclass(frozen=True)
class Line:
    """Points of one line, ascending; NaN breaks it."""

    at_ms: IntArray
    values: FloatArray


@dataclass(frozen=True, kw_only=True)
class UnitLines:
    """Everything drawn on a unit's page, in house units."""

    discharge_c: Line
    required_c: Line
    dew_point_c: Line
    pressure_kpa: Line
    doubted_kpa: Line
    water_g: Line
    water_low_g: Line
    water_high_g: Line
    start_ms: int
    end_ms: int
    n_readings: int
    left_out: LeftOut
    doubtful: Doubtful


def unit_lines(trace: Trace, start_ms: int, end_ms: int, n_out: int = POINTS_A_LINE) -> UnitLines:
    """Lines of a trace for the span ``start_ms <= t < end_ms``; what is not plausible breaks them."""
    n_readings, left, doubts = len(trace.readings), left_out(trace), doubtful(trace)
    trace = with_true_clock(trace)
    at_ms = trace.readings.observed_at_ms
    gaps = gap_rows(at_ms)
    # A pressure that was sent before tells nothing of now, however sound its sensor is.
    kpa, repeated = drawn(trace, "pressure_kpa"), (trace.quality & int(Quality.REPEATED)) != 0
    trusted = trace.pressure_trusted & ~repeated
    low, high = trace.water_low_g, trace.water_high_g
    rows = _band_rows(trace.water_g, low, high, n_out)
    temp_c = drawn(trace, "discharge_temp_c")
    temp_ok, kpa_ok = plausible(trace, "discharge_temp_c"), plausible(trace, "pressure_kpa")
    temp_c, kpa = np.where(temp_ok, temp_c, NAN), np.where(kpa_ok, kpa, NAN)
    if len(at_ms) > n_out:
        temp_ok, kpa_ok = _with_short_stretches(at_ms, temp_ok), _with_short_stretches(at_ms, kpa_ok)
    return UnitLines(
        discharge_c=line(at_ms, temp_c, temp_ok, gaps=gaps, n_out=n_out),
        required_c=line(at_ms, trace.required_temp_c, gaps=gaps, n_out=n_out),
        dew_point_c=line(at_ms, trace.pressure_dew_point_c, gaps=gaps, n_out=n_out),
        pressure_kpa=line(at_ms, kpa, trusted & kpa_ok, gaps=gaps, n_out=n_out),
        doubted_kpa=line(at_ms, kpa, ~trusted & kpa_ok, gaps=gaps, n_out=n_out),
        water_g=_broken(at_ms, trace.water_g, rows, gaps, None),
        water_low_g=_broken(at_ms, low, rows, gaps, None),
        water_high_g=_broken(at_ms, high, rows, gaps, None),
        start_ms=start_ms,
        end_ms=end_ms,
        n_readings=n_readings,
        left_out=left,
        doubtful=doubts,
    )


def _with_short_stretches(at_ms: IntArray, kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The kept rows and those between two of them no further apart than `GAP_MS`.

    In a thinned line one row out of many would else open a gap as wide as the stretch between two points,
    and a sensor with a spike in every stretch would leave no line at all.
    """
    if kept.all() or not kept.any():
        return kept
    rows = np.flatnonzero(kept)
    after = np.searchsorted(rows, np.arange(len(kept)))
    inside = (after > 0) & (after < len(rows))
    next_ms = at_ms[rows[np.minimum(after, len(rows) - 1)]]
    return kept | (inside & (next_ms - at_ms[rows[np.maximum(after - 1, 0)]] <= GAP_MS))


def readings_words(n_readings: int, *, thinned: bool = True) -> str:
    """How many readings there are, and that not all are drawn where so many can't be seen."""
    counted = f"{n_readings:,} reading{'' if n_readings == 1 else 's'}"
    if not thinned:
        return counted
    return (
        f"{counted}; lines are thinned to what the screen can show."
        if n_readings > POINTS_A_LINE
        else f"{counted}."
    )


def gap_rows(at_ms: IntArray) -> NDArray[np.intp]:
    """Rows that come more than `GAP_MS` after the one before."""
    return np.flatnonzero(np.diff(at_ms) > GAP_MS) + 1


def line(
    at_ms: IntArray,
    values: FloatArray,
    shown: NDArray[np.bool_] | None = None,
    *,
    gaps: NDArray[np.intp] | None = None,
    n_out: int = POINTS_A_LINE,
) -> Line:
    """One line of at most about `n_out` points, broken where readings are missing or not `shown`.

    Parameters
    ----------
    at_ms, values : arrays, shape (n,)
        [Unix ms], ascending; NaN where not reported.
    shown : array, shape (n,), optional
        Rows that belong to this line; None: all.
    gaps : array, optional
        `gap_rows(at_ms)` where it is known already.
    n_out : int
        Points kept, at least 4.
    """
    wanted = np.isfinite(values) if shown is None else np.isfinite(values) & shown
    breaks = gap_rows(at_ms) if gaps is None else gaps
    if wanted.all():
        return _broken(at_ms, values, thinned(at_ms, values, n_out), breaks, None)
    rows = np.flatnonzero(wanted)
    kept = rows[thinned(at_ms[rows], values[rows], n_out)]
    return _broken(at_ms, values, kept, breaks, None if shown is None else np.flatnonzero(~shown))


def thinned(at_ms: IntArray, values: FloatArray, n_out: int) -> NDArray[np.intp]:
    """Ascending row numbers of the points that keep the line's look; all when there are few."""
    if len(at_ms) <= n_out:
        return np.arange(len(at_ms))
    even = n_out - n_out % 2
    rows = _DOWNSAMPLER.downsample(np.ascontiguousarray(at_ms), np.ascontiguousarray(values), n_out=even)
    return np.asarray(rows, dtype=np.intp)


def _band_rows(mid: FloatArray, low: FloatArray, high: FloatArray, n_out: int) -> NDArray[np.intp]:
    """Rows shared by three lines, so that the band between two of them closes."""
    finite = np.flatnonzero(np.isfinite(mid + low + high))
    each = [
        thinned(finite.astype(np.int64), values[finite], max(n_out // 3, 4)) for values in (mid, low, high)
    ]
    return finite[np.unique(np.concatenate(each))]


def _broken(
    at_ms: IntArray,
    values: FloatArray,
    rows: NDArray[np.intp],
    gaps: NDArray[np.intp],
    hidden: NDArray[np.intp] | None,
) -> Line:
    """The chosen rows, with a NaN where a gap or hidden rows lie between two of them."""
    if len(rows) == 0:
        return Line(np.empty(0, dtype=np.int64), np.empty(0))
    chosen_ms = at_ms[rows]
    cut = np.diff(np.searchsorted(gaps, rows, side="right")) > 0
    if hidden is not None:
        cut |= np.diff(np.searchsorted(hidden, rows)) > 0
    places = np.flatnonzero(cut) + 1
    return Line(np.insert(chosen_ms, places, chosen_ms[places - 1] + 1), np.insert(values[rows], places, NAN))
