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
from models.warm_up import FURTHEST_K, USUAL_TAU_MIN, approach

OIL_TURNS_S = 60.0
"""Until the oil has gone round, the sensor shows where it lay, not what it takes up."""
NOW_S = 90.0
"""What the temperature is now: three half minutes' mean, for noise and a valve's hunting are quicker."""
S_PER_MIN = 60.0
S_PER_DAY = 24.0 * S_PER_H
WEEK_DAYS = 7.0
WEEK_S = WEEK_DAYS * S_PER_DAY
AHEAD_DAYS = 3.0
"""How far the last week's wet runs are carried on: a working half week, within which a dry-out can be had."""
MONTH_DAYS, DAY_MIN = 30.0, 1440.0
"""Times from here on are all the same: long."""
LEAST_RISE_K, LEAST_SHORT_K, LEAST_SD_K, LEAST_OWN_MIN = 5.0, 1.0, 1.0, 2.0
"""Least that a ratio is taken of, so that next to nothing makes none run away."""
LEFT_LOW, LEFT_HIGH, SPARE_MOST, AIR_MOST, OWN_MOST, NEVER_HOT_MOST = -1.0, 5.0, 20.0, 1.5, 10.0, 3.0
"""Ends of the ratios: beyond them every case is alike."""

WARMING_COLUMNS = (
    "elapsed_min",
    "now_c",
    "required_c",
    "short_of_required_k",
    "above_air_k",
    "warm_start_k",
    "progress",
    "rate_k_min",
    "tau_min",
    "left_k",
    "left_sd_k",
    "scatter_k",
    "left_ratio",
    "spare_ratio",
    "air_share",
    "own_warm_up_ratio",
    "never_hot_runs",
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
    """Where the warm-up of the run in hand stands and where its curve is heading."""
    elapsed_min = (t - s.start_t) / S_PER_MIN
    now_c = recent_mean_c(s, t - NOW_S, t + 1.0)
    if math.isnan(now_c):
        now_c = s.smooth_c
    # Judged against the least that the doubt about the air leaves, so that doubt never makes a finding.
    required_c = s.now_least_c
    short_k = required_c - now_c
    rate, tau_min, left_k, left_sd_k, scatter_k = approach(s, s.start_t + OIL_TURNS_S)
    if math.isnan(rate):
        rate = (now_c - s.start_temp_c) / max(elapsed_min, 1.0)
        tau_min, left_k, left_sd_k, scatter_k = USUAL_TAU_MIN, rate * USUAL_TAU_MIN, FURTHEST_K, 0.0
    row.kind = WARMING
    row.t = t
    row.run_start_t = s.start_t
    row.since_t = s.start_t
    f = row.features
    f[0] = elapsed_min
    f[1] = now_c
    f[2] = required_c
    f[3] = short_k
    f[4] = now_c - s.ambient_c
    f[5] = s.start_temp_c - s.ambient_c
    f[6] = (now_c - s.start_temp_c) / max(required_c - s.start_temp_c, LEAST_RISE_K)
    f[7] = rate
    f[8] = tau_min
    f[9] = left_k
    f[10] = left_sd_k
    f[11] = scatter_k
    f[12] = min(max(left_k / max(short_k, LEAST_SHORT_K), LEFT_LOW), LEFT_HIGH)
    f[13] = min(max((left_k - short_k) / max(left_sd_k, LEAST_SD_K), -SPARE_MOST), SPARE_MOST)
    f[14] = min(s.run_air_m3 / max(c.rated_m3_s * (t - s.start_t), 1e-6), AIR_MOST)
    f[15] = min(elapsed_min / max(s.own_to_hot_min, LEAST_OWN_MIN), OWN_MOST)
    f[16] = min(s.never_hot_runs, NEVER_HOT_MOST)


@kernel
def wet_runs_in_week(s: Record, t: float) -> float:
    """Wet runs that ended in the seven days before `t`, since the sump was last dry."""
    n = 0.0
    for i in range(s.wet_t.shape[0]):
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
        span_days = min(max((t - first_t) / S_PER_DAY, 1.0), WEEK_DAYS)
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
    f[6] = min((t - dry_t) / S_PER_DAY, MONTH_DAYS)
    f[7] = 0.0 if math.isnan(first_t) else min((t - first_t) / S_PER_DAY, MONTH_DAYS)
    f[8] = 1.0 if wet else 0.0
    f[9] = (s.water_g + AHEAD_DAYS * n / span_days * mean_gain_g) / harmful_g
    f[10] = (end_t - s.start_t) / S_PER_MIN
    f[11] = s.run_hot_s / S_PER_MIN


@kernel
def pressure_row(s: Record, c: Record, t: float, kind: float, row: Record) -> None:
    """What speaks for ice in the sensor's port, and what against it."""
    row.kind = kind
    row.t = t
    row.run_start_t = s.start_t
    row.since_t = s.conflict_t
    f = row.features
    f[0] = s.conflict_kind
    f[1] = s.conflict_s / S_PER_MIN
    f[2] = s.ambient_c
    f[3] = math.sqrt(s.ambient_var)
    f[4] = s.ambient_c if math.isnan(s.cold_low_c) else s.cold_low_c
    f[5] = s.cold_s / S_PER_H
    f[6] = s.smooth_c - s.start_temp_c if s.running > 0.0 else s.stop_temp_c - s.smooth_c
    f[7] = S_PER_H / S_PER_MIN * (s.hours - s.run_hours) if s.running > 0.0 else 0.0
    f[8] = s.pressure_kpa / c.max_kpa
    f[9] = min((t - s.anchor_t) / S_PER_MIN, DAY_MIN)
    f[10] = c.cold_kit
    f[11] = (t - (s.start_t if s.running > 0.0 else s.stop_t)) / S_PER_MIN
    f[12] = s.pressure_kpa
    f[13] = t - s.conflict_seen_t
