"""What part of its rated air leaves a unit, and whether its inlet may be shut, by its own pressure so far.

A modulating inlet holds the sump above the rating, an unloader lets it down below the valve's setting; until
a unit has shown which it has, the bounds carry both. Compiled; called by the account of a run.
"""

from __future__ import annotations

import math

from models.compiled import kernel
from models.delivered_air import (
    CONTROL_BAND_KPA,
    delivered_fraction_high,
    delivered_fraction_low,
    inlet_fraction,
    rise_fraction,
    valve_fraction,
)
from models.state import Record

UNLOADED_S = 120.0
"""A start may be unloaded for some seconds; after this a low steady pressure is an unloader at work."""
UNLOADED_AT_MOST = 0.93
"""Of the minimum-pressure valve's setting: a modulating sump never stays below the valve, an unloaded one
does. [-]"""
UNLOADER_LEARNT_S = 300.0
"""At such a pressure for half as long, it is taken for an unloader."""
WIDEST_BAND_KPA = 100.0
"""The most that an inlet may need to close above the rating: 15 psi (common practice: 5 to 15). [kPa]"""
SHOWN_SHARE = 0.4
"""Of the control band: a sump this far above its rating is no error of its sensor: there its inlet closes."""
HOSE_SHARE = 1.15
"""Of the minimum-pressure valve's setting: up to here an unloaded sump may rest too (200 to 400 kPa,
published trade figures). [-]"""
FILLING_S = 60.0
"""Longest time a sump takes to come under pressure (published trade figures: seconds, half a minute with a
large receiver). What is read before that is a fill, not a fault."""
STILL_KPA = 10.0
"""Less than this is noise of a level that holds."""
TOP_SMOOTHING_S = 30.0
"""Time constant over which pulsation is averaged before a level counts as shown."""
WIDE_BAND = 0.35
"""Some inlets throttle over this part of the rated pressure, not only over the last ten pounds. [-]"""
USUALLY_ABOVE = 0.6
"""Belief that a unit not yet known begins to close its inlet at the rating: published trade figures have it
modulate from there to ten pounds above; some nameplates print the pressure at which it is shut. [-]
Judgement."""
NARROW_SHARE = 2.0 / 3.0
"""Of the inlets that are shut at the rating: those that throttle over the usual band only. [-] Judgement."""
STEADY_S = 20.0
"""So long without a move, a level is no sump that fills, nor one that swings between two settings: with the
largest receiver of a truck, 400 l, it moves by two pounds within eight seconds."""
BELOW_LEARNT_S = 240.0
"""In so much running steadily just below the rating the belief falls to a third: of an inlet that closes
above it only a tool of one to seven per cent more than the unit makes would hold the sump there."""


@kernel
def tells(s: Record, c: Record) -> bool:
    """Whether the pressure read is that of a sump whose air end turns.

    An air end that turns keeps its sump charged, unloaded too. What reads empty after the fill is a sensor
    that is dead, or frozen, and not yet found out.
    """
    if s.pressure_trusted < 1.0 or math.isnan(s.pressure_kpa):
        return False
    return bool(s.pressure_kpa > c.on_kpa or s.t - s.start_t <= FILLING_S)


@kernel
def flow_fraction(s: Record, c: Record, bound: int) -> float:
    """Part of rated air that leaves the sump: best estimate (0), least (-1) or most (1). [-]"""
    if not tells(s, c):
        return 0.5 * (1.0 + bound)
    if s.unload_belief >= 0.5:
        return _unloader(s, c, bound)
    p, rated, valve = s.pressure_kpa, c.max_kpa, c.valve_kpa
    most = delivered_fraction_high(p, rated, valve, WIDEST_BAND_KPA)
    if bound > 0:
        return float(most)
    if s.top_kpa > rated + SHOWN_SHARE * CONTROL_BAND_KPA:
        # It modulates above the rating. The highest it got may be its shut inlet, or the tool in steady use.
        shut_kpa = s.top_kpa - STILL_KPA
        shut_kpa = shut_kpa if bound < 0 else max(shut_kpa, rated + CONTROL_BAND_KPA)
        return float(valve_fraction(p, valve) * inlet_fraction(p, rated, shut_kpa))
    if bound < 0 and may_be_shut(s, c):
        return 0.0
    wide = rise_fraction(rated - p, 0.0, WIDE_BAND * rated) * valve_fraction(p, valve)
    low = delivered_fraction_low(p, rated, valve, CONTROL_BAND_KPA)
    if bound < 0:
        return float(min(wide, low))
    high = delivered_fraction_high(p, rated, valve, CONTROL_BAND_KPA)
    if _steady(s) or s.t - s.start_t < FILLING_S or s.run_readings == 0.0:
        above = _closes_above(s, c)
        expected = above * high + (1.0 - above) * (wide + NARROW_SHARE * (low - wide))
    else:
        # What swings may be an unloader too, whose inlet is open as it climbs and shut as it falls.
        expected = 0.5 * (0.5 * (low + high) + wide)
    return float(min(max(expected, c.air_floor * valve_fraction(p, valve)), most))


