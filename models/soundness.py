"""Whether each sensor can be believed: values no machine can show, codes, values that stand still. Compiled.

Works on what `models.senses` leaves of a reading and keeps one verdict a signal: a flag there tells of one
reading, a verdict here of a sensor that somebody should mend. What frost could explain of the pressure sensor
is left to `models.patterns.pressure_sensor_icing`.
"""

from __future__ import annotations

import math

from ingest.quality import OUT_OF_RANGE as OUT_OF_RANGE_FLAG
from ingest.quality import Quality
from ingest.reading import SIGNALS, FloatArray
from models.compiled import kernel
from models.soundness_temp import watch_temp
from models.state import HIGH_WHILE_STOPPED, N_SIGNALS, NO_CONFLICT, SLOW_TO_FOLLOW, Record
from models.verdicts import (
    AMBIENT,
    CHARGED,
    ERROR_CODE,
    GOOD_N,
    HOURS,
    NOT_SENT,
    OUT_OF_RANGE,
    PRESSURE,
    RH,
    SOUND,
    STUCK,
    TEMP,
    ZERO_OFF,
    blame,
    clear,
)

SENSOR_COLUMNS = tuple(f"{name}_{what}" for what in ("verdict", "wrong_min", "shown") for name in SIGNALS)

OUT_BITS = tuple(int(OUT_OF_RANGE_FLAG[name]) for name in SIGNALS)
ERROR_BIT, UNAVAILABLE_BIT = int(Quality.BUS_ERROR_CODE), int(Quality.NOT_AVAILABLE)
LOOKS_LIKE_CODE_BIT = int(Quality.PRESSURE_AMBIGUOUS)

BAD_N, BAD_S = 10.0, 600.0
"""So many wrong values over so long without a right one are a fault, not a glitch."""
GONE_N, GONE_S, GONE_AIR_S = 30.0, 3600.0, 86_400.0
"""A value that merely stays away may be one the controller saves: longer, and while the machine turns."""
KNOWN_N = 100.0
"""A signal that was never there is not fitted."""
STUCK_S, STUCK_N = 600.0, 5.0
"""So long, and in so many readings, a contradiction is one: a fill or a blowdown is over by then."""
STUCK_FOR_S = 12.0 * 3600.0
"""A truck out of a warm garage can ice where its own estimate of the air says not; that thaws overnight."""
UNMOVED_AFTER_STOP_S = 1800.0
"""Foaming oil holds a blowdown back to minutes, not to half an hour (common practice)."""
STOP_DOUBT_S = 900.0
"""A stop that pressure does not show is found from the cooling, up to a quarter of an hour late."""
WARM_C, DEVIATIONS = 2.0, 2.0
"""With two standard deviations to spare above this, and no frost left, there is no ice."""

ZERO_KPA = 40.0
"""Beyond the zero tolerance of 1-2 % of full scale (published trade figure) more than twice over."""
ZERO_MOST_KPA = 100.0
"""Six percent of a full scale of 1600 kPa: no zero drifts so far, and what stands higher may be real."""
ZERO_AFTER_S = 4.0 * 3600.0
"""Hours after a stop even a sump that leaks through a tight valve is empty (assumption)."""
ZERO_STEADY_S = 3600.0
"""What is still leaking away moves in an hour; a sensor that drifts does not by as much."""
ZERO_ALIKE_KPA = 20.0
"""Less than this below the last stop's: it drifts on or stays, and does not come back."""
ZERO_STOPS = 2.0
"""Once may be a valve that was shut, twice is a habit."""

METER_SILENT_S = 3.0 * 3600.0
"""Three whole hours: the coarsest meter counts one (common practice: 0.05, 0.1 or 1 h)."""

RH_STILL_S = 5.0 * 86_400.0
RH_SATURATED_S = 10.0 * 86_400.0
"""Fog keeps a sound sensor at saturation for days."""
RH_SATURATED_PCT = 98.0
RH_MOVED_PCT = 0.5
"""Half the usual last digit."""
RH_SWING_K = 10.0
"""Air that has warmed by so much holds nearly twice the water: its humidity can't have stayed the same."""
RH_N, RH_COUNTED_S = 100.0, 3600.0
"""Readings that must show it, and the most that one of them counts for."""
AGAIN_S = 6.0 * 3600.0
"""How often a standing verdict is told again, for its figures go on."""


