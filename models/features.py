"""What the patterns are judged by: at each moment that matters, a short row of physical quantities.

A row carries ratios and margins (of the required temperature, of the harmful amount, of the rated pressure),
never a machine's own constants, so that what is learnt on one family of machines holds on another. Compiled.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import S_PER_H
from models.compiled import kernel
from models.signals import recent_mean_c
from models.state import RUN_ENDED, WARMING, Record

S_PER_DAY = 24.0 * S_PER_H
WEEK_S = 7.0 * S_PER_DAY

WARMING_COLUMNS = (
    "elapsed_min",
    "short_of_required_k",
    "slope_k_min",
    "forecast_short_k",
    "forecast_to_hot_min",
    "progress",
    "climb_k",
    "never_hot_runs",
    "own_warm_up_ratio",
    "warm_start_k",
    "steepness_ratio",
    "required_c",
    "straight_ratio",
    "bent_ratio",
)
RUN_COLUMNS = (
    "wet_runs_week",
    "water_ratio",
    "water_low_ratio",
    "water_high_ratio",
    "gain_ratio",
    "mean_gain_ratio",
    "since_dry_days",
    "since_first_wet_days",
    "wet",
    "projected_ratio",
    "run_min",
    "hot_min",
)
PRESSURE_COLUMNS = (
    "conflict_kind",
    "conflict_min",
    "ambient_c",
    "ambient_error_k",
    "cold_low_c",
    "cold_h",
    "temp_change_k",
    "metered_min",
    "pressure_ratio",
    "unmoved_min",
    "cold_kit",
    "since_edge_min",
    "pressure_kpa",
    "contradicted_ago_s",
)


@kernel
def warming_row(s: Record, c: Record, t: float, row: Record) -> None:
    """Where the warm-up of the run in hand stands and where its curve is heading.

    Three means, a third of the run apart, give two slopes; their ratio is how the approach slows down, and
    the geometric series of further steps gives the end temperature. The longer the run, the wider the base: a
    slow machine's bend drowns in noise over two minutes.
    """
    apart_s = min(max((t - s.start_t) / 3.0, 120.0), 300.0)
    now_c = recent_mean_c(s, t - 90.0, t + 1.0)
    mid_c = recent_mean_c(s, t - apart_s - 90.0, t - apart_s)
    old_c = recent_mean_c(s, t - 2.0 * apart_s - 90.0, t - 2.0 * apart_s)
    if math.isnan(now_c):
        now_c = s.smooth_c
    # Judged against the least that the doubt about the air leaves, so that doubt never makes a finding.
    required_c = s.now_least_c
    short_k = required_c - now_c
    step_k = now_c - mid_c
    before_k = mid_c - old_c
    if math.isnan(step_k):
        step_k = (now_c - s.start_temp_c) * apart_s / max(t - s.start_t, apart_s)
    slowing = step_k / before_k if before_k > 0.2 else 0.9
    slowing = min(max(slowing, 0.0), 0.97)
    left_k = max(step_k, 0.0) * slowing / (1.0 - slowing)
    to_hot_min = 120.0
    if left_k > short_k > 0.0 and slowing > 0.01:
        steps = math.log(1.0 - short_k / left_k) / math.log(slowing)
        to_hot_min = min(steps * apart_s / 60.0, 120.0)
    row.kind = WARMING
    row.t = t
    row.run_start_t = s.start_t
    row.since_t = s.start_t
    f = row.features
    f[0] = (t - s.start_t) / 60.0
    f[1] = short_k
    f[2] = 60.0 * step_k / apart_s
    f[3] = min(max(short_k - left_k, -60.0), 90.0)
    f[4] = to_hot_min
    f[5] = (now_c - s.start_temp_c) / max(required_c - s.start_temp_c, 5.0)
    f[6] = required_c - s.ambient_c
    f[7] = min(s.never_hot_runs, 3.0)
    f[8] = min(f[0] / max(s.own_to_hot_min, 2.0), 10.0)
    f[9] = s.start_temp_c - s.ambient_c
    f[10] = slowing
    f[11] = required_c
    f[12] = min(max(10.0 * f[2] / max(short_k, 1.0), -1.0), 4.0)
    f[13] = min(left_k / max(short_k, 1.0), 4.0)


@kernel
def wet_runs_in_week(s: Record, t: float) -> float:
    """Wet runs that ended in the seven days before `t`, since the sump was last dry."""
    n = 0.0
    for i in range(16):
        if t - s.wet_t[i] <= WEEK_S:
            n += 1.0
    return n


@kernel
def run_row(s: Record, c: Record, t: float, end_t: float, wet: bool, row: Record) -> None:
    """How wet the sump is after a run, how it got so and where it is heading."""
    n = wet_runs_in_week(s, t)
    harmful_g = c.harmful_g
    first_t = s.first_wet_t
    span_days = 1.0
    if not math.isnan(first_t):
        span_days = min(max((t - first_t) / S_PER_DAY, 1.0), 7.0)
    mean_gain_g = s.water_g / max(s.wet_runs, 1.0)
    dry_t = s.last_dry_t if not math.isnan(s.last_dry_t) else s.first_t
    row.kind = RUN_ENDED
    row.t = t
    row.run_start_t = s.start_t
    row.since_t = first_t
    f = row.features
    f[0] = n
    f[1] = s.water_g / harmful_g
    f[2] = s.water_low_g / harmful_g
    f[3] = s.water_high_g / harmful_g
    f[4] = (s.water_g - s.run_water_start_g) / harmful_g
    f[5] = mean_gain_g / harmful_g
    f[6] = min((t - dry_t) / S_PER_DAY, 30.0)
    f[7] = 0.0 if math.isnan(first_t) else min((t - first_t) / S_PER_DAY, 30.0)
    f[8] = 1.0 if wet else 0.0
    f[9] = (s.water_g + 3.0 * n / span_days * mean_gain_g) / harmful_g
    f[10] = (end_t - s.start_t) / 60.0
    f[11] = s.run_hot_s / 60.0


@kernel
def pressure_row(s: Record, c: Record, t: float, kind: float, row: Record) -> None:
    """What speaks for ice in the sensor's port, and what against it."""
    row.kind = kind
    row.t = t
    row.run_start_t = s.start_t
    row.since_t = s.conflict_t
    f = row.features
    f[0] = s.conflict_kind
    f[1] = s.conflict_s / 60.0
    f[2] = s.ambient_c
    f[3] = math.sqrt(s.ambient_var)
    f[4] = s.ambient_c if math.isnan(s.cold_low_c) else s.cold_low_c
    f[5] = s.cold_s / S_PER_H
    f[6] = s.smooth_c - s.start_temp_c if s.running > 0.0 else s.stop_temp_c - s.smooth_c
    f[7] = 60.0 * (s.hours - s.run_hours) if s.running > 0.0 else 0.0
    f[8] = s.pressure_kpa / c.max_kpa
    f[9] = min((t - s.anchor_t) / 60.0, 1440.0)
    f[10] = c.cold_kit
    f[11] = (t - (s.start_t if s.running > 0.0 else s.stop_t)) / 60.0
    f[12] = s.pressure_kpa
    f[13] = t - s.conflict_seen_t
