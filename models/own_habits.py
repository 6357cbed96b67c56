"""What each run shows of the machine, against the unit's own last runs: how it warms, settles, builds, cools.

Seven quantities a run, as far as the run can tell them; how far each lies from the unit's own median, in
robust standard deviations, is the row that a novelty model is asked about. Compiled; called by the fold.
"""

from __future__ import annotations

import math

import numpy as np

from ingest.reading import FloatArray
from models.compiled import kernel
from models.state import N_HABITS, N_KEPT, RUN_COMPARED, Record

WARM_UP, SETTLED, WOBBLE, BUILD_UP, MEAN_PRESSURE, COOLING, HOT_SHARE = range(N_HABITS)
HABITS = ("warm_up", "settled", "wobble", "build_up", "mean_pressure", "cooling", "hot_share")
COLUMNS = (
    *(f"{name}_z" for name in HABITS),
    *(f"{name}_change" for name in HABITS),
    "n_runs",
)
"""Deviations [-], NaN where the run can't tell; changes: K for `settled`, a difference of parts for
`mean_pressure` and `hot_share`, a part of the usual for the others, which are compared as logarithms; runs
remembered."""

LEAST_SPREAD = (0.10, 1.5, 0.25, 0.30, 0.03, 0.12, 0.08)
"""What sensors can tell at best, in the quantity's own terms: K for `settled`, a part for the others."""
LEARNT_WITHIN = 4.0
"""Further off than this is not learnt, or a fault would become usual."""
RELEARN_AFTER = 30.0
"""So many in a row are the unit's new way: somebody has changed it, or its work."""
FARTHEST = 12.0
ENOUGH_VALUES = 8
ENOUGH_RUNS = 20.0
ENOUGH_TOLD = 2

COLD_START_K = 15.0
"""A start nearer to the air than this is a cold one."""
RISE_FROM_K, RISE_TO_K = 8.0, 24.0
"""The part of a warm-up that is timed: past the first stirring of the sump, before a thermal valve opens."""
IDLE_HEAT = 0.6
"""Part of full load's heat that an unloaded screw makes (common practice: 60 to 70 % of full-load power)."""
SETTLED_FROM_S, LONG_S, LEAST_SETTLED_S = 1200.0, 1800.0, 300.0
FILLED_S, LEAST_PRESSURE_S = 120.0, 600.0
COOLED_FROM_S, COOLED_TO_S = 1200.0, 2400.0
COOLING_FROM_K = 30.0
"""Above the air at the stop: what is left of it must stand out of the doubt about the air."""
LEAST_WOBBLE_K = 0.3


@kernel
def begin_run(s: Record, t: float) -> None:
    """A run has begun: nothing is known of it yet."""
    s.rise_t = math.nan
    s.rise_heat = 0.0
    s.rise_k_min = math.nan
    s.rise_last_c = s.smooth_c
    s.rise_last_t = t
    s.settled_s = 0.0
    s.settled_mean_c = 0.0
    s.settled_k2 = 0.0
    s.loaded_s = 0.0
    s.loaded_kpa_s = 0.0
    s.build_took_s = math.nan


@kernel
def _time_rise(s: Record, t: float, dt: float) -> None:
    """Rate between two temperatures above the start, at full load's heat, from a cold start. [K/min]"""
    from_c, to_c = s.start_temp_c + RISE_FROM_K, s.start_temp_c + RISE_TO_K
    before_c, before_t = s.rise_last_c, s.rise_last_t
    s.rise_last_c = s.smooth_c
    s.rise_last_t = t
    heat = IDLE_HEAT + (1.0 - IDLE_HEAT) * s.run_flow
    if math.isnan(s.rise_t):
        if before_c < from_c <= s.smooth_c < to_c and s.start_temp_c - s.ambient_c < COLD_START_K:
            s.rise_t = before_t + (from_c - before_c) / (s.smooth_c - before_c) * (t - before_t)
            s.rise_heat = heat * (t - s.rise_t)
        return
    if s.smooth_c < to_c:
        s.rise_heat += heat * dt
        return
    part = (to_c - before_c) / max(s.smooth_c - before_c, 1e-3)
    s.rise_heat += heat * part * (t - before_t)
    if math.isnan(s.rise_k_min) and s.rise_heat > 0.0:
        s.rise_k_min = (RISE_TO_K - RISE_FROM_K) * 60.0 / s.rise_heat


