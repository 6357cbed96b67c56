"""Whether a controller repeats an old message under new times: nothing moves that must move. Compiled.

A parked cold unit may send the same values for days, and that proves nothing. A machine that turns, or hot
oil that does not cool to the last digit, can't.
"""

from __future__ import annotations

import math

from models.compiled import kernel
from models.state import Record

STALE_COLUMNS = ("still_min", "still_n", "ran", "temp_c", "pressure_kpa", "over_air_k", "unseen_h")
STANDING, MOVED, MOVED_UNSEEN = 1.0, 2.0, 3.0
FEWEST_REPEATS = 4.0
RUNNING_S = 900.0
"""Steady running on coarse sensors can repeat itself for minutes, not for this long."""
METER_STEPS = 2.5
"""A meter that counts a run steps within one step and a bit; two and a half without are no run."""
COOLING_S = 1200.0
COOLED_K = 4.0
"""Oil that must have cooled by so much, and has not by any digit; more than the coarsest step. [K]"""
SLOW_COOLING = 2.0
"""Cooling is granted twice the unit's own time, for shelter and sunshine."""
HEARD_SHARE = 0.9
UNSEEN_H = 0.25
OVER_AIR_K = 20.0
OVER_AIR_HEATED_K = 45.0
"""A sump heater keeps oil 15 to 30 K above the air (common practice), as steadily as its thermostat does."""


@kernel
def _over_air_k(s: Record) -> float:
    """How much hotter than the air the repeated temperature is at the least; NaN where unknown. [K]"""
    return float(s.seen_c - s.ambient_c - 2.0 * math.sqrt(s.ambient_var))


@kernel
def _must_have_moved(s: Record, c: Record) -> bool:
    if s.running > 0.0 and s.confirmed > 0.0 and math.isnan(s.pending_t):
        needed_s = RUNNING_S
        if s.meter_belief >= 0.5 and not math.isnan(s.seen_h):
            needed_s = max(needed_s, METER_STEPS * s.step_h * 3600.0)
        return bool(s.still_s >= needed_s)
    over_k = _over_air_k(s)
    if s.running > 0.0 or not over_k > (OVER_AIR_HEATED_K if c.cold_kit > 0.0 else OVER_AIR_K):
        return False
    cooled_k = over_k * (1.0 - math.exp(-s.still_s / (SLOW_COOLING * s.cooling_s)))
    return s.still_s >= COOLING_S and cooled_k >= COOLED_K


@kernel
def _ran_unseen(s: Record, t: float, hours: float) -> bool:
    """Whether the meter has counted a run through a time in which readings came and showed nothing of it."""
    gained_h = hours - s.seen_h
    elapsed_s = t - s.changed_t
    heard = s.still_n >= FEWEST_REPEATS and s.still_s >= HEARD_SHARE * elapsed_s
    return bool(heard and gained_h >= max(UNSEEN_H, 2.0 * s.step_h) and 3600.0 * gained_h <= elapsed_s)


@kernel
def watch_still(s: Record, c: Record, t: float, dt: float, same: bool, hours: float) -> float:
    """Follow how long all values have stood still: `STANDING` when too long, `MOVED` when that is over.

    `MOVED_UNSEEN` when only the reading that ends it shows what was hidden. A silence counts no longer than
    `gap_s`: what was not said was not repeated.
    """
    if not same:
        told = s.still_told > 0.0
        return MOVED if told else MOVED_UNSEEN if _ran_unseen(s, t, hours) else 0.0
    s.still_s += min(dt, c.gap_s)
    s.still_n += 1.0
    due = s.still_told == 0.0 and s.still_n >= FEWEST_REPEATS and not math.isnan(s.seen_c)
    if due and _must_have_moved(s, c):
        s.still_told = 1.0
        return STANDING
    return 0.0


@kernel
def begin_again(s: Record) -> None:
    """Values move: count from here."""
    s.still_s = 0.0
    s.still_n = 0.0
    s.still_told = 0.0


@kernel
def still_row(s: Record, t: float, kind: float, hours: float, row: Record) -> None:
    """What has been repeated since when."""
    row.kind = kind
    row.t = t
    row.run_start_t = s.start_t if s.running > 0.0 else math.nan
    row.since_t = s.changed_t
    f = row.features
    f[0] = s.still_s / 60.0
    f[1] = s.still_n
    f[2] = 1.0 if s.running > 0.0 else 0.0
    f[3] = s.seen_c
    f[4] = s.seen_kpa
    f[5] = _over_air_k(s)
    f[6] = 0.0 if math.isnan(hours - s.seen_h) else hours - s.seen_h
