"""Which values of a trace may be drawn: what can't be right must not bend an axis nor join a line. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dashboards import display
from ingest.quality import OUT_OF_RANGE, RANGES, Quality
from ingest.reading import FloatArray, IntArray
from models.trace import Trace

_AGAINST = {**OUT_OF_RANGE, "pressure_kpa": OUT_OF_RANGE["pressure_kpa"] | Quality.PRESSURE_AMBIGUOUS}


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """Instants of values that are not drawn; shape (n,) each, ascending. [Unix ms]"""

    discharge_at_ms: IntArray
    pressure_at_ms: IntArray
    n_wrong_clock: int

    @property
    def counts(self) -> dict[str, int]:
        """How many values of each kind, and whole readings whose clock was wrong."""
        return {
            "discharge_temp_c": len(self.discharge_at_ms),
            "pressure_kpa": len(self.pressure_at_ms),
            "wrong_clock": self.n_wrong_clock,
        }


def with_true_clock(trace: Trace) -> Trace:
    """The trace without the rows whose clock was wrong; itself when there are none."""
    wrong = ((trace.quality | trace.readings.quality) & int(Quality.CLOCK_WRONG)) != 0
    if not wrong.any():
        return trace
    rows = ~wrong
    columns = {name: column[rows] for name, column in vars(trace).items() if name != "readings"}
    return replace(trace, readings=trace.readings[rows], **columns)


def drawn(trace: Trace, signal: str) -> FloatArray:
    """Values to draw of a signal, shape (n,): as they came, or as converted from another unit of measure."""
    came: FloatArray = getattr(trace.readings, signal)
    taken: FloatArray = getattr(trace, signal)
    swapped = ((trace.quality & int(Quality.UNIT_SWAPPED)) != 0) & np.isfinite(taken)
    return np.where(swapped, taken, came)


def plausible(trace: Trace, signal: str) -> NDArray[np.bool_]:
    """Rows, shape (n,), in which nothing speaks against a signal; a value that was not reported counts."""
    low, high = RANGES[signal]
    values = drawn(trace, signal)
    flagged = (trace.quality & int(_AGAINST[signal])) != 0
    impossible = (values < low) | (values > high)
    # Only reported values are left out: a flag on a row without one has nothing to hide.
    against: NDArray[np.bool_] = np.isfinite(values) & flagged | np.isinf(values) | impossible
    return ~against


def left_out(trace: Trace) -> LeftOut:
    """What is not drawn of a trace."""
    kept = with_true_clock(trace)
    at_ms = kept.readings.observed_at_ms
    return LeftOut(
        discharge_at_ms=at_ms[~plausible(kept, "discharge_temp_c")],
        pressure_at_ms=at_ms[~plausible(kept, "pressure_kpa")],
        n_wrong_clock=len(trace.readings) - len(kept.readings),
    )


def in_words(left: LeftOut) -> str:
    """One line for under the chart; empty when everything is drawn."""
    names = {
        "discharge_temp_c": ("discharge temperature", "discharge temperatures"),
        "pressure_kpa": ("sump pressure", "sump pressures"),
        "wrong_clock": ("reading with a wrong clock", "readings with a wrong clock"),
    }
    parts = [display.counted(n, *names[kind]) for kind, n in left.counts.items() if n]
    if not parts:
        return ""
    marked = "; marked \N{MULTIPLICATION SIGN} at the upper edge" if _marked(left) else ""
    return f"Left out as not plausible: {', '.join(parts)}{marked}."


def _marked(left: LeftOut) -> bool:
    return len(left.discharge_at_ms) + len(left.pressure_at_ms) > 0