@kernel
def watch_run(s: Record, t: float, dt: float) -> None:
    """Look at one reading of the run in hand."""
    if math.isnan(s.rise_k_min):
        _time_rise(s, t, dt)
    ran_s = t - s.start_t
    if ran_s >= SETTLED_FROM_S and dt > 0.0:
        s.settled_s += dt
        step_k = s.smooth_c - s.settled_mean_c
        s.settled_mean_c += step_k * dt / s.settled_s
        s.settled_k2 += step_k * (s.smooth_c - s.settled_mean_c) * dt
    if ran_s >= FILLED_S and s.pressure_trusted > 0.0 and s.pressure_kpa == s.pressure_kpa:
        s.loaded_s += dt
        s.loaded_kpa_s += s.pressure_kpa * dt


@kernel
def at_rest(s: Record, t: float) -> None:
    """Time how fast the oil cools after a stop, once a stop. [1/h]"""
    rested_s = t - s.stop_t
    if not (s.cooling_due > 0.0 and rested_s >= COOLED_FROM_S):
        return
    s.cooling_due = 0.0
    above_k, left_k = s.stop_temp_c - s.ambient_c, s.smooth_c - s.ambient_c
    if rested_s <= COOLED_TO_S and above_k >= COOLING_FROM_K and left_k > 0.3 * above_k:
        s.cooled_per_h = math.log(above_k / left_k) * 3600.0 / rested_s


@kernel
def _measure(s: Record, c: Record, end_t: float, x: FloatArray) -> None:
    """What the run that has ended shows, NaN where it can't tell."""
    lasted_s = end_t - s.start_t
    x[WARM_UP] = math.log(s.rise_k_min)
    if lasted_s >= LONG_S:
        x[HOT_SHARE] = s.run_hot_s / lasted_s
        if s.settled_s >= LEAST_SETTLED_S:
            x[SETTLED] = s.settled_mean_c
            x[WOBBLE] = math.log(math.sqrt(max(s.settled_k2, 0.0) / s.settled_s) + LEAST_WOBBLE_K)
    x[BUILD_UP] = math.log(max(s.build_took_s, 1.0)) if s.build_took_s == s.build_took_s else math.nan
    if s.loaded_s >= LEAST_PRESSURE_S:
        x[MEAN_PRESSURE] = s.loaded_kpa_s / s.loaded_s / c.max_kpa
    x[COOLING] = math.log(s.cooled_per_h) if s.cooled_per_h > 0.0 else math.nan


@kernel
def compare(s: Record, i: int, value: float) -> tuple[float, float]:
    """Deviation of `value` from what is remembered of quantity `i`, and from its median; learn it. [-, own]

    NaN while too few values are remembered.
    """
    z = off = math.nan
    if not math.isnan(s.habit[i, ENOUGH_VALUES - 1]):
        median = np.nanmedian(s.habit[i])
        spread = 1.4826 * np.nanmedian(np.abs(s.habit[i] - median))
        off = value - median
        z = min(max(off / max(spread, LEAST_SPREAD[i]), -FARTHEST), FARTHEST)
    s.habit_odd_n[i] = s.habit_odd_n[i] + 1.0 if abs(z) > LEARNT_WITHIN else 0.0
    if s.habit_odd_n[i] == 0.0 or s.habit_odd_n[i] > RELEARN_AFTER:
        for k in range(N_KEPT - 1, 0, -1):
            s.habit[i, k] = s.habit[i, k - 1]
        s.habit[i, 0] = value
    return z, off


@kernel
def end_run(s: Record, c: Record, t: float, end_t: float, row: Record) -> bool:
    """Compare the run that has ended with the ones before it; True when `row` tells of it."""
    x = np.full(N_HABITS, math.nan)
    _measure(s, c, end_t, x)
    s.cooled_per_h = math.nan
    s.cooling_due = 1.0
    told = compared = 0
    for i in range(N_HABITS):
        row.features[i] = math.nan
        row.features[N_HABITS + i] = math.nan
        if math.isnan(x[i]):
            continue
        told += 1
        z, off = compare(s, i, x[i])
        if math.isnan(z):
            continue
        compared += 1
        row.features[i] = z
        as_part = i != SETTLED and i != MEAN_PRESSURE and i != HOT_SHARE
        row.features[N_HABITS + i] = math.exp(off) - 1.0 if as_part else off
    enough = s.habit_runs >= ENOUGH_RUNS and compared >= ENOUGH_TOLD
    if enough:
        row.kind = RUN_COMPARED
        row.t = t
        row.run_start_t = s.start_t
        row.since_t = s.start_t
        row.features[2 * N_HABITS] = min(s.habit_runs, float(N_KEPT))
    if told > 0:
        s.habit_runs += 1.0
    return enough
