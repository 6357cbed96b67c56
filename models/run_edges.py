"""Where between two readings a run began or ended, and how far off that may be.

An edge lies between the last reading before it and the first after it. The hour meter, where it counts the
air end's hours, narrows that stretch to its own resolution; without readings the cooling and warming of the
oil do. What is returned is the middle of what remains, and half its width. Compiled; called by `models.runs`.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import S_PER_H
from models.compiled import kernel
from models.state import BIN_S, N_BINS, Record

TYPICAL_K_PER_S = 10.0 / 60.0
"""Warming of a loaded unit: 13 kW left of its shaft power, into 75 kJ/K of oil and iron (published figures
for an 80 CFM unit at 150 psi). For placing an edge that no reading saw, never for telling whether one was."""
HELD_C = 80.0
"""Where the thermal valve holds the oil (published trade figures: 77 to 82 degC)."""
SAME_INSTANT_S = 1.0
LEAST_OVER_AIR_K = 3.0
"""Oil nearer to the air than this no longer tells how long it has cooled."""
TAIL_KPA = 50.0
"""Below this the opening is no longer choked, and the sensor's zero counts."""
STEEP_RATIO = 1.3
"""Two readings of a fall nearer to each other than this tell no time constant. [-]"""
KNEE_BINS = 4
"""Fewest half minutes on either side of a knee: two points make any line."""


@kernel
def meter_counts(s: Record) -> bool:
    """Whether the hour meter works and counts the hours of the air end, not the truck engine's."""
    return (
        s.meter_belief >= 0.5 and not math.isnan(s.hours_t) and s.idle_h <= max(2.5 * s.step_h, IDLE_LIMIT_H)
    )


IDLE_LIMIT_H = 0.1
"""Hours counted while the air end stands: a meter that shows more than two of its steps counts the
engine's."""


@kernel
def whole(edge_t: float, newest_t: float) -> float:
    """An edge to the whole second, as no evidence tells it more finely, and not after the newest reading."""
    return min(math.floor(edge_t + 0.5), newest_t)


@kernel
def turned_s(s: Record, from_t: float, to_t: float, gained_h: float) -> tuple[float, float]:
    """Least and most that the air end can have turned between two readings, the newest the later one. [s]

    The meter shows whole steps: what it gained is true to one step either way.
    """
    whole_s = max(to_t - from_t, 0.0)
    told = gained_h >= 0.0 and s.hours_t == to_t and abs(s.hours_before_t - from_t) <= SAME_INSTANT_S
    if not told or not meter_counts(s):
        return 0.0, whole_s
    least_s = max((gained_h - s.step_h) * S_PER_H, 0.0)
    most_s = min((gained_h + s.step_h) * S_PER_H, whole_s)
    if least_s > most_s:
        return 0.0, whole_s
    return least_s, most_s


@kernel
def warming_s(s: Record, c: Record, silent_s: float) -> float:
    """How long a unit that warms as usual has run to be as warm as it is now, after a silence. [s]"""
    if math.isnan(s.temp_before_c):
        return 0.0
    over_k = (s.temp_before_c - s.ambient_c) * math.exp(-silent_s / s.cooling_s)
    return float(max(s.temp_c - (s.ambient_c + over_k), 0.0) / TYPICAL_K_PER_S)


@kernel
def cooled_c(s: Record, from_c: float, stood_s: float) -> float:
    """What a unit reads that has stood for so long since it read `from_c`; NaN: as cold as the air. [degC]"""
    over_k = 0.0 if math.isnan(from_c) else from_c - s.ambient_c
    return float(s.ambient_c + over_k * math.exp(-stood_s / s.cooling_s))


@kernel
def cooling_s(s: Record) -> float:
    """How long the unit must have stood to be as cool as it is now, after a silence; NaN if untold. [s]"""
    before_k = s.temp_before_c - s.ambient_c
    now_k = s.temp_c - s.ambient_c
    # Within the doubt about the air, what is left of the warmth tells nothing.
    least_k = max(LEAST_OVER_AIR_K, 2.0 * math.sqrt(s.ambient_var))
    if not before_k > least_k or not now_k > least_k:
        return math.nan
    return float(s.cooling_s * math.log(max(before_k / now_k, 1.0)))


@kernel
def start_in_silence(s: Record, c: Record, t: float, silent_s: float, gained_h: float) -> tuple[float, float]:
    """Start of a run that was under way when readings came again at `t`, and its error. [Unix s, s]"""
    least_s, most_s = turned_s(s, t - silent_s, t, gained_h)
    if most_s - least_s < silent_s:
        into_s = 0.5 * (least_s + most_s)
    else:
        into_s = min(warming_s(s, c, silent_s), silent_s)
        if s.temp_c >= c.floor_c:
            into_s = 0.5 * (into_s + silent_s)
    return t - into_s, max(most_s - into_s, into_s - least_s)


