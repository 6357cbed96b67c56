"""How a unit stands by its state: now, with the run and the day in hand, and where that run is heading."""

from __future__ import annotations

import math

import numpy as np

from ingest.profile import UnitProfile
from ingest.units_of_measure import PA_PER_KPA
from models import ambient, doubts, moisture, row_records
from models.artefact import PatternModels
from models.features import warming_row
from models.fold import EARLIEST_FORECAST_S
from models.forecast import FEATURES, LATEST_MIN
from models.humidity import pressure_dew_point_c, required_temp_c
from models.parameters import Parameters
from models.patterns.watch import instant
from models.records import Event, Finding, UnitStatus, WarmUpForecast, WaterDay
from models.run_confidence import load_run_confidence
from models.state import DECISION_ROW, Record, constants
from models.unit_state import State


def status(
    state: State, profile: UnitProfile, parameters: Parameters, models: PatternModels
) -> UnitStatus | None:
    """How the unit stands after its newest reading; None before the first."""
    s = state.memory[0]
    at = instant(float(s["t"]))
    if at is None:
        return None
    running = bool(s["running"] > 0 and math.isnan(s["pending_t"]))
    const = constants(profile, parameters)[0]
    dew_c, required_c = (float(s["now_dew_c"]), float(s["now_required_c"])) if running else _at_rest(s, const)
    at_c = max(required_c, 80.0)

    def now(newest_t: str) -> bool:
        """Whether a signal still comes: an old pressure shown as the present one could hurt somebody."""
        return bool(s["t"] - s[newest_t] <= const["gap_s"])

    dry_out_s = moisture.dry_out_needed_s(s, const, at_c)
    return UnitStatus(
        unit_id=state.unit_id,
        observed_at=at,
        running=running,
        discharge_temp_c=float(s["raw_c"]) if now("temp_t") else math.nan,
        required_temp_c=required_c,
        pressure_dew_point_c=dew_c,
        pressure_kpa=float(s["pressure_kpa"]) if now("pressure_t") else math.nan,
        pressure_trusted=bool(s["pressure_trusted"] > 0) and now("pressure_t"),
        hours=float(s["hours"]),
        ambient_temp_c=float(s["ambient_c"]),
        ambient_error_k=float(np.sqrt(s["ambient_var"])),
        ambient_rh_pct=float(s["rh_pct"]) if ambient.rh_stands(s, s["t"]) else math.nan,
        water_g=float(s["water_g"]),
        water_low_g=float(s["water_low_g"]),
        water_high_g=float(s["water_high_g"]),
        dry_out_min=float(dry_out_s) / 60.0,
        dry_out_longest_min=max(float(moisture.dry_out_longest_s(s, const, at_c)), float(dry_out_s)) / 60.0,
        seen_dry=not math.isnan(s["last_dry_t"]),
        run=row_records.run_in_hand(state.unit_id, s, models.run_confidence) if running else None,
        doubtful=doubts.of_last_day(s),
        forecast=_forecast(s, const, models) if running else None,
    )


def _forecast(s: Record, const: Record, models: PatternModels) -> WarmUpForecast | None:
    """The forecast for the run in hand, as long as there is one to give."""
    elapsed_s = float(s["t"] - s["start_t"])
    if s["confirmed"] == 0 or not math.isnan(s["run_to_hot_t"]) or elapsed_s < EARLIEST_FORECAST_S:
        return None
    if elapsed_s > 60.0 * LATEST_MIN:
        return None
    row = np.zeros(1, DECISION_ROW)
    warming_row(s, const, float(s["t"]), row[0])
    return models.forecast.forecast(row[0]["features"][: len(FEATURES)])


def _at_rest(s: Record, const: Record) -> tuple[float, float]:
    """Pressure dew point and required temperature that the next run at working pressure will meet. [degC]"""
    ambient_kpa = float(const["ambient_abs_kpa"])
    dew_c = pressure_dew_point_c(
        float(s["vapour_pa"]),
        PA_PER_KPA * ambient_kpa,
        PA_PER_KPA * (ambient_kpa + float(const["assumed_kpa"])),
    )
    return dew_c, required_temp_c(dew_c, float(const["margin_k"]), float(const["floor_c"]))


def standing(state: State) -> list[Finding]:
    """Findings that are open."""
    return [watch.finding for watch in state.watches.values() if watch.finding is not None]


def unfinished(state: State, models: PatternModels | None = None) -> list[Event]:
    """What is not over yet: the run in hand and the day in hand, as far as they have got.

    Parameters
    ----------
    models : PatternModels, optional
        Those that say how sure the run is; those that come with the program when left out.
    """
    s, day = state.memory[0], day_in_hand(state)
    if day is None:
        return []
    if not (s["running"] > 0 and s["confirmed"] > 0):
        return [day]
    sure = models.run_confidence if models else load_run_confidence()
    return [row_records.run_in_hand(state.unit_id, s, sure), day]


def day_in_hand(state: State) -> WaterDay | None:
    """The water of the day that is not over yet; None before the first reading."""
    s = state.memory[0]
    if math.isnan(s["t"]):
        return None
    return WaterDay(
        unit_id=state.unit_id,
        date=row_records.date_of(int(s["day"])),
        grams=float(s["water_g"]),
        low=float(s["water_low_g"]),
        high=float(s["water_high_g"]),
    )
