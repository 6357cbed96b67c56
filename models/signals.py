"""From raw values to signals to reason with: spikes, smoothing, recent lows and highs, meter steps.

Compiled; called by the fold once a reading. Nothing here knows what a run is.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import S_PER_H
from models.compiled import kernel
from models.senses_pressure import NO_ICE_C
from models.state import BIN_S, N_BINS, Record

SMOOTHING_S = 20.0
FORGET_S = 900.0
CLOSE_S = 45.0
"""Between readings no further apart the oil of the lightest unit warms by less than the doubt about a
spike."""
REPEATING_S = 90.0
REPEATING_N = 3.5
"""As many readings the same by chance is nothing yet, however far apart they come."""
LEAP_K = 10.0
LEAP_K_PER_S = 1.0
"""Shaft power into the lightest loop of oil and iron warms it no faster (20 kW into 20 kJ/K)."""
DROP_K = 4.0
DROP_K_PER_S = 2.0 / 60.0
"""A stopped unit loses no more, nor one that starts and stirs its cold oil (common practice: an hour and more
from hot to warm)."""
STEP_K = 4.0
"""A change from one reading to the next that, while pressure and meter say nothing of a start, is not yet
taken for warming: a real start goes on, at 0.4 K a second in the lightest simulated loop."""
WATCHED_S = 75.0
"""A run that matters can't hide between two readings no further apart, if the pressure is sound; in frost it
may not be."""
STEPPING_S = 30.0
"""What goes on changing so fast for longer than this is a machine at work."""
STEP_STAYS_S, STEP_STAYS_K, LEAST_STEP_K = 120.0, 2.0, 6.0
"""A step that has stayed for so long is the sensor's: what has warmed oil in seconds goes on, and what has
warmed a sensor alone fades."""
VALLEY_K_PER_S = 0.15 / 60.0
"""Ambient air and sunshine warm a parked unit slower than this."""
PEAK_K_PER_S = 0.03 / 60.0
STEADY_K = 0.5
MOVED_KPA = 14.0
"""Two pounds per square inch: more than noise and quantisation of a working sensor (published trade figure:
zero tolerance 1-2 % of full scale)."""
FLOOR_KPA_PER_S = 10.0 / 60.0
"""A floor that rises this slowly forgets an old low within hours and never follows a fill."""
BLOWDOWN_PER_S = 0.006
"""Part of the pressure that a blowdown takes each second at least, where foaming oil has it held back to
minutes (20-60 s is usual, common practice); tools draw a receiver down more slowly. [1/s]"""
SETTLING_S = 5.0
NOISE_FRACTION = 0.02
"""Tolerance of a working sensor, of full scale (published trade figure: 1-2 %). [-]"""
LEAST_KPA = 50.0
"""Below this the noise of the sensor outweighs the fall."""
FINEST_STEP_H = 0.002
"""Seven seconds: finer than any meter on a bus (SAE J1939: 0.05 h) or display (0.01 to 1 h)."""
SMALLEST_GAIN_H = 1e-6
"""Binary fractions differ by less."""
SLACK_STEPS = 1.5
"""A step that comes this many times its own length after the last one still follows it without a break."""


@kernel
def without_spike(s: Record, t: float, temp_c: float, heard: bool) -> float:
    """The median of the newest three temperatures: a lone wrong value never gets through. [degC]

    Readings further apart than a run's temperature takes to change are not held back by a whole reading: of
    them only what no machine does is, a sudden drop or a rise of which pressure and meter say nothing
    (`heard`). After a silence the newest stands alone, for the ones before it tell of another time.
    """
    first_c, second_c = s.raw_before_c, s.raw_c
    apart_s = t - s.raw_t
    fresh = math.isnan(second_c) or apart_s > FORGET_S
    s.raw_before_c = math.nan if fresh else second_c
    s.raw_c = temp_c
    s.raw_t = t
    if fresh or math.isnan(first_c):
        return temp_c
    rise_k = temp_c - second_c
    drops = -rise_k > DROP_K + DROP_K_PER_S * apart_s
    unheard = rise_k > LEAP_K and not heard
    if apart_s > CLOSE_S and not drops and not unheard and not leaps(second_c, temp_c, apart_s):
        return temp_c
    return max(min(first_c, second_c), min(max(first_c, second_c), temp_c))


@kernel
def newest_c(s: Record) -> float:
    """The newest temperature unless it looks like a spike: the median of three follows a warm-up late.
    [degC]"""
    return s.raw_c if abs(s.raw_c - s.temp_c) <= LEAP_K else s.temp_c


@kernel
def leaps(before_c: float, temp_c: float, apart_s: float) -> bool:
    """Whether no machine can have got from one temperature to the other in `apart_s` seconds."""
    return abs(temp_c - before_c) > LEAP_K + LEAP_K_PER_S * apart_s


@kernel
def forget(s: Record) -> None:
    """Start the recent past afresh: what came before tells of another time.

    Not so for spikes: the first value after a long standstill is as likely to be one as any other.
    """
    s.temp_t = s.pressure_t = -math.inf


@kernel
def take_temp(s: Record, t: float, temp_c: float, heard: bool) -> None:
    """Smooth the temperature and follow its recent low and high.

    A leap that no machine can make is a sensor's or a gateway's: it is neither warming nor cooling. Nor is a
    step in seconds of a unit that stands, where pressure and meter say nothing of a start (`heard`).
    """
    s.temp_before_c = s.temp_c
    stepped = s.running == 0.0 and not heard and _steps(s, t, temp_c)
    leapt = stepped or leaps(s.temp_c, temp_c, t - s.temp_t)
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
def _steps(s: Record, t: float, temp_c: float) -> bool:
    """Whether a temperature has changed at once; what goes on changing is a machine at work."""
    dt = t - s.temp_t
    denied = s.pressure_t == t and s.pressure_trusted > 0.0 and s.ambient_c > NO_ICE_C
    if not (dt <= (WATCHED_S if denied else CLOSE_S) and abs(temp_c - s.temp_c) > STEP_K):
        return False
    if not t - s.step_began_t <= FORGET_S:
        s.step_began_t = t
        s.step_last_t = s.temp_t
        s.step_from_c = s.temp_c
        s.step_told = 0.0
    s.step_to_c = temp_c
    return bool(t - s.step_began_t <= STEPPING_S)


@kernel
def step_stays(s: Record, t: float) -> bool:
    """Whether it is now sure that the temperature of a standing unit has stepped: told once a step."""
    if s.step_told > 0.0 or t - s.step_began_t < STEP_STAYS_S or math.isnan(s.step_began_t):
        return False
    s.step_told = 1.0
    stays = abs(s.temp_c - s.step_to_c) <= STEP_STAYS_K and abs(s.temp_c - s.step_from_c) >= LEAST_STEP_K
    return bool(stays and s.running == 0.0)


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
    """Follow the pressure's floor and foot, when it last held level, when it fell and when it last moved."""
    s.pressure_before_t = s.pressure_t
    if math.isnan(s.pressure_kpa) or t - s.pressure_t > FORGET_S:
        s.floor_kpa = pressure_kpa
        _hold(s, t, pressure_kpa)
        s.level_kpa = s.ref_kpa = pressure_kpa
        s.ref_t = t
        s.anchor_kpa = pressure_kpa
        s.anchor_t = t
    else:
        dt = max(t - s.pressure_t, 1.0)
        s.floor_kpa = min(s.floor_kpa + FLOOR_KPA_PER_S * dt, pressure_kpa)
        _follow_level(s, t, dt, pressure_kpa)
        if abs(pressure_kpa - s.anchor_kpa) > MOVED_KPA:
            s.anchor_kpa = pressure_kpa
            s.anchor_t = t
    if not pressure_kpa > s.pressure_kpa + MOVED_KPA:
        s.foot_t = t
        s.climb_t = math.nan
    elif math.isnan(s.climb_t):
        s.climb_t = t
    s.pressure_kpa = pressure_kpa
    s.pressure_t = t