@kernel
def _steady(s: Record) -> bool:
    return bool(s.t - s.anchor_t >= STEADY_S)


@kernel
def _closes_above(s: Record, c: Record) -> float:
    """Belief that the inlet begins to close at the rated pressure, by where the pressure has stood. [-]

    It grows with the height shown above the rating, which a sensor's error alone makes less likely the
    higher it is, and fades with time spent steadily just below.
    """
    over_kpa = s.top_kpa - c.max_kpa
    # Before its first top has been learnt there is none: NaN.
    shown = min(over_kpa / (SHOWN_SHARE * CONTROL_BAND_KPA), 1.0) if over_kpa > 0.0 else 0.0
    usual = USUALLY_ABOVE * math.exp(-s.below_s / BELOW_LEARNT_S)
    return float(usual + (1.0 - usual) * shown)


@kernel
def _unloader(s: Record, c: Record, bound: int) -> float:
    """A unit known to unload: all or nothing; unloaded, what it blows off still carries some vapour away."""
    if s.pressure_kpa < UNLOADED_AT_MOST * c.valve_kpa:
        return float(c.air_floor) if bound > 0 else 0.0
    # On its way down from its cut-out the inlet is shut already, unless tools draw it down so fast.
    if s.t - s.hold_t >= 1.0:
        return 1.0 if bound > 0 else 0.0
    return 1.0


@kernel
def may_be_shut(s: Record, c: Record) -> bool:
    """Whether the pressure may be that of a machine that makes no air: its drying is not to be relied on."""
    if not tells(s, c) or s.unload_belief >= 0.5:
        return False
    p, rated = s.pressure_kpa, c.max_kpa
    if s.top_kpa > rated + SHOWN_SHARE * CONTROL_BAND_KPA:
        return bool(p >= s.top_kpa - STILL_KPA)
    # Shut at its rating, as some nameplates mean it; or unloaded, as low as an open hose holds it too.
    return bool(p >= rated - STILL_KPA or p < HOSE_SHARE * c.valve_kpa)


@kernel
def learn(s: Record, c: Record, t: float, dt: float) -> None:
    """A modulating inlet keeps the running sump above the valve's setting; an unloader does not."""
    if not tells(s, c) or not math.isnan(s.pending_t):
        return
    # Smoothed: single readings pulse by more than what is asked here.
    part = 1.0 - math.exp(-dt / TOP_SMOOTHING_S)
    s.slow_kpa = (
        s.pressure_kpa if math.isnan(s.slow_kpa) else s.slow_kpa + part * (s.pressure_kpa - s.slow_kpa)
    )
    s.top_kpa = min(max(s.top_kpa, s.slow_kpa), c.max_kpa + WIDEST_BAND_KPA)
    # Both: after a fill the smoothed one is late, and pulsation reaches down from above.
    least_kpa, most_kpa = min(s.pressure_kpa, s.slow_kpa), max(s.pressure_kpa, s.slow_kpa)
    below = c.max_kpa - CONTROL_BAND_KPA < least_kpa and most_kpa < c.max_kpa - 2.0 * STILL_KPA
    if below and _steady(s):
        s.below_s += dt
    unloaded = c.on_kpa < s.pressure_kpa < UNLOADED_AT_MOST * c.valve_kpa and t - s.hold_t < 1.0
    if t - s.start_t > UNLOADED_S and unloaded:
        s.unload_belief = min(s.unload_belief + dt / UNLOADER_LEARNT_S, 2.0)