@kernel
def _kind_now(s: Record, value: float, flags: int, i: int) -> float:
    """Why a signal has no usable value; codes are flagged once a reading, for those that are out of range."""
    if not math.isnan(value):
        return SOUND
    if i == PRESSURE and flags & LOOKS_LIKE_CODE_BIT:
        return ERROR_CODE
    # A temperature held back while its unit of measure is in question is no fault.
    waits = i == TEMP and s.temp_refused > 0.0 and s.temp_tries > 0.0
    if waits or not flags & OUT_BITS[i] or flags & UNAVAILABLE_BIT:
        return NOT_SENT
    return ERROR_CODE if flags & ERROR_BIT else OUT_OF_RANGE


@kernel
def _take_value(s: Record, c: Record, t: float, dt: float, i: int, value: float, flags: int) -> None:
    """Follow how long a signal has had no usable value, and why."""
    kind = _kind_now(s, value, flags, i)
    fault = s.sensor_fault[i]
    if kind == SOUND:
        s.sensor_known_n[i] = min(s.sensor_known_n[i] + 1.0, KNOWN_N)
        s.sensor_bad_n[i] = s.sensor_bad_s[i] = 0.0
        if fault in (OUT_OF_RANGE, ERROR_CODE, NOT_SENT):
            # An offset sensor is out of range in one state only: there it must prove itself.
            if (s.sensor_ran[i] > 0.0) == (s.running > 0.0):
                s.sensor_good_n[i] += 1.0
            if s.sensor_good_n[i] >= GOOD_N:
                clear(s, i)
        return
    s.sensor_good_n[i] = 0.0
    if fault != SOUND:
        return
    if s.sensor_bad_n[i] == 0.0:
        s.sensor_bad_t[i] = t
    else:
        s.sensor_bad_s[i] += min(dt, c.gap_s)
    s.sensor_bad_n[i] += 1.0
    if kind != NOT_SENT:
        due = s.sensor_bad_n[i] >= BAD_N and s.sensor_bad_s[i] >= BAD_S
    elif i in (RH, AMBIENT):
        due = s.sensor_bad_n[i] >= GONE_N and s.sensor_bad_s[i] >= GONE_AIR_S
    else:
        # What is saved while parked must come with the next run.
        in_run = s.running > 0.0 and s.confirmed > 0.0 and s.start_t > s.sensor_bad_t[i]
        gone = s.sensor_bad_n[i] >= GONE_N and s.sensor_bad_s[i] >= GONE_S
        due = in_run and gone and t - s.start_t >= BAD_S
    if due and (kind != NOT_SENT or s.sensor_known_n[i] >= KNOWN_N):
        blame(s, t, i, kind, s.sensor_bad_t[i])


@kernel
def _warm(s: Record) -> bool:
    """Whether there is surely no ice."""
    return math.isnan(s.cold_low_c) and s.ambient_c - DEVIATIONS * math.sqrt(s.ambient_var) > WARM_C


@kernel
def _unmoved_across_edge(s: Record, t: float) -> bool:
    if s.conflict_kind == HIGH_WHILE_STOPPED:
        return bool(s.anchor_t < s.stop_t - STOP_DOUBT_S and t - s.stop_t >= UNMOVED_AFTER_STOP_S)
    return bool(s.conflict_kind != SLOW_TO_FOLLOW and s.anchor_t < s.start_t)


@kernel
def _watch_pressure(s: Record, c: Record, t: float) -> None:
    """A contradiction that no ice explains, by a sensor that did not move when it must have."""
    if s.conflict_kind == NO_CONFLICT or not _warm(s):
        s.stuck_t = math.nan
    if s.conflict_kind == NO_CONFLICT:
        if s.sensor_fault[PRESSURE] == STUCK:
            clear(s, PRESSURE)
        return
    lasting = s.conflict_s >= STUCK_S and s.conflict_n >= STUCK_N and t - s.conflict_seen_t < c.gap_s
    if not (lasting and _warm(s) and _unmoved_across_edge(s, t)):
        return
    if math.isnan(s.stuck_t):
        s.stuck_t = s.conflict_t
    if t - s.stuck_t >= STUCK_FOR_S:
        blame(s, t, PRESSURE, STUCK, s.stuck_t)


@kernel
def _watch_zero(s: Record, c: Record, t: float) -> None:
    """What it reads when the sump should have emptied: hours after a stop, one stop after the other."""
    if s.running > 0.0 or math.isnan(s.stop_t) or s.stop_t == s.zero_stop_t or t - s.stop_t < ZERO_AFTER_S:
        return
    if not _warm(s) or s.sensor_fault[PRESSURE] == STUCK:
        return
    low = s.pressure_kpa < ZERO_KPA
    if not low and t - s.anchor_t < ZERO_STEADY_S:
        # Still leaking away, or a gas that still cools.
        return
    s.zero_stop_t = s.stop_t
    if low:
        s.zero_n = 0.0
        if s.sensor_fault[PRESSURE] in (ZERO_OFF, CHARGED):
            clear(s, PRESSURE)
        return
    alike = s.zero_n > 0.0 and s.pressure_kpa >= s.zero_kpa - ZERO_ALIKE_KPA
    if not alike:
        s.zero_n = 0.0
        s.zero_first_t = t
    s.zero_n += 1.0
    s.zero_kpa = s.pressure_kpa
    if s.zero_n >= ZERO_STOPS:
        blame(s, t, PRESSURE, ZERO_OFF if s.zero_kpa <= ZERO_MOST_KPA else CHARGED, s.zero_first_t)


