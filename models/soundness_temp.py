"""Whether the discharge temperature can be believed: it leaps, or stands where it must move. Compiled."""

from __future__ import annotations

import math

from ingest.quality import Quality
from models.compiled import kernel
from models.signals import LEAP_K_PER_S
from models.state import Record
from models.verdicts import GOOD_N, JUMPING, SOUND, STUCK, TEMP, blame, clear

SWAPPED_BIT, RESET_BIT = int(Quality.UNIT_SWAPPED), int(Quality.METER_RESET)

TEMP_MOVED_K = 1.0
"""The coarsest last digit (SAE J1939, a byte a temperature; from memory)."""
RUN_STUCK_S = 900.0
COLD_START_C = 45.0
"""Below it a quarter of an hour's running warms oil by many kelvins; above, it may be in balance already."""
OTHERS_MOVED_N = 5.0
"""Readings in which something else moved: an old message over again proves nothing."""
LEAP_K, LEAP_S = 40.0, 60.0
"""Between two readings a minute apart at most: away from what any oil could have come to."""
LEAPT_STILL_S = 600.0
"""Oil in balance may keep within a digit for some minutes; after a leap of its own it does not."""
JUMP_K, JUMPS, JUMP_WINDOW_S = 15.0, 6.0, 1800.0
"""A loose plug lets go again and again (common practice); a lone leap is a glitch."""


@kernel
def _other_time(s: Record, c: Record, flags: int) -> bool:
    """Whether everything leaps, not the temperature alone: the clock was set, or a message came again."""
    full = 1.0 if s.pressure_kpa > c.on_kpa else 0.0 if s.pressure_kpa < c.off_kpa else 0.5
    emptied_or_filled = abs(full - s.lone_full) == 1.0
    s.lone_full = full
    return bool(emptied_or_filled or s.time_broke > 0.0 or flags & RESET_BIT != 0)


@kernel
def _leap(s: Record, c: Record, t: float, temp_c: float, flags: int) -> None:
    """Note leaps that no oil can make; a repeated message is left out, for it tells of another time.

    A change of the unit of measure, once seen through, was no leap, nor was what led up to it.
    """
    swapped = float(flags & SWAPPED_BIT)
    if swapped != s.lone_swapped:
        s.leap_t = math.nan
        s.jump_n = 0.0
        s.lone_t = math.nan
        s.lone_swapped = swapped
    # A light machine warms by so much between two readings.
    step_k = abs(temp_c - s.lone_c) - LEAP_K_PER_S * (t - s.lone_t)
    near = not _other_time(s, c, flags) and t - s.lone_t <= LEAP_S
    if near and step_k >= JUMP_K:
        if not t - s.jump_t <= JUMP_WINDOW_S:
            s.jump_t = t
            s.jump_n = 0.0
        s.jump_n += 1.0
        s.jump_last_t = t
        if s.jump_n >= JUMPS:
            blame(s, t, TEMP, JUMPING, s.jump_t)
    if near and step_k >= LEAP_K and s.sensor_fault[TEMP] == SOUND:
        back = abs(temp_c - s.leap_from_c) < 0.5 * LEAP_K
        s.leap_t = math.nan if back else t
        s.leap_from_c = s.lone_c
    s.lone_c = temp_c
    s.lone_t = t


@kernel
def _temp_stuck_since(s: Record, c: Record, t: float) -> float:
    """Since when the temperature has stood where it can't have; NaN when it may be so. [Unix s]"""
    if s.others_n < OTHERS_MOVED_N:
        return math.nan
    # Leapt away and stayed to the digit: neither oil nor air does that.
    if s.leap_t >= s.temp_anchor_t and t - s.leap_t >= LEAPT_STILL_S:
        return float(s.leap_t)
    if s.running > 0.0:
        sure = s.confirmed > 0.0 and s.pressure_up > 0.0 and math.isnan(s.pending_t)
        cold = s.temp_anchor_c < COLD_START_C and s.temp_anchor_t < s.start_t
        return float(s.start_t) if sure and cold and t - s.start_t >= RUN_STUCK_S else math.nan
    return math.nan


@kernel
def watch_temp(s: Record, c: Record, t: float, temp_c: float, moved: bool, flags: int) -> None:
    """Take one temperature in: does it leap, does it stand? `moved`: some value of the reading is new."""
    if moved:
        _leap(s, c, t, temp_c, flags)
    if not abs(temp_c - s.temp_anchor_c) <= TEMP_MOVED_K:
        s.temp_anchor_c = temp_c
        s.temp_anchor_t = t
        s.others_n = 0.0
    elif moved:
        s.others_n += 1.0
    fault = s.sensor_fault[TEMP]
    if fault == STUCK and s.temp_anchor_t > s.sensor_since_t[TEMP] and s.others_n >= GOOD_N:
        clear(s, TEMP)
    if fault == JUMPING and t - s.jump_last_t > JUMP_WINDOW_S:
        clear(s, TEMP)
    since_t = _temp_stuck_since(s, c, t)
    if not math.isnan(since_t):
        blame(s, t, TEMP, STUCK, since_t)
