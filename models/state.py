"""The compiled fold's memory: what it keeps of a unit, what it is told, and the rows it hands out.

Three numpy record types. `STATE` is all that survives between two readings, so a unit costs a fixed few
kilobytes; `CONSTANTS` is a unit's profile and the engine's parameters as plain numbers; `RUN_ROW` and
`DECISION_ROW` come out of the fold. Inside the fold instants are Unix seconds (float) and end in `_t`.
"""

from __future__ import annotations

import datetime as dt
import functools
import math
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from ingest.profile import UnitProfile
from ingest.units_of_measure import M3_S_PER_CFM
from models.atmosphere import standard_pressure_kpa
from models.delivered_air import NAMEPLATE_GPM, free_air_cfm
from models.parameters import Parameters

Record = Any
"""A numpy record array of one of these types, or one row of it: numpy's annotations know no field names."""

N_BINS = 30
BIN_S = 30.0
"""Warm-up memory: means over half a minute, a quarter of an hour deep."""
N_SOAK = 6
SOAK_BIN_S = 600.0
"""Cooling memory: means over ten minutes, an hour deep."""
N_DOUBT_BINS, N_DOUBTS = 8, 21
"""Counters of doubtful readings: spans of time, kinds of doubt (`models.doubts`)."""
N_MARKS = 8
N_MARKED = 18
MARK_S = 90.0
"""Memory of a run's account, once more where pressure last held and once at the start: an end that is found
out later is closed with what stood then."""
N_AIR = 4
"""Unknowns of the air: see `models.air_filter`."""
N_HABITS, N_KEPT = 7, 24
"""Quantities of a run that are compared with the unit's own, and how many of each are remembered."""
N_STARTS, N_JUDGED = 32, 5
"""Timed starts that are remembered, and the last ones that were judged."""
N_FEATURES = 24
N_SIGNALS = 5
N_GAPS = 8
"""Long silences that are remembered: two months of a truck that works one week in two."""


BLOWN_DOWN_FRACTION, CHARGED_FRACTION = 0.10, 0.14
"""Of the rated pressure: below the one a sump has blown down, above the other it is charged. Restart is
permitted below 35-100 kPa, and an unloaded sump keeps 30-60 psi, 207 kPa at least (common practice): between
the two only a fall that was watched tells a stop. [-]"""
ASSUMED_FRACTION = 0.95
"""Of the rated pressure: where a sump works whose pressure can't be told (assumption: just under the
control band, which is 70 kPa wide by common practice). [-]"""


def _floats(*names: str) -> list[tuple[str, str]]:
    return [(name, "f8") for name in names]


