"""What speaks for a run and its edges: what pressure, oil and hour meter say, and how each edge was seen.

Each witness is a category. What a set of them is worth is learnt, not judged: `models.run_confidence`.
Compiled; called when a run is described.
"""

from __future__ import annotations

from models.compiled import kernel
from models.run_edges import meter_counts
from models.state import Record

NOTHING = 0.0
"""A witness that is not there, or known to lie."""
FILLED, FOUND, SILENT, WARMED, KEPT_HOT = 1.0, 2.0, 3.0, 4.0, 5.0
"""How a start was seen: by a fill that was watched, under way at the first reading, in a silence, by oil that
warms, or by steps of the meter while the oil stays hot."""
GOES_ON, BLEW_DOWN, COOLED = 1.0, 2.0, 4.0
"""How an end was seen, if it was: by a blowdown, in a silence (`SILENT`), or by oil that cools."""
CHARGED, DENIED = 2.0, 3.0
"""Pressure, beside `FILLED`: under pressure when looked at, as ice and a stuck sensor show too; or an empty
sump for most of the run, as ice shows."""
WARMED_MUCH, WARMED_A_LITTLE, STAYED_HOT, STAYED_COLD = 1.0, 2.0, 3.0, 4.0
WARMED_K, WARMED_A_LITTLE_K = 8.0, 2.0
"""More than the truck's own engine or the sun adds in minutes; more than the noise of a sensor."""
STAYED_COLD_S = 300.0
"""A cold air end that turns this long warms."""
HOT_OVER_AIR_K = 25.0
"""Oil hot enough to have been heated, though it did not warm: a warm restart."""
STEPPED, STEPPED_ONCE, NEVER_STEPPED = 1.0, 2.0, 3.0
"""A single step may come late, from the run before; two are hours of this one."""
SILENT_STEPS = 1.4
MOSTLY = 0.6


@kernel
def _pressure_says(s: Record, lasted_s: float) -> float:
    if s.run_inferred > 0.0:
        return NOTHING
    if s.run_rose > 0.0:
        return FILLED
    if s.run_low_s > MOSTLY * lasted_s:
        return DENIED
    return CHARGED if s.pressure_up > 0.0 and s.run_distrust_s == 0.0 else NOTHING


@kernel
def _oil_says(s: Record, lasted_s: float) -> float:
    if s.run_rise_k >= WARMED_K:
        return WARMED_MUCH
    if s.run_rise_k >= WARMED_A_LITTLE_K:
        return WARMED_A_LITTLE
    if s.start_temp_c - s.ambient_c >= HOT_OVER_AIR_K:
        return STAYED_HOT
    return STAYED_COLD if lasted_s > STAYED_COLD_S and s.run_inferred == 0.0 else NOTHING


@kernel
def _meter_says(s: Record, lasted_s: float) -> float:
    if not meter_counts(s):
        return NOTHING
    if s.run_steps >= 2.0:
        return STEPPED
    if s.run_steps >= 1.0:
        return STEPPED_ONCE
    return NEVER_STEPPED if lasted_s > SILENT_STEPS * s.step_h * 3600.0 else NOTHING


@kernel
def describe_evidence(s: Record, row: Record) -> None:
    """Write what speaks for the run in hand, or the one just closed, into a row."""
    lasted_s = max(s.run_last_t - s.start_t, 0.0)
    row.pressure_says = _pressure_says(s, lasted_s)
    row.oil_says = _oil_says(s, lasted_s)
    row.meter_says = _meter_says(s, lasted_s)
    row.start_how = s.start_how
    row.end_how = s.end_how
