"""A run that no reading saw: the hour meter gained between two readings of a unit that stood at both.

It is credited as one run, with the times and the water that a unit warming as usual would have; how far that
may be wrong is in the errors of its edges, in the water's bounds and in a low confidence. Several runs in one
silence count as one. Compiled; called by the fold where no run is in hand.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import S_PER_H
from models import moisture, run_account, run_edges
from models.compiled import kernel
from models.run_edges import HELD_C, TYPICAL_K_PER_S
from models.run_evidence import SILENT
from models.runs import GLITCH_S
from models.state import Record

LONGEST_SILENCE_S = 12.0 * S_PER_H
"""Over a longer silence nobody can tell when it ran, or how often; only the water's bounds still tell of
it."""
WARMED_K = 2.0
"""Between two neighbouring readings a run leaves its warmth; without it the step came late or counts an
engine."""
SLOW, FAST = 1.0 / 3.0, 3.0
"""Warming of the heaviest, least loaded unit and of the lightest against the usual one. [-]"""
PIECES = 16
"""Of equal length, in which temperature is taken as constant."""


@kernel
def shows(s: Record, c: Record, t: float, dt: float, gained_h: float) -> bool:
    """Whether the meter's gain over the last `dt` seconds proves a run that nothing else showed.

    What may still turn is no hidden run: its start is found with the next reading.
    """
    if gained_h <= 0.0 or dt <= GLITCH_S or not run_edges.meter_counts(s):
        return False
    if dt > c.gap_s:
        return True
    _, most_s = run_edges.turned_s(s, t - dt, t, gained_h)
    return bool(most_s < dt and s.temp_c - s.temp_before_c >= WARMED_K)


@kernel
def began_and_ended(s: Record, c: Record, t: float, dt: float, gained_h: float) -> bool:
    """Whether it is over by now: the meter says so, and the pressure that the sump is empty."""
    if s.pressure_trusted < 1.0 or not s.pressure_kpa < c.off_kpa or not shows(s, c, t, dt, gained_h):
        return False
    _, most_s = run_edges.turned_s(s, t - dt, t, gained_h)
    return most_s < dt


@kernel
def _stood_c(s: Record, over_s: float) -> float:
    """What the unit would read had it only stood for `over_s` since the reading before. [degC]"""
    # With no reading before there is none to cool from: it stood as cold as the air.
    return float(run_edges.cooled_c(s, s.temp_before_c, over_s))


@kernel
def _place(s: Record, dt: float, lasted_s: float) -> float:
    """When it ended: as long ago as its warmth has had to fade, or in the middle of the silence. [Unix s]"""
    free_s = dt - lasted_s
    middle_t = s.t - 0.5 * free_s
    if s.temp_c - _stood_c(s, dt) < WARMED_K or s.temp_c - s.ambient_c < run_edges.LEAST_OVER_AIR_K:
        return float(middle_t)
    left_c = max(_run_c(s, _stood_c(s, 0.5 * free_s), lasted_s, 1.0), s.temp_c)
    stood_s = s.cooling_s * math.log((left_c - s.ambient_c) / (s.temp_c - s.ambient_c))
    return float(s.t - min(stood_s, free_s))


@kernel
def _run_c(s: Record, start_c: float, into_s: float, pace: float) -> float:
    return max(start_c, min(start_c + pace * TYPICAL_K_PER_S * into_s, HELD_C))


@kernel
def _carry_through(s: Record, c: Record, start_t: float, lasted_s: float, pace: float) -> None:
    """Take the account through the run at a pace of warming."""
    piece_s = lasted_s / PIECES
    start_c = s.start_temp_c
    for i in range(PIECES):
        s.temp_c = s.raw_c = s.run_last_c = _run_c(s, start_c, (i + 0.5) * piece_s, pace)
        run_account.turn(s, c, start_t + (i + 1.0) * piece_s, piece_s)


@kernel
def credit(s: Record, c: Record, t: float, dt: float, gained_h: float, row: Record) -> bool:
    """Book the hidden run; False when the silence is too long: then only the water is in more doubt."""
    least_s, most_s = run_edges.turned_s(s, t - dt, t, gained_h)
    lasted_s = min(0.5 * (least_s + most_s), dt)
    end_t = _place(s, dt, lasted_s)
    temp_c, raw_c, pressure_kpa, trusted = s.temp_c, s.raw_c, s.pressure_kpa, s.pressure_trusted
    own = dt <= LONGEST_SILENCE_S
    # To the whole second like every edge, and not before the silence.
    s.start_t = min(math.ceil(end_t - lasted_s), t)
    lasted_s = max(end_t - s.start_t, 0.0)
    s.start_error_s = s.end_error_s = dt - least_s
    s.start_how = s.end_how = SILENT
    s.temp_c = _stood_c(s, s.start_t - (t - dt))
    run_account.open_run(s, c, math.nan)
    s.start_temp_c = s.run_peak_c = s.temp_c
    s.run_inferred = 1.0
    # Nothing is known of the pressure: air at most and at least count as both possible.
    s.pressure_kpa, s.pressure_trusted = math.nan, 0.0
    before = (s.water_g, s.water_low_g, s.water_high_g)
    _carry_through(s, c, s.start_t, most_s, FAST)
    low_g = s.water_low_g
    s.water_g, s.water_low_g, s.water_high_g = before
    # So long a silence may hide any number of short runs, none of which warmed the oil.
    _carry_through(s, c, s.start_t, most_s, SLOW if own else 0.0)
    high_g = s.water_high_g
    s.water_g, s.water_low_g, s.water_high_g = before
    run_account.open_run(s, c, math.nan)
    s.start_temp_c = s.run_peak_c = s.run_last_c = _stood_c(s, s.start_t - (t - dt))
    s.run_inferred = 1.0
    if own:
        _carry_through(s, c, s.start_t, lasted_s, 1.0)
    s.water_low_g = min(s.water_low_g, low_g)
    s.water_high_g = max(s.water_high_g, high_g)
    s.pressure_kpa, s.pressure_trusted = pressure_kpa, trusted
    s.temp_c, s.raw_c = temp_c, raw_c
    if not own:
        return False
    s.run_rise_k = max(temp_c - _stood_c(s, dt), 0.0)
    s.run_steps = gained_h / s.step_h
    s.confirmed, s.pressure_up = 1.0, 0.0
    s.run_distrust_s = lasted_s
    s.run_readings = 1.0
    return run_account.close_run(s, c, t, end_t, row)


@kernel
def note_unwatched(s: Record, c: Record, gained_h: float) -> None:
    """Hours by the meter of a unit whose temperature never came: the wet bound takes all that air can bring.

    Had the oil been hot they would have left no water, so the other ledgers stay.
    """
    if not gained_h > 0.0 or not run_edges.meter_counts(s):
        return
    moisture.let_all_in(s, c, gained_h * S_PER_H)