STATE = np.dtype(
    [
        *_floats("t", "first_t"),
        # How late the newest reading came, and when; readings out of order (`models.clock_steps`).
        *_floats("lag_s", "came_t", "ordered_n", "again_n", "again_lag_s", "time_broke"),
        # Newest usable value of each signal, and when it came.
        *_floats("temp_c", "temp_t", "pressure_kpa", "pressure_t", "hours", "hours_t"),
        # Humidity: newest value, when it came, when the air was last told it, and the vapour that it made.
        *_floats("rh_pct", "rh_t", "rh_told_t", "rh_vapour_ln"),
        *_floats("raw_c", "raw_before_c", "raw_t"),
        *_floats("seen_c", "seen_kpa", "seen_h", "seen_rh", "changed_t"),
        # Smoothed temperature, its recent low and high with their times.
        *_floats("smooth_c", "valley_c", "valley_t", "peak_c", "peak_t", "temp_before_c"),
        # A step of the temperature in seconds: when it began, from where, to where, and whether it was told.
        *_floats("step_began_t", "step_last_t", "step_from_c", "step_to_c", "step_told"),
        # Hour meter: last two steps, the first of an unbroken series, resolution, how far it can be believed.
        *_floats("step_t", "step_before_t", "step_h", "meter_belief", "meter_silent_s"),
        *_floats("hours_before_t", "step_from_t", "series_t", "series_from_t", "idle_h"),
        # Pressure: recent floor, last time it held and moved, when a fall or a climb began, belief.
        *_floats("floor_kpa", "hold_t", "anchor_kpa", "anchor_t", "before_start_kpa"),
        *_floats(
            "fall_t",
            "fall_kpa",
            "hold_kpa",
            "level_kpa",
            "ref_t",
            "ref_kpa",
            "foot_t",
            "climb_t",
            "pressure_before_t",
        ),
        *_floats("pressure_trusted", "conflict_t", "conflict_s", "conflict_kind", "agree_s"),
        *_floats("conflict_n", "conflict_seen_t", "minute_kpa", "minute_t", "climbing"),
        *_floats("top_kpa", "slow_kpa", "below_s", "unload_belief"),
        # The run in hand.
        *_floats("running", "start_t", "start_temp_c", "confirmed", "pressure_up", "pending_t"),
        *_floats("pending_c", "under_t", "low_t", "low_dt", "start_error_s", "end_error_s"),
        *_floats("start_how", "end_how"),
        *_floats("run_readings", "run_peak_c", "run_hot_s", "run_dry_s", "run_to_hot_t", "run_last_t"),
        *_floats(
            "run_dew_c", "run_required_c", "run_air_m3", "run_in_g", "run_out_g", "run_over_g", "run_hours"
        ),
        *_floats("run_water_start_g", "run_decided_min", "run_distrust_s", "run_last_c"),
        *_floats(
            "run_kpa",
            "run_flow",
            "run_least",
            "run_most",
            "run_shut",
            "run_dried",
            "run_inferred",
            "shut_from_g",
            "dry_after_s",
        ),
        *_floats("run_rise_k", "run_steps", "run_rose", "run_low_s"),
        *_floats("now_dew_c", "now_required_c", "now_least_c", "now_hot"),
        *_floats("stop_t", "stop_temp_c"),
        # Water: estimate and bounds now, the run's account at some moments before, and the day in hand.
        *_floats("water_g", "water_low_g", "water_high_g"),
        ("marks", "f8", (N_MARKS + 2, N_MARKED)),
        ("mark_head", "i8"),
        *_floats("start_water_g", "start_low_g", "start_high_g"),
        *_floats("day"),
        # Ambient air: estimate, variance, smoothed humidity, cold spells.
        *_floats("ambient_c", "ambient_var", "ambient_t", "rh_smooth"),
        *_floats("swing_k", "vapour_ln", "air_bias_k2", "fog_t", "place_ln", "rh_part", "near_part"),
        # Covariances of air temperature, daily amplitude and vapour: see `models.air_filter`.
        ("air_p", "f8", (N_AIR, N_AIR)),
        *_floats("cold_s", "cold_low_c", "cooling_s"),
        *_floats("vapour_pa", "vapour_low_pa", "vapour_high_pa"),
        # What readings are worth: discharge and ambient temperature, pressure, stillness.
        *_floats(
            "temp_f", "temp_tries", "temp_sure", "temp_open", "temp_swap_t", "temp_refused", "temp_steady_n"
        ),
        *_floats("took_c", "took_c_t", "took_k_s", "try_raw", "try_t", "try_steep", "at_work_s"),
        *_floats("burning_n", "burning_t", "burning_raw", "burnt_runs", "burnt_start_t", "burnt_unreal"),
        *_floats("hot_raw", "hot_raw_t", "hot_raw_n", "hot_raw_moved"),
        *_floats("air_f", "air_tries", "air_hot_n", "air_steady_n", "took_air_c", "took_air_t"),
        *_floats(
            "kpa_unit", "took_kpa", "took_kpa_t", "real_kpa", "real_kpa_t", "fours_n", "eights_n", "tens_n"
        ),
        *_floats("kpa_try", "try_kpa", "try_kpa_t", "try_kpa_n", "try_kpa_h", "try_kpa_c", "try_kpa_moved"),
        *_floats(
            "plateau_unit", "plateau_t", "plateau_top", "plateau_low", "plateau_runs", "rest_raw", "usual_kpa"
        ),
        *_floats("still_kpa", "still_kpa_t", "still_kpa_n", "still_kpa_most"),
        *_floats("still_c", "still_c_t", "still_run_s", "seen_seq"),
        *_floats("still_rh", "still_rh_t", "still_rh_c", "still_rh_k"),
        *_floats("still_air", "still_air_t", "still_air_c", "still_air_k"),
        ("doubt_period", "f8", N_DOUBT_BINS),
        ("doubt_n", "u2", (N_DOUBT_BINS, N_DOUBTS)),
        # Histories the patterns ask for.
        *_floats("wet_runs", "last_dry_t", "first_wet_t", "own_to_hot_min", "never_hot_runs"),
        # Pressure: how it builds up after this start, and how it did after earlier ones.
        *_floats(
            "rest_t", "rest_kpa", "building", "build_t", "build_gap_s", "build_last_t", "build_last_kpa"
        ),
        *_floats("build_rest_from_t", "build_rest_s", "starts_skipped", "slow_starts_n"),
        ("start_took_s", "f8", N_STARTS),
        ("start_rest_s", "f8", N_STARTS),
        ("start_began_c", "f8", N_STARTS),
        ("judged_slow", "f8", N_JUDGED),
        ("judged_took_s", "f8", N_JUDGED),
        ("judged_t", "f8", N_JUDGED),
        # Heat: how the run in hand is watched, and the unit's own usual hottest.
        *_floats("heat_check_t", "heat_on", "heat_since_t", "heat_told_t", "heat_near_s", "heat_calm_s"),
        *_floats(
            "heat_top_c",
            "heat_warned",
            "heat_noise_k2",
            "heat_last_c",
            "heat_step_k",
            "heat_seen_n",
            "usual_hot_c",
            "usual_hot_air_c",
            "usual_hot_spread_k",
        ),
        ("hot_c", "f8", 8),
        ("hot_air_c", "f8", 8),
        ("wet_t", "f8", 16),
        # What the run in hand and the stop before it show, and the unit's own usual of it.
        *_floats("rise_t", "rise_heat", "rise_k_min", "rise_last_c", "rise_last_t", "build_took_s"),
        *_floats("settled_s", "settled_mean_c", "settled_k2", "loaded_s", "loaded_kpa_s"),
        *_floats("cooling_due", "cooled_per_h", "habit_runs"),
        ("habit", "f8", (N_HABITS, N_KEPT)),
        ("habit_odd_n", "f8", N_HABITS),
        # Messages repeated, and the verdict on each signal with what leads to it.
        *_floats("still_s", "still_n", "still_told", "sensor_news", "sensor_told_t"),
        ("sensor_fault", "f8", N_SIGNALS),
        ("sensor_since_t", "f8", N_SIGNALS),
        ("sensor_ran", "f8", N_SIGNALS),
        ("sensor_bad_n", "f8", N_SIGNALS),
        ("sensor_bad_s", "f8", N_SIGNALS),
        ("sensor_bad_t", "f8", N_SIGNALS),
        ("sensor_good_n", "f8", N_SIGNALS),
        ("sensor_known_n", "f8", N_SIGNALS),
        *_floats("lone_c", "lone_t", "lone_swapped", "lone_full", "leap_t", "leap_from_c", "stuck_t"),
        *_floats("jump_t", "jump_n", "jump_last_t"),
        *_floats("temp_anchor_c", "temp_anchor_t", "others_n"),
        *_floats("zero_stop_t", "zero_first_t", "zero_kpa", "zero_n"),
        *_floats("rh_anchor_pct", "rh_anchor_t", "rh_still_s", "rh_still_n", "rh_low_c", "rh_high_c"),
        # Silences: how long the latest ones were, and when they ended.
        ("gap_long_s", "f8", N_GAPS),
        ("gap_ended_t", "f8", N_GAPS),
        ("bin_t", "f8", N_BINS),
        ("bin_sum", "f8", N_BINS),
        ("bin_n", "f8", N_BINS),
        ("bin_head", "i8"),
        ("soak_sum", "f8", N_SOAK),
        ("soak_n", "f8", N_SOAK),
        ("soak_count", "i8"),
        ("soak_t", "f8"),
    ],
    align=True,
)

