"""How sure it is that a run was one: what pressure, warming and hour meter each say, weighed together.

Each witness adds to or takes from the logarithm of the odds, in natural units: 3 is odds of 20 to 1. A
witness that is not there, or known to lie, says nothing. The weights are judgement, checked against simulated
truth; they are not fitted. Compiled; called when a run is described.
"""

from __future__ import annotations

import math

from models.compiled import kernel
from models.run_edges import meter_counts
from models.state import Record

PRIOR = -1.5
"""A moment picked because one witness spoke is more often a sensor's whim than a run, if no other joins
in."""
FILLED = 3.0
"""The sump filled from empty while it was watched: wrong only by a fault that imitates a fill."""
FOUND_CHARGED = 1.0
"""It was under pressure when looked at: ice and a stuck sensor show the same."""
DENIED = -1.5
"""A sensor that reads an empty sump for most of the run: ice, or no run."""
WARMED, WARMED_A_LITTLE = 3.0, 1.0
WARMED_K, WARMED_A_LITTLE_K = 8.0, 2.0
"""More than the truck's own engine or the sun adds in minutes; more than the noise of a sensor."""
STAYED_HOT = 1.5
"""Oil hot enough to have been heated, though it did not warm: a warm restart."""
STAYED_COLD = -3.0
STAYED_COLD_S = 300.0
"""A cold air end that turns this long warms."""
HOT_OVER_AIR_K = 25.0
STEPPED_ONCE, STEPPED = 2.0, 3.0
"""A single step may come late, from the run before; two are hours of this one."""
NEVER_STEPPED = -2.0
SILENT_STEPS = 1.4
MOSTLY = 0.6
SUREST, LEAST_SURE = 0.995, 0.02
"""Nothing that sensors say is certain, either way."""


@kernel
def _pressure_says(s: Record, lasted_s: float) -> float:
    if s.run_inferred > 0.0:
        return 0.0
    if s.run_rose > 0.0:
        return FILLED
    if s.run_low_s > MOSTLY * lasted_s:
        return DENIED
    return FOUND_CHARGED if s.pressure_up > 0.0 and s.run_distrust_s == 0.0 else 0.0


@kernel
def _oil_says(s: Record, lasted_s: float) -> float:
    if s.run_rise_k >= WARMED_K:
        return WARMED
    if s.run_rise_k >= WARMED_A_LITTLE_K:
        return WARMED_A_LITTLE
    if s.start_temp_c - s.ambient_c >= HOT_OVER_AIR_K:
        return STAYED_HOT
    return STAYED_COLD if lasted_s > STAYED_COLD_S and s.run_inferred == 0.0 else 0.0


@kernel
def _meter_says(s: Record, lasted_s: float) -> float:
    if not meter_counts(s):
        return 0.0
    if s.run_steps >= 2.0:
        return STEPPED
    if s.run_steps >= 1.0:
        return STEPPED_ONCE
    return NEVER_STEPPED if lasted_s > SILENT_STEPS * s.step_h * 3600.0 else 0.0


@kernel
def run_confidence(s: Record) -> float:
    """Probability that the air end turned in the run in hand, or the one just closed. [0-1]"""
    lasted_s = max(s.run_last_t - s.start_t, 0.0)
    odds = PRIOR + _pressure_says(s, lasted_s) + _oil_says(s, lasted_s) + _meter_says(s, lasted_s)
    return min(max(1.0 / (1.0 + math.exp(-odds)), LEAST_SURE), SUREST)
