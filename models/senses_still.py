"""Signals that stay the same to the last digit through what must have moved them.

A dead sensor, a hung converter and an iced port all look like this; which it is, is for the patterns. A
machine at rest may keep still for days, so each signal needs something else that moved. Compiled; called by
`models.senses`.
"""

from __future__ import annotations

import math

from ingest.quality import Quality
from ingest.reading import FloatArray
from models import doubts
from models.compiled import kernel
from models.state import Record

STUCK = int(Quality.SENSOR_STUCK)
DAY_S = 86_400.0
WARM_UP_S = 600.0
FILL_S = 300.0
"""Sumps fill within seconds, half a minute with a large receiver (published trade figures)."""
COLD_C = 50.0
"""Below this ten minutes of running warm every machine by more than a sensor's last digit."""
MOVED_K = 10.0
SATURATED_PCT = 99.0
"""Fog can hold a humidity sensor at the end of its scale for days."""


@kernel
def look_for_stillness(s: Record, t: float, v: FloatArray) -> int:
    """The flag, if a signal of this reading has kept still for too long; counts which."""
    flags = 0
    turning = s.running > 0.0 and s.confirmed >= 1.0 and math.isnan(s.pending_t)
    if v[0] != s.still_c:
        if not math.isnan(v[0]):
            s.still_c = v[0]
            s.still_c_t = t
            s.still_run_s = 0.0
    elif turning:
        s.still_run_s += min(t - s.t, 60.0)
        if s.still_run_s >= WARM_UP_S and (s.still_c < COLD_C or t - s.still_c_t >= DAY_S):
            flags = STUCK
            doubts.count(s, t, doubts.TEMP_STUCK)
    if turning:
        flags |= _of_running(s, t, v)
    if not math.isnan(v[3]) and _kept_still(s, t, v[3]):
        flags |= STUCK
        doubts.count(s, t, doubts.RH_STUCK)
    if not math.isnan(v[4]) and _air_kept_still(s, t, v[4]):
        flags |= STUCK
        doubts.count(s, t, doubts.AMBIENT_STUCK)
    return flags


@kernel
def _of_running(s: Record, t: float, v: FloatArray) -> int:
    flags = 0
    if v[1] == s.still_kpa and s.still_kpa_t < s.start_t and t - s.start_t >= FILL_S:
        flags = STUCK
        doubts.count(s, t, doubts.PRESSURE_STUCK)
    if s.meter_belief == 0.0 and v[2] == s.run_hours:
        flags = STUCK
        doubts.count(s, t, doubts.HOURS_STUCK)
    return flags


@kernel
def _kept_still(s: Record, t: float, rh_pct: float) -> bool:
    if rh_pct != s.still_rh or math.isnan(s.still_rh_c):
        s.still_rh = rh_pct
        s.still_rh_t = t
        s.still_rh_c = s.smooth_c
        s.still_rh_k = 0.0
        return False
    s.still_rh_k = max(s.still_rh_k, abs(s.smooth_c - s.still_rh_c))
    return t - s.still_rh_t >= DAY_S and s.still_rh_k >= MOVED_K and rh_pct < SATURATED_PCT


@kernel
def _air_kept_still(s: Record, t: float, ambient_c: float) -> bool:
    if ambient_c != s.still_air or math.isnan(s.still_air_c):
        s.still_air = ambient_c
        s.still_air_t = t
        s.still_air_c = s.smooth_c
        s.still_air_k = 0.0
        return False
    s.still_air_k = max(s.still_air_k, abs(s.smooth_c - s.still_air_c))
    return bool(t - s.still_air_t >= DAY_S and s.still_air_k >= MOVED_K)