CONSTANTS = np.dtype(
    [
        *_floats("max_kpa", "valve_kpa", "on_kpa", "off_kpa", "working_kpa", "assumed_kpa"),
        *_floats("ambient_abs_kpa", "rated_m3_s", "oil_g", "harmful_g", "dry_g"),
        *_floats("margin_k", "floor_c", "rh_over_water", "gap_s"),
        *_floats("short_run_s", "wet_hot_s", "wet_gain_g"),
        *_floats("drying_low", "drying_best", "drying_high", "air_floor"),
        *_floats("cooling_s", "swing_k", "solar_offset_s", "cold_kit"),
        *_floats("silent_s"),
    ],
    align=True,
)

RUN_ROW = np.dtype(
    _floats(
        "start_t",
        "end_t",
        "last_t",
        "start_temp_c",
        "peak_c",
        "end_temp_c",
        "ambient_c",
        "ambient_error_k",
        "dew_c",
        "required_c",
        "hot_s",
        "dry_s",
        "dried",
        "to_hot_t",
        "air_m3",
        "in_g",
        "out_g",
        "over_g",
        "water_start_g",
        "water_end_g",
        "wet",
        "trusted",
        "pressure_says",
        "oil_says",
        "meter_says",
        "start_how",
        "end_how",
        "start_error_s",
        "end_error_s",
        "inferred",
        "decided_t",
    ),
    align=True,
)

