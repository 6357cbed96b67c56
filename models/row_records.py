"""The fold's rows as records: instants become aware times, seconds become minutes."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator

import msgspec
import numpy as np

from models import build_up, overheat, own_habits
from models.features import PRESSURE_COLUMNS, RUN_COLUMNS, WARMING_COLUMNS
from models.forecast import FEATURES, LATEST_MIN, Forecaster
from models.patterns.watch import Moment, instant
from models.records import Outcome, Run, WaterDay
from models.run_account import describe_run
from models.run_confidence import RunConfidence
from models.silence import SILENCE_COLUMNS
from models.soundness import SENSOR_COLUMNS
from models.staleness import STALE_COLUMNS
from models.state import (
    HEAT_RISING,
    HEAT_UNREAL,
    MOVED_AGAIN,
    PRESSURE_BUILT,
    PRESSURE_DOUBT,
    PRESSURE_SOUND,
    RUN_COMPARED,
    RUN_ENDED,
    RUN_ROW,
    SENSORS,
    SILENCE,
    SILENCE_ENDED,
    STILL,
    WARMING,
    Record,
)

COLUMNS_OF_KIND = {
    RUN_ENDED: RUN_COLUMNS,
    WARMING: WARMING_COLUMNS,
    PRESSURE_DOUBT: PRESSURE_COLUMNS,
    PRESSURE_SOUND: PRESSURE_COLUMNS,
    SILENCE: SILENCE_COLUMNS,
    SILENCE_ENDED: SILENCE_COLUMNS,
    HEAT_RISING: overheat.COLUMNS,
    HEAT_UNREAL: overheat.COLUMNS,
    PRESSURE_BUILT: build_up.COLUMNS,
    RUN_COMPARED: own_habits.COLUMNS,
    STILL: STALE_COLUMNS,
    MOVED_AGAIN: STALE_COLUMNS,
    SENSORS: SENSOR_COLUMNS,
}
SAME_G = 0.5
"""Less than this is no change that sensors could tell. [g]"""


def moment(unit_id: str, row: Record) -> Moment:
    """A decision row with its instants as times and its features by name."""
    names = COLUMNS_OF_KIND.get(float(row["kind"]), ())
    at = instant(float(row["t"]))
    if at is None:
        raise ValueError("a decision row without an instant")
    return Moment(
        unit_id=unit_id,
        kind=float(row["kind"]),
        at=at,
        run_start_at=instant(float(row["run_start_t"])),
        since_at=instant(float(row["since_t"])),
        features=dict(zip(names, row["features"].tolist(), strict=False)),
    )


def with_forecast(moment: Moment, row: Record, forecaster: Forecaster) -> Moment:
    """The same moment of a warm-up with the level that is forecast for it, while there is one to give."""
    if moment.features["elapsed_min"] > LATEST_MIN:
        return moment
    seen = forecaster.forecast(row["features"][: len(FEATURES)])
    level = {"level_low_c": seen.level_low_c, "level_c": seen.level_c, "level_high_c": seen.level_high_c}
    return msgspec.structs.replace(moment, features=moment.features | level)


def water_days(unit_id: str, row: Record) -> Iterator[WaterDay]:
    """The water of every day that has ended: a silent day ends as the one before it."""
    first = date_of(int(row["since_t"]))
    for n in range(int(row["run_start_t"] - row["since_t"])):
        yield WaterDay(
            unit_id=unit_id,
            date=first + dt.timedelta(days=n),
            grams=float(row["features"][0]),
            low=float(row["features"][1]),
            high=float(row["features"][2]),
        )


def date_of(day: int) -> dt.date:
    """UTC date of a day counted from 1970-01-01."""
    return dt.date(1970, 1, 1) + dt.timedelta(days=day)


def run_in_hand(unit_id: str, s: Record, confidence: RunConfidence) -> Run:
    """The run that is not over yet, as far as it has got."""
    row = np.zeros(1, RUN_ROW)
    describe_run(s, row[0])
    row["start_t"], row["end_t"] = s["start_t"], math.nan
    return run(unit_id, row[0], confidence)


def run(unit_id: str, row: Record, confidence: RunConfidence) -> Run:
    """A run row as the record that people and stores see; an end that is NaN becomes None."""
    start_at, last_at = instant(float(row["start_t"])), instant(float(row["last_t"]))
    if start_at is None or last_at is None:
        raise ValueError("a run without an instant")
    # What a full sump carries over was added all the same.
    gain_g = float(row["water_end_g"] + row["over_g"] - row["water_start_g"])
    to_hot_t = float(row["to_hot_t"])
    return Run(
        unit_id=unit_id,
        start_at=start_at,
        end_at=instant(float(row["end_t"])),
        last_at=last_at,
        start_temp_c=float(row["start_temp_c"]),
        peak_temp_c=float(row["peak_c"]),
        end_temp_c=float(row["end_temp_c"]),
        ambient_temp_c=float(row["ambient_c"]),
        ambient_error_k=float(row["ambient_error_k"]),
        pressure_dew_point_c=float(row["dew_c"]),
        required_temp_c=float(row["required_c"]),
        dew_margin_k=float(row["peak_c"] - row["dew_c"]),
        hot_min=float(row["hot_s"]) / 60.0,
        dry_min=float(row["dry_s"]) / 60.0,
        time_to_hot_min=None if math.isnan(to_hot_t) else (to_hot_t - float(row["start_t"])) / 60.0,
        delivered_m3=float(row["air_m3"]),
        water_in_g=float(row["in_g"]),
        water_out_g=float(row["out_g"]),
        water_carried_over_g=float(row["over_g"]),
        water_start_g=float(row["water_start_g"]),
        water_end_g=float(row["water_end_g"]),
        wet=bool(row["wet"] > 0),
        pressure_trusted=bool(row["trusted"] > 0),
        outcome=_outcome(gain_g, bool(row["dried"] > 0)),
        confidence=confidence.probability(row),
        start_error_s=None if math.isnan(row["start_error_s"]) else float(row["start_error_s"]),
        end_error_s=float(row["end_error_s"]),
        inferred=bool(row["inferred"] > 0),
    )


def _outcome(gain_g: float, dried: bool) -> Outcome:
    """A long hot run that still leaves water has not dried the sump: what counts is what it leaves."""
    if dried:
        return Outcome.DRIED_OUT
    return Outcome.ADDED_WATER if gain_g > SAME_G else Outcome.HELD