@kernel
def _hold(s: Record, t: float, pressure_kpa: float) -> None:
    s.hold_t = t
    s.hold_kpa = pressure_kpa
    s.fall_t = math.nan


@kernel
def _follow_level(s: Record, t: float, dt: float, pressure_kpa: float) -> None:
    """Tell a blowdown's fall from a level that tools draw down: which reading held last, which fell first.

    A level is left by a fall beyond noise, and found again where pressure stays over some seconds: from one
    second to the next the steps of the sensor's scale hide the tail of a blowdown.
    """
    s.level_kpa = max(pressure_kpa, s.level_kpa * math.exp(-BLOWDOWN_PER_S * dt))
    if t - s.ref_t >= SETTLING_S:
        fell_kpa = s.ref_kpa - pressure_kpa
        if fell_kpa <= BLOWDOWN_PER_S * (t - s.ref_t) * max(s.ref_kpa, LEAST_KPA):
            s.level_kpa = pressure_kpa
        s.ref_t = t
        s.ref_kpa = pressure_kpa
    if pressure_kpa >= s.level_kpa - max(NOISE_FRACTION * s.level_kpa, MOVED_KPA):
        _hold(s, t, pressure_kpa)
    elif math.isnan(s.fall_t):
        s.fall_t = t
        s.fall_kpa = pressure_kpa


