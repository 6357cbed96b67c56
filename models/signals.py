"""From raw values to signals to reason with: spikes, smoothing, recent lows and highs, meter steps.

Compiled; called by the fold once a reading. Nothing here knows what a run is.
"""

from __future__ import annotations

import math

from models.compiled import kernel
from models.state import BIN_S, N_BINS, Record

SMOOTHING_S = 20.0
FORGET_S = 900.0
REPEATING_S = 90.0
REPEATING_N = 3.5
"""As many readings the same by chance is nothing yet, however far apart they come."""
LEAP_K = 10.0
LEAP_K_PER_S = 1.0
"""Shaft power into the lightest loop of oil and iron warms it no faster (20 kW into 20 kJ/K)."""
VALLEY_K_PER_S = 0.15 / 60.0
"""Ambient air and sunshine warm a parked unit slower than this."""
PEAK_K_PER_S = 0.03 / 60.0
STEADY_K = 0.5
MOVED_KPA = 14.0
"""Two pounds per square inch: more than noise and quantisation of a working sensor (published trade figure:
zero tolerance 1-2 % of full scale)."""
FLOOR_KPA_PER_S = 10.0 / 60.0
FINEST_STEP_H = 0.002


@kernel
def without_spike(s: Record, t: float, temp_c: float) -> float:
    """The median of the newest three temperatures: a lone wrong value never gets through. [degC]

    After a silence the newest stands alone, for the ones before it tell of another time.
    """
    first_c, second_c = s.raw_before_c, s.raw_c
    fresh = math.isnan(second_c) or t - s.raw_t > FORGET_S
    s.raw_before_c = math.nan if fresh else second_c
    s.raw_c = temp_c
    s.raw_t = t
    if fresh or math.isnan(first_c):
        return temp_c
    return max(min(first_c, second_c), min(max(first_c, second_c), temp_c))


@kernel
def forget(s: Record) -> None:
    """Start the recent past afresh: what came before tells of another time."""
    s.raw_t = s.temp_t = s.pressure_t = -math.inf


@kernel
def take_temp(s: Record, t: float, temp_c: float) -> None:
    """Smooth the temperature and follow its recent low and high.

    A leap that no machine can make is a sensor's or a gateway's: it is neither warming nor cooling.
    """
    leapt = abs(temp_c - s.temp_c) > LEAP_K + LEAP_K_PER_S * (t - s.temp_t)
    if math.isnan(s.temp_c) or t - s.temp_t > FORGET_S or leapt:
        s.smooth_c = temp_c
        s.valley_c = temp_c
        s.valley_t = t
        s.peak_c = temp_c
        s.peak_t = t
    else:
        dt = t - s.temp_t
        s.smooth_c += (1.0 - math.exp(-dt / SMOOTHING_S)) * (temp_c - s.smooth_c)
        s.valley_c = min(s.valley_c + VALLEY_K_PER_S * dt, s.smooth_c)
        s.peak_c = max(s.peak_c - PEAK_K_PER_S * dt, s.smooth_c)
        if s.smooth_c <= s.valley_c + STEADY_K:
            s.valley_t = t
        if s.smooth_c >= s.peak_c - STEADY_K:
            s.peak_t = t
    s.temp_c = temp_c
    s.temp_t = t
    _remember(s, t, temp_c)


@kernel
def _remember(s: Record, t: float, temp_c: float) -> None:
    head = s.bin_head
    if s.bin_n[head] > 0.0 and t - s.bin_t[head] >= BIN_S:
        head = (head + 1) % N_BINS
        s.bin_head = head
        s.bin_n[head] = 0.0
    if s.bin_n[head] == 0.0:
        s.bin_t[head] = t
        s.bin_sum[head] = 0.0
    s.bin_sum[head] += temp_c
    s.bin_n[head] += 1.0