DECISION_ROW = np.dtype(
    [*_floats("t", "kind", "run_start_t", "since_t"), ("features", "f8", N_FEATURES)], align=True
)

# Kinds of decision row.
WARMING, RUN_ENDED, DRIED, PRESSURE_DOUBT, PRESSURE_SOUND, GOT_HOT = 1.0, 2.0, 3.0, 4.0, 5.0, 6.0
DAY_ENDED = 7.0
SILENCE, SILENCE_ENDED, STILL, MOVED_AGAIN, SENSORS = 16.0, 17.0, 18.0, 19.0, 20.0
HEAT_RISING, HEAT_CALM, HEAT_UNREAL = 8.0, 9.0, 12.0
PRESSURE_BUILT, RUN_COMPARED = 10.0, 11.0

# Kinds of conflict between the pressure sensor and everything else.
NO_CONFLICT, LOW_WHILE_RUNNING, HIGH_WHILE_STOPPED, STUCK_ACROSS_EDGE, SLOW_TO_FOLLOW = (
    0.0,
    1.0,
    2.0,
    3.0,
    4.0,
)

ZERO_AT_FIRST = frozenset(
    {
        "step_told",
        "again_n",
        "time_broke",
        "conflict_s",
        "conflict_n",
        "climbing",
        "conflict_kind",
        "agree_s",
        "unload_belief",
        "below_s",
        "running",
        "confirmed",
        "pressure_up",
        "run_readings",
        "water_g",
        "water_low_g",
        "water_high_g",
        "cold_s",
        "wet_runs",
        "never_hot_runs",
        "meter_silent_s",
        "now_hot",
        "building",
        "starts_skipped",
        "slow_starts_n",
        "heat_on",
        "heat_near_s",
        "heat_calm_s",
        "heat_warned",
        "cooling_due",
        "habit_runs",
        "habit_odd_n",
        "bin_head",
        "soak_count",
        "idle_h",
        "run_inferred",
        "run_shut",
        "run_dried",
        "run_rose",
        "run_steps",
        "run_low_s",
        "start_error_s",
        "end_error_s",
        "start_how",
        "end_how",
        "mark_head",
        "start_water_g",
        "start_low_g",
        "start_high_g",
        "temp_f",
        "temp_tries",
        "temp_refused",
        "temp_sure",
        "try_steep",
        "temp_steady_n",
        "air_steady_n",
        "took_k_s",
        "at_work_s",
        "burning_n",
        "burnt_runs",
        "burnt_unreal",
        "hot_raw_n",
        "hot_raw_moved",
        "air_f",
        "air_tries",
        "air_hot_n",
        "kpa_unit",
        "fours_n",
        "eights_n",
        "tens_n",
        "kpa_try",
        "plateau_unit",
        "plateau_runs",
        "still_kpa_n",
        "still_kpa_most",
        "still_run_s",
        "still_s",
        "still_n",
        "still_told",
        "sensor_news",
        "sensor_fault",
        "sensor_ran",
        "sensor_bad_n",
        "sensor_bad_s",
        "sensor_good_n",
        "sensor_known_n",
        "jump_n",
        "lone_swapped",
        "others_n",
        "zero_n",
        "rh_still_s",
        "rh_still_n",
        "near_part",
    }
)


