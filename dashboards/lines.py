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

from ingest.reading import FloatArray, IntArray
from models.trace import Trace

POINTS_A_LINE = 2000
GAP_MS = 600_000
"""Readings further apart than this are not joined by a line. [ms] Chosen: many times the usual period."""
NAN = float("nan")
_DOWNSAMPLER: Any = MinMaxLTTBDownsampler()  # type: ignore[no-untyped-call]


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


def unit_lines(trace: Trace, start_ms: int, end_ms: int, n_out: int = POINTS_A_LINE) -> UnitLines:
    """Lines of a trace for the span ``start_ms <= t < end_ms``."""
    at_ms = trace.readings.observed_at_ms
    kpa, trusted = trace.readings.pressure_kpa, trace.pressure_trusted
    low, high = trace.water_low_g, trace.water_high_g
    rows = _band_rows(trace.water_g, low, high, n_out)
    return UnitLines(
        discharge_c=line(at_ms, trace.readings.discharge_temp_c, n_out=n_out),
        required_c=line(at_ms, trace.required_temp_c, n_out=n_out),
        dew_point_c=line(at_ms, trace.pressure_dew_point_c, n_out=n_out),
        pressure_kpa=line(at_ms, kpa, trusted, n_out=n_out),
        doubted_kpa=line(at_ms, kpa, ~trusted, n_out=n_out),
        water_g=_broken(at_ms, trace.water_g, rows, np.zeros(len(at_ms), dtype=np.int64)),
        water_low_g=_broken(at_ms, low, rows, np.zeros(len(at_ms), dtype=np.int64)),
        water_high_g=_broken(at_ms, high, rows, np.zeros(len(at_ms), dtype=np.int64)),
        start_ms=start_ms,
        end_ms=end_ms,
        n_readings=len(at_ms),
    )


def line(
    at_ms: IntArray, values: FloatArray, shown: NDArray[np.bool_] | None = None, *, n_out: int = POINTS_A_LINE
) -> Line:
    """One line of at most about `n_out` points, broken where readings are missing or not `shown`.

    Parameters
    ----------
    at_ms, values : arrays, shape (n,)
        [Unix ms], ascending; NaN where not reported.
    shown : array, shape (n,), optional
        Rows that belong to this line; None: all.
    n_out : int
        Points kept, at least 4.
    """
    hidden = np.zeros(len(at_ms), dtype=bool) if shown is None else ~shown
    finite = np.flatnonzero(np.isfinite(values) & ~hidden)
    kept = finite[thinned(at_ms[finite], values[finite], n_out)]
    return _broken(at_ms, values, kept, np.cumsum(hidden))


def thinned(at_ms: IntArray, values: FloatArray, n_out: int) -> NDArray[np.intp]:
    """Ascending row numbers of the points that keep the line's look; all when there are few."""
    if len(at_ms) <= n_out:
        return np.arange(len(at_ms))
    even = n_out - n_out % 2
    rows = _DOWNSAMPLER.downsample(np.ascontiguousarray(at_ms), np.ascontiguousarray(values), n_out=even)
    return np.asarray(rows, dtype=np.intp)


def _band_rows(mid: FloatArray, low: FloatArray, high: FloatArray, n_out: int) -> NDArray[np.intp]:
    """Rows shared by three lines, so that the band between two of them closes."""
    finite = np.flatnonzero(np.isfinite(mid) & np.isfinite(low) & np.isfinite(high))
    each = [
        thinned(finite.astype(np.int64), values[finite], max(n_out // 3, 4)) for values in (mid, low, high)
    ]
    return finite[np.unique(np.concatenate(each))]


def _broken(at_ms: IntArray, values: FloatArray, rows: NDArray[np.intp], hidden_before: IntArray) -> Line:
    """The chosen rows, with a NaN where a gap or hidden rows lie between two of them."""
    if len(rows) == 0:
        return Line(np.empty(0, dtype=np.int64), np.empty(0))
    silent_before = np.cumsum(np.diff(at_ms, prepend=at_ms[:1]) > GAP_MS)
    chosen_ms = at_ms[rows]
    cut = np.diff(silent_before[rows]) + np.diff(hidden_before[rows]) > 0
    places = np.flatnonzero(cut) + 1
    return Line(np.insert(chosen_ms, places, chosen_ms[places - 1] + 1), np.insert(values[rows], places, NAN))
