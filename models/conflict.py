"""Where the pressure sensor contradicts everything else, and for how long.

Four contradictions count: near zero while the air end certainly turns and the oil warms; charged long after
the stop; unmoved across a start that must have moved it; still creeping up minutes after a start that fills a
sump in seconds. Whether ice is the reason is for the pattern to judge. Compiled.
"""

from __future__ import annotations

import math

from models.compiled import kernel
from models.runs import COOLED_S
from models.state import (
    HIGH_WHILE_STOPPED,
    LOW_WHILE_RUNNING,
    NO_CONFLICT,
    SLOW_TO_FOLLOW,
    STUCK_ACROSS_EDGE,
    Record,
)

DOUBTED, RESOLVED = 1.0, 2.0

FILL_S = 180.0
"""Longest fill (published trade figures: seconds for the sump, half a minute with a large receiver)."""
BLOWDOWN_S = 300.0
"""Longest blowdown (common practice: 20-60 s, longer where foaming is held back)."""
STUCK_KPA = 35.0
"""Five pounds per square inch: a fill or a blowdown moves a sump by many times that (common practice)."""
AGREE_S = 60.0
"""So long a sensor must show what it should before it is trusted again: thawing ice lets go and sticks."""
MINUTE_S = 60.0
CREEP_KPA = 20.0
"""Least rise a minute of a pressure that creeps after its true value. [kPa]"""
CREEPING_RATIO = 0.75
"""Of the rated pressure: one that has got so far has arrived, as a sump at work may (assumption). [-]"""
CREEP_S = 240.0
CREEP_SURE_S = 60.0
"""A large receiver, or tools drawn on from the start, can slow a sound sensor's rise for a little longer."""
APART_S = 900.0
"""Contradictions further apart than this are two."""
ENOUGH_READINGS = 3
"""One odd message, or two, are no contradiction however far apart they lie."""
FIRST_MARKS_S, LATER_MARKS_S, FIRST_S = 120.0, 600.0, 1800.0
"""How often a contradiction is judged, in its first half hour and then: what is not ice by then is seldom so
later."""


@kernel
def _kind(s: Record, c: Record, t: float) -> float:
    if s.running > 0.0:
        if t - s.start_t < FILL_S or s.confirmed < 1.0 or not math.isnan(s.pending_t):
            return NO_CONFLICT
        if s.pressure_kpa < c.on_kpa:
            # Oil that cools, and no step of the meter since: what is not seen to turn contradicts nothing.
            return LOW_WHILE_RUNNING if t - s.peak_t <= COOLED_S else NO_CONFLICT
        if s.climbing > 0.0 and t - s.start_t > CREEP_S and s.pressure_kpa < CREEPING_RATIO * c.max_kpa:
            return SLOW_TO_FOLLOW
        unmoved = s.anchor_t < s.start_t and abs(s.pressure_kpa - s.before_start_kpa) < STUCK_KPA
        return STUCK_ACROSS_EDGE if unmoved else NO_CONFLICT
    if not math.isnan(s.stop_t) and t - s.stop_t > BLOWDOWN_S and s.pressure_kpa > c.on_kpa:
        return HIGH_WHILE_STOPPED
    return NO_CONFLICT


@kernel
def _watch_climb(s: Record, t: float) -> None:
    """Keep track of whether pressure has crept up without a break since the start of the run in hand."""
    if s.running == 0.0:
        s.climbing = 0.0
        s.minute_t = math.nan
        return
    if math.isnan(s.minute_t) or s.minute_t < s.start_t:
        s.minute_t = t
        s.minute_kpa = s.pressure_kpa
        s.climbing = 1.0
    elif t - s.minute_t >= MINUTE_S:
        if s.pressure_kpa - s.minute_kpa < CREEP_KPA * (t - s.minute_t) / MINUTE_S:
            s.climbing = 0.0
        s.minute_t = t
        s.minute_kpa = s.pressure_kpa


@kernel
def _sound(s: Record, c: Record, t: float) -> bool:
    """Whether the sensor shows now what it must show, in a state that could contradict it."""
    if s.running > 0.0 and math.isnan(s.pending_t):
        return s.pressure_kpa > c.on_kpa and s.anchor_t > s.start_t and s.climbing == 0.0
    return s.conflict_kind == HIGH_WHILE_STOPPED and s.pressure_kpa < c.off_kpa


@kernel
def watch_pressure(s: Record, c: Record, t: float, dt: float, pressure_new: bool) -> float:
    """Follow the contradiction: `DOUBTED` asks for a judgement now, `RESOLVED` says it has come right."""
    if not pressure_new:
        return 0.0
    _watch_climb(s, t)
    kind = _kind(s, c, t)
    if kind != NO_CONFLICT:
        if s.conflict_kind == NO_CONFLICT or not t - s.conflict_seen_t <= APART_S:
            s.conflict_t = t
            s.conflict_s = 0.0
            s.conflict_n = 0.0
        s.conflict_n += 1.0
        s.conflict_seen_t = t
        s.conflict_kind = kind
        if s.conflict_n >= ENOUGH_READINGS:
            s.pressure_trusted = 0.0
        s.agree_s = 0.0
        before_s = s.conflict_s
        s.conflict_s += dt
        mark_s = FIRST_MARKS_S if s.conflict_s <= FIRST_S else LATER_MARKS_S
        due = math.floor(s.conflict_s / mark_s) > math.floor(before_s / mark_s)
        if kind == SLOW_TO_FOLLOW:
            due = due or before_s < CREEP_SURE_S <= s.conflict_s
        else:
            due = due or s.conflict_n == ENOUGH_READINGS
        return DOUBTED if due and s.conflict_n >= ENOUGH_READINGS else 0.0
    if s.conflict_kind != NO_CONFLICT and _sound(s, c, t):
        s.agree_s += dt
        if s.agree_s >= AGREE_S:
            s.pressure_trusted = 1.0
            s.agree_s = 0.0
            return RESOLVED
    return 0.0