@kernel
def recent_mean_c(s: Record, from_t: float, to_t: float) -> float:
    """Mean temperature of the half minutes that began in [from_t, to_t); NaN where there is none. [degC]"""
    total = 0.0
    n = 0.0
    for i in range(N_BINS):
        if s.bin_n[i] > 0.0 and from_t <= s.bin_t[i] < to_t:
            total += s.bin_sum[i]
            n += s.bin_n[i]
    return total / n if n > 0.0 else math.nan


@kernel
def take_pressure(s: Record, t: float, pressure_kpa: float) -> None:
    """Follow the pressure's floor, when it last held level and when it last moved."""
    if math.isnan(s.pressure_kpa) or t - s.pressure_t > FORGET_S:
        s.floor_kpa = pressure_kpa
        s.hold_t = t
        s.anchor_kpa = pressure_kpa
        s.anchor_t = t
    else:
        dt = max(t - s.pressure_t, 1.0)
        s.floor_kpa = min(s.floor_kpa + FLOOR_KPA_PER_S * dt, pressure_kpa)
        if s.pressure_kpa - pressure_kpa <= 0.008 * dt * max(s.pressure_kpa, 50.0):
            s.hold_t = t
        if abs(pressure_kpa - s.anchor_kpa) > MOVED_KPA:
            s.anchor_kpa = pressure_kpa
            s.anchor_t = t
    s.pressure_kpa = pressure_kpa
    s.pressure_t = t


@kernel
def _repeated(s: Record, temp_c: float, pressure_kpa: float, hours: float, rh_pct: float) -> bool:
    return (
        _same(temp_c, s.seen_c)
        and _same(pressure_kpa, s.seen_kpa)
        and _same(hours, s.seen_h)
        and _same(rh_pct, s.seen_rh)
    )


@kernel
def repeats(
    s: Record, t: float, dt: float, temp_c: float, pressure_kpa: float, hours: float, rh_pct: float
) -> bool:
    """Whether a running unit's reading is an old message over again: nothing that turns keeps so still."""
    stood_s = t - s.changed_t
    long = stood_s > REPEATING_S and stood_s > REPEATING_N * dt
    return long and _repeated(s, temp_c, pressure_kpa, hours, rh_pct)


@kernel
def stale_s(s: Record, t: float, temp_c: float, pressure_kpa: float, hours: float, rh_pct: float) -> float:
    """How long nothing at all had changed before this reading, if it ends such a time; else 0. [s]

    A controller that repeats an old message says nothing: what it repeats counts as silence.
    """
    if _repeated(s, temp_c, pressure_kpa, hours, rh_pct):
        return 0.0
    stood_s = 0.0 if math.isnan(s.changed_t) else t - s.changed_t
    s.seen_c, s.seen_kpa, s.seen_h, s.seen_rh = temp_c, pressure_kpa, hours, rh_pct
    s.changed_t = t
    return stood_s


@kernel
def _same(a: float, b: float) -> bool:
    return a == b or (math.isnan(a) and math.isnan(b))


@kernel
def take_hours(s: Record, t: float, hours: float) -> float:
    """Hours gained since the reading before; 0 when none, -1 when the meter was reset or replaced. [h]"""
    if math.isnan(s.hours):
        s.hours = hours
        s.hours_t = t
        return 0.0
    gained_h = hours - s.hours
    elapsed_h = (t - s.hours_t) / 3600.0
    whole_hour = gained_h <= 1.001 and hours == math.floor(hours)
    s.hours = hours
    s.hours_t = t
    if gained_h < -1e-6 or (gained_h > elapsed_h + 1.5 * max(s.step_h, 0.1) and not whole_hour):
        return -1.0
    if gained_h <= 1e-6:
        return 0.0
    finer = FINEST_STEP_H <= gained_h < s.step_h
    coarser = gained_h > s.step_h and gained_h > elapsed_h + 0.002
    if finer or coarser:
        s.step_h = gained_h
    s.step_before_t = s.step_t
    s.step_t = t
    return gained_h