@kernel
def repeated(s: Record, temp_c: float, pressure_kpa: float, hours: float, rh_pct: float) -> bool:
    """Whether a reading says to the last digit what the one before said."""
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
    return long and repeated(s, temp_c, pressure_kpa, hours, rh_pct)


@kernel
def stale_s(s: Record, t: float, temp_c: float, pressure_kpa: float, hours: float, rh_pct: float) -> float:
    """How long nothing at all had changed before this reading, if it ends such a time; else 0. [s]

    A controller that repeats an old message says nothing: what it repeats counts as silence.
    """
    if repeated(s, temp_c, pressure_kpa, hours, rh_pct):
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
    s.hours_before_t = s.hours_t
    if math.isnan(s.hours):
        s.hours = hours
        s.hours_t = t
        return 0.0
    gained_h = hours - s.hours
    elapsed_h = (t - s.hours_t) / S_PER_H
    whole_hour = gained_h <= 1.001 and hours == math.floor(hours)
    s.hours = hours
    s.hours_t = t
    impossible = gained_h > elapsed_h + SLACK_STEPS * max(s.step_h, 0.1) and not whole_hour
    if gained_h < -SMALLEST_GAIN_H or impossible:
        s.idle_h = 0.0
        return -1.0
    if gained_h <= SMALLEST_GAIN_H:
        return 0.0
    _learn_step(s, gained_h, elapsed_h)
    _note_step(s, t)
    # Its step may come after the stop: a meter that counts, whenever, keeps no silence.
    s.meter_silent_s = 0.0
    return gained_h


@kernel
def _learn_step(s: Record, gained_h: float, elapsed_h: float) -> None:
    """The meter's resolution: what all gains are multiples of, where seldom readings span several steps."""
    finer = FINEST_STEP_H <= gained_h < s.step_h
    coarser = gained_h > s.step_h and gained_h > SLACK_STEPS * elapsed_h + FINEST_STEP_H
    if finer or coarser:
        s.step_h = gained_h
        return
    rest_h = abs(gained_h - s.step_h * math.floor(gained_h / s.step_h + 0.5))
    if rest_h >= 2.0 * FINEST_STEP_H:
        s.step_h = rest_h


@kernel
def _note_step(s: Record, t: float) -> None:
    unbroken = s.hours_before_t - s.step_t <= SLACK_STEPS * s.step_h * S_PER_H
    if not unbroken:
        s.series_t = t
        s.series_from_t = s.hours_before_t
    s.step_before_t = s.step_t
    s.step_t = t
    s.step_from_t = s.hours_before_t