def fresh_state() -> Record:
    """The state before any reading: every instant and signal unknown (NaN), nothing retained, shape (1,)."""
    state = np.zeros(1, STATE)
    for name in STATE.names or ():
        if name not in ZERO_AT_FIRST and state[name].dtype.kind == "f":
            state[name] = math.nan
    state["pressure_trusted"] = 1.0
    state["meter_belief"] = 0.5
    state["step_h"] = 0.1
    state["ordered_n"] = math.inf
    state["temp_open"] = 1.0
    state["bin_n"] = 0.0
    state["soak_n"] = 0.0
    return state


@functools.lru_cache(maxsize=16_384)
def constants(profile: UnitProfile, parameters: Parameters) -> Record:
    """A unit's profile and the engine's parameters as the fold's plain numbers, shape (1,); read only.

    Live operation asks for them with every reading of every unit.
    """
    row = np.zeros(1, CONSTANTS)
    oil_g = profile.oil_charge_kg * 1000.0
    harmful_g = parameters.harmful_water_fraction * oil_g
    values: dict[str, Any] = {
        "max_kpa": profile.max_pressure_kpa,
        "valve_kpa": profile.min_pressure_valve_kpa,
        "off_kpa": BLOWN_DOWN_FRACTION * profile.max_pressure_kpa,
        "on_kpa": CHARGED_FRACTION * profile.max_pressure_kpa,
        "working_kpa": parameters.working_pressure_fraction * profile.min_pressure_valve_kpa,
        "assumed_kpa": ASSUMED_FRACTION * profile.max_pressure_kpa,
        "ambient_abs_kpa": standard_pressure_kpa(profile.altitude_m),
        "rated_m3_s": _free_air_cfm(profile) * M3_S_PER_CFM,
        "oil_g": oil_g,
        "harmful_g": harmful_g,
        "dry_g": parameters.dry_water_fraction * harmful_g,
        "margin_k": parameters.required_margin_k,
        "floor_c": parameters.required_floor_c,
        "rh_over_water": float(parameters.rh_over_water),
        "gap_s": parameters.gap_s,
        "silent_s": parameters.silent_after_h * 3600.0,
        "short_run_s": parameters.short_run_min * 60.0,
        "wet_hot_s": parameters.wet_hot_min * 60.0,
        "wet_gain_g": parameters.wet_gain_g,
        "drying_low": parameters.drying_low,
        "drying_best": parameters.drying_best,
        "drying_high": parameters.drying_high,
        "air_floor": parameters.carrying_air_floor,
        "cooling_s": parameters.cooling_time_constant_min * 60.0,
        "swing_k": parameters.daily_swing_k,
        "solar_offset_s": _standard_offset_s(profile.tz),
        "cold_kit": float(profile.cold_weather_kit),
    }
    for name, value in values.items():
        row[name] = value
    return row


def _free_air_cfm(profile: UnitProfile) -> float:
    """Free air at most: what the nameplate says, and no more than the hydraulic flow can drive. [CFM]"""
    usual = UnitProfile(unit_id=profile.unit_id)
    driven = free_air_cfm(usual.rated_cfm, profile.hydraulic_gpm, NAMEPLATE_GPM)
    return min(profile.rated_cfm, float(driven))


def _standard_offset_s(tz: str) -> float:
    """Offset of the zone's standard time: the sun knows no summer time. [s]"""
    at = dt.datetime(2026, 1, 1, tzinfo=ZoneInfo(tz))
    offset, summer = at.utcoffset() or dt.timedelta(), at.dst() or dt.timedelta()
    return (offset - summer).total_seconds()