@kernel
def end_in_silence(s: Record, t: float, silent_s: float, gained_h: float, still_on: bool) -> float:
    """When the run in hand ended that was over, or was another, when readings came again at `t`. [Unix s]"""
    from_t = t - silent_s
    least_s, most_s = turned_s(s, from_t, t, gained_h)
    if still_on:
        # The meter tells how much of the silence was running, not on which side of the stop.
        most_s = 0.5 * most_s if most_s < silent_s else 0.0
        least_s = 0.0
    on_s = 0.5 * (least_s + most_s)
    if most_s - least_s >= silent_s:
        # A meter that goes on later tells of other runs too, and they may have left the warmth that is there.
        stood_s = math.nan if gained_h > 0.0 and meter_counts(s) else cooling_s(s)
        on_s = 0.0 if math.isnan(stood_s) else max(silent_s - stood_s, 0.0)
    s.end_error_s = max(most_s - on_s, on_s - least_s)
    return from_t + on_s


@kernel
def fall_began(s: Record, t: float) -> float:
    """When the blowdown began whose tail the newest pressure is; NaN where two points do not tell. [Unix s]

    Air that leaves a vessel through a choked opening takes its pressure down exponentially: from two readings
    of the fall its time constant, and back along it to the level that held before.
    """
    if not t > s.fall_t or s.pressure_kpa < TAIL_KPA or s.fall_kpa < STEEP_RATIO * s.pressure_kpa:
        return math.nan
    time_constant_s = (t - s.fall_t) / math.log(s.fall_kpa / s.pressure_kpa)
    return float(s.fall_t - time_constant_s * math.log(max(s.hold_kpa / s.fall_kpa, 1.0)))


@kernel
def _hinge(s: Record, from_t: float, knee_t: float, at_t: float) -> tuple[float, float]:
    """Squared error of a line with a bend at `knee_t` through the half-minute means, and the slope change."""
    n = sx = sh = sxx = sxh = shh = sy = sxy = shy = syy = 0.0
    for i in range(N_BINS):
        mid_t = s.bin_t[i] + 0.5 * BIN_S
        if s.bin_n[i] > 0.0 and from_t <= s.bin_t[i] < at_t:
            x = (mid_t - knee_t) / 60.0
            h = max(x, 0.0)
            y = s.bin_sum[i] / s.bin_n[i] - s.smooth_c
            n += 1.0
            sx += x
            sh += h
            sxx += x * x
            sxh += x * h
            shh += h * h
            sy += y
            sxy += x * y
            shy += h * y
            syy += y * y
    # Normal equations of y = a + b x + d h, by Cramer's rule.
    det = n * (sxx * shh - sxh * sxh) - sx * (sx * shh - sxh * sh) + sh * (sx * sxh - sxx * sh)
    if abs(det) < 1e-9:
        return math.inf, 0.0
    a = (sy * (sxx * shh - sxh * sxh) - sx * (sxy * shh - sxh * shy) + sh * (sxy * sxh - sxx * shy)) / det
    b = (n * (sxy * shh - shy * sxh) - sy * (sx * shh - sxh * sh) + sh * (sx * shy - sxy * sh)) / det
    d = (n * (sxx * shy - sxh * sxy) - sx * (sx * shy - sxy * sh) + sy * (sx * sxh - sxx * sh)) / det
    return syy - a * sy - b * sxy - d * shy, d


@kernel
def knee_t(s: Record, from_t: float, t: float) -> float:
    """When the temperature bent downwards for good, from the half-minute means; NaN if they are too few."""
    n = 0
    for i in range(N_BINS):
        if s.bin_n[i] > 0.0 and from_t <= s.bin_t[i] < t:
            n += 1
    if n < 2 * KNEE_BINS:
        return math.nan
    best, best_t = math.inf, math.nan
    first_t, last_t = math.inf, -math.inf
    for i in range(N_BINS):
        if s.bin_n[i] > 0.0 and from_t <= s.bin_t[i] < t:
            first_t = min(first_t, s.bin_t[i])
            last_t = max(last_t, s.bin_t[i])
    for i in range(N_BINS):
        knee = s.bin_t[i]
        if s.bin_n[i] > 0.0 and first_t + 2.0 * BIN_S <= knee <= last_t - 2.0 * BIN_S:
            error, bend = _hinge(s, from_t, knee, t)
            if bend < 0.0 and error < best:
                best, best_t = error, knee
    return best_t


@kernel
def end_by_meter(s: Record, end_t: float) -> float:
    """`end_t` moved to where the meter's last step allows the end of the run in hand. [Unix s]

    The meter reached that step while the air end turned, and would have reached the next had it turned on.
    """
    if not meter_counts(s) or not s.step_t > s.start_t:
        return end_t
    return float(min(max(end_t, s.step_from_t), s.step_t + s.step_h * S_PER_H))


@kernel
def start_by_meter(s: Record, start_t: float) -> float:
    """`start_t` moved to where the first of the meter's newest unbroken steps allows it. [Unix s]"""
    step_s = s.step_h * S_PER_H
    # Steps from before are the last run's.
    if not meter_counts(s) or not s.series_t >= start_t - step_s or s.series_from_t <= s.stop_t:
        return start_t
    return float(min(max(start_t, s.series_from_t - step_s), s.series_t))
