"""How long a unit may be silent: the setting, and what its own habits explain.

A truck that reports only while its key is on is silent every weekend, one that works every other week is
silent for days. Gaps that come again are a habit; a single one is not. Compiled.
"""

from __future__ import annotations

import math

from models.compiled import kernel
from models.state import N_GAPS, Record

SILENCE_COLUMNS = ("limit_s", "usual_gap_s", "temp_c", "ran")
HABIT_S = 90.0 * 86400.0
"""Habits change with the season: gaps longer ago say nothing."""
HABIT_RATIO = 2.0


@kernel
def usual_gap_s(s: Record) -> float:
    """Second longest of the lately remembered gaps: the longest that has come more than once; else 0. [s]"""
    longest_s = 0.0
    second_s = 0.0
    for i in range(N_GAPS):
        if s.gap_ended_t[i] >= s.t - HABIT_S:
            second_s = max(second_s, min(longest_s, s.gap_long_s[i]))
            longest_s = max(longest_s, s.gap_long_s[i])
    return second_s


@kernel
def limit_s(s: Record, c: Record) -> float:
    """Silence after the newest reading that is still usual, whole seconds. [s]"""
    own_s: float = math.ceil(HABIT_RATIO * usual_gap_s(s))
    return max(float(c.silent_s), own_s)


@kernel
def note_gap(s: Record, c: Record, t: float, dt: float) -> None:
    """Remember a gap that ends now, if its like could widen the limit; the oldest one gives way."""
    if HABIT_RATIO * dt <= c.silent_s:
        return
    oldest = 0
    for i in range(N_GAPS):
        if math.isnan(s.gap_ended_t[i]):
            oldest = i
            break
        if s.gap_ended_t[i] < s.gap_ended_t[oldest]:
            oldest = i
    s.gap_ended_t[oldest] = t
    s.gap_long_s[oldest] = dt


@kernel
def silence_row(s: Record, c: Record, t: float, kind: float, row: Record) -> None:
    """The silence after the newest reading: what was known when it began."""
    row.kind = kind
    row.t = t
    row.run_start_t = math.nan
    row.since_t = s.t
    f = row.features
    f[0] = limit_s(s, c)
    f[1] = usual_gap_s(s)
    f[2] = s.temp_c
    f[3] = 1.0 if s.running > 0.0 and s.confirmed > 0.0 and math.isnan(s.pending_t) else 0.0