@kernel
def _watch_meter(s: Record, t: float) -> None:
    """Hours of running, by pressure and warmth, that the hour meter has not counted."""
    if s.sensor_fault[HOURS] == STUCK and s.meter_silent_s == 0.0:
        clear(s, HOURS)
    if s.meter_silent_s >= METER_SILENT_S:
        blame(s, t, HOURS, STUCK, s.hours_t if math.isnan(s.step_t) else s.step_t)


@kernel
def _watch_humidity(s: Record, t: float, dt: float, rh_pct: float) -> None:
    """Days without a change of humidity while it grew warmer and colder."""
    if not abs(rh_pct - s.rh_anchor_pct) <= RH_MOVED_PCT:
        s.rh_anchor_pct = rh_pct
        s.rh_anchor_t = t
        s.rh_still_s = s.rh_still_n = 0.0
        s.rh_low_c = s.rh_high_c = s.ambient_c
        if s.sensor_fault[RH] == STUCK:
            clear(s, RH)
        return
    s.rh_still_s += min(dt, RH_COUNTED_S)
    s.rh_still_n += 1.0
    s.rh_low_c = s.ambient_c if math.isnan(s.rh_low_c) else min(s.rh_low_c, s.ambient_c)
    s.rh_high_c = s.ambient_c if math.isnan(s.rh_high_c) else max(s.rh_high_c, s.ambient_c)
    needed_s = RH_SATURATED_S if rh_pct >= RH_SATURATED_PCT else RH_STILL_S
    swung = s.rh_high_c - s.rh_low_c >= RH_SWING_K
    if s.rh_still_s >= needed_s and s.rh_still_n >= RH_N and swung:
        blame(s, t, RH, STUCK, s.rh_anchor_t)


@kernel
def watch_sensors(s: Record, c: Record, t: float, dt: float, v: FloatArray, flags: int, moved: bool) -> bool:
    """Take one reading in; whether a row is due: a verdict has changed, or still stands.

    Parameters
    ----------
    dt : float
        Since the reading before. [s]
    v : array, shape (5,)
        Its signals, NaN where a value is missing or not to be used.
    flags : int
        What is known against it (`ingest.quality.Quality`).
    moved : bool
        Whether any value differs from the reading before.
    """
    for i in range(N_SIGNALS):
        _take_value(s, c, t, dt, i, v[i], flags)
    if not math.isnan(v[PRESSURE]):
        _watch_pressure(s, c, t)
        _watch_zero(s, c, t)
    if not math.isnan(v[TEMP]):
        watch_temp(s, c, t, v[TEMP], moved, flags)
    if not math.isnan(v[HOURS]):
        _watch_meter(s, t)
    if not math.isnan(v[RH]):
        _watch_humidity(s, t, dt, v[RH])
    if s.sensor_news > 0.0:
        return True
    any_fault = False
    for i in range(N_SIGNALS):
        any_fault = any_fault or s.sensor_fault[i] != SOUND
    return any_fault and t - s.sensor_told_t >= AGAIN_S


@kernel
def sensors_row(s: Record, t: float, kind: float, row: Record) -> None:
    """The verdict on every signal, since when, and what it showed."""
    s.sensor_news = 0.0
    s.sensor_told_t = t
    row.kind = kind
    row.t = t
    row.run_start_t = s.start_t if s.running > 0.0 else math.nan
    row.since_t = t
    f = row.features
    for i in range(N_SIGNALS):
        f[i] = s.sensor_fault[i]
        f[N_SIGNALS + i] = 0.0
        if s.sensor_fault[i] != SOUND:
            f[N_SIGNALS + i] = (t - s.sensor_since_t[i]) / 60.0
            row.since_t = min(row.since_t, s.sensor_since_t[i])
    f[2 * N_SIGNALS + TEMP] = s.temp_anchor_c
    f[2 * N_SIGNALS + PRESSURE] = s.pressure_kpa
    f[2 * N_SIGNALS + HOURS] = s.hours
    f[2 * N_SIGNALS + RH] = s.rh_anchor_pct
    f[2 * N_SIGNALS + AMBIENT] = s.ambient_c
