"""Judging readings at the door: values that can't be right are flagged, never changed and never dropped.

`judge` for one row and `judge_columns` for many give the same flags. Both are stateless: what needs the
readings before (repeats, meter resets, a stuck sensor) is found by the engine, which sets the bits kept
for it here. A bus code that equals a normal reading is not flagged at the door: at 4 kPa a bit, "error"
and "not available" read 1016 and 1020 kPa (147 and 148 psi), an everyday pressure of a 150 psi machine;
only what the unit does over time can tell.
"""

from __future__ import annotations

from enum import IntFlag
from typing import NamedTuple

import msgspec
import numpy as np

from ingest.reading import SIGNALS, FloatArray, IntArray, Reading, Readings
from ingest.units_of_measure import KPA_PER_PSI, MS_PER_DAY, MS_PER_S


class Quality(IntFlag):
    """What is known against a reading. The low 16 bits are set at the door, the others by the engine."""

    GOOD = 0
    DISCHARGE_TEMP_OUT_OF_RANGE = 1 << 0
    PRESSURE_OUT_OF_RANGE = 1 << 1
    HOURS_OUT_OF_RANGE = 1 << 2
    AMBIENT_RH_OUT_OF_RANGE = 1 << 3
    AMBIENT_TEMP_OUT_OF_RANGE = 1 << 4
    BUS_ERROR_CODE = 1 << 5
    """A value out of range that equals the bus's "error" code in a usual scaling."""
    NOT_AVAILABLE = 1 << 6
    """A value out of range that equals the bus's "not available" code in a usual scaling."""
    RECEIVED_TIME_USED = 1 << 7
    """No time was sent; `observed_at_ms` is the time of receipt, or counted back from it."""
    CLOCK_WRONG = 1 << 8
    """`observed_at_ms` lies in the future, before any such truck reported anything, or, of a reading that
    comes live, longer ago than any truck keeps what it has not sent."""
    REPEATED = 1 << 16
    """An old message again under a new time."""
    METER_RESET = 1 << 17
    """The hour meter stepped back, or on by more than the time that passed."""
    UNIT_SWAPPED = 1 << 18
    """The numbers fit another unit of measure than the name says."""
    PRESSURE_AMBIGUOUS = 1 << 19
    """1016 or 1020 kPa that the unit's other signals show to be a bus code."""
    SENSOR_STUCK = 1 << 20
    SENSOR_STEPPED = 1 << 21
    """The temperature of a standing unit has changed in seconds by more than oil can, and stayed."""


OUT_OF_RANGE: dict[str, Quality] = {
    "discharge_temp_c": Quality.DISCHARGE_TEMP_OUT_OF_RANGE,
    "pressure_kpa": Quality.PRESSURE_OUT_OF_RANGE,
    "hours": Quality.HOURS_OUT_OF_RANGE,
    "ambient_rh_pct": Quality.AMBIENT_RH_OUT_OF_RANGE,
    "ambient_temp_c": Quality.AMBIENT_TEMP_OUT_OF_RANGE,
}
"""The flag that takes one signal of a reading out of the analysis."""

RANGES: dict[str, tuple[float, float]] = {
    # Oil-flooded machines trip at 110-120 degC (published trade figure); nothing real comes near 200.
    "discharge_temp_c": (-60.0, 200.0),
    # Zero offset down to -4 psi is a healthy transducer; relief opens near 200 psi, with 10 % accumulation
    # and 2 % of sensor error below this limit (common practice).
    "pressure_kpa": (-4.0 * KPA_PER_PSI, 1_600.0),
    # 22 years of running without a stop.
    "hours": (0.0, 200_000.0),
    # Capacitive sensors read slightly over 100 when wet (common practice).
    "ambient_rh_pct": (0.0, 101.0),
    "ambient_temp_c": (-60.0, 80.0),
}
"""Signal -> (low, high), both still possible. House units."""

FUTURE_TOLERANCE_MS = 600 * MS_PER_S
"""Truck clocks drift by minutes between two corrections; chosen."""
OLDEST_LIVE_MS = 90 * MS_PER_DAY
"""A truck out of reach keeps what it measures for days or weeks; what comes live and is older than a season
is a clock's that has lost its time. Log files may be of any age. Chosen."""
EARLIEST_OBSERVED_AT_MS = 1_577_836_800_000
"""2020-01-01: earlier instants come from clocks that restarted at their epoch; chosen."""


class BusCode(NamedTuple):
    """Values that a decoder shows when it scales a "no value" code as if it were one."""

    low: float
    high: float
    flag: Quality


def _codes(scale: float, offset: float, n_bytes: int, tolerance: float) -> tuple[BusCode, BusCode]:
    """Scaled values of the error (0xFE..) and not-available (0xFF..) codes of one parameter.

    `tolerance` is half the last digit of senders that convert and round before they send.
    """
    span = 256 ** (n_bytes - 1)
    error, missing, end = (raw * span * scale + offset for raw in (0xFE, 0xFF, 0x100))
    between = missing - scale / 2.0
    return (
        BusCode(error - tolerance, min(missing - scale + tolerance, between), Quality.BUS_ERROR_CODE),
        BusCode(max(missing - tolerance, between), end - scale + tolerance, Quality.NOT_AVAILABLE),
    )


_TEMPERATURE_CODES = _codes(1.0, -40.0, 1, 0.06) + _codes(0.03125, -273.0, 2, 0.06)
BUS_CODES: dict[str, tuple[BusCode, ...]] = {
    "discharge_temp_c": _TEMPERATURE_CODES,
    "pressure_kpa": _codes(8.0, 0.0, 1, 0.4) + _codes(16.0, 0.0, 1, 0.4) + _codes(0.5, 0.0, 2, 0.4),
    "hours": _codes(0.05, 0.0, 4, 0.06),
    "ambient_rh_pct": _codes(0.4, 0.0, 1, 0.06),
    "ambient_temp_c": _TEMPERATURE_CODES,
}
"""Codes of SAE J1939-71 parameters in their usual scalings (from memory); not 4 kPa a bit, see above."""

_LOW_TEMP, _HIGH_TEMP = RANGES["discharge_temp_c"]
_LOW_PRESSURE, _HIGH_PRESSURE = RANGES["pressure_kpa"]
_LOW_HOURS, _HIGH_HOURS = RANGES["hours"]
_LOW_RH, _HIGH_RH = RANGES["ambient_rh_pct"]
_LOW_AMBIENT, _HIGH_AMBIENT = RANGES["ambient_temp_c"]


def judge(reading: Reading) -> int:
    """Flags of one reading as judged at the door, on top of those that it already carries."""
    return reading.quality | judge_values(
        reading.observed_at_ms,
        reading.received_at_ms,
        reading.discharge_temp_c,
        reading.pressure_kpa,
        reading.hours,
        reading.ambient_rh_pct,
        reading.ambient_temp_c,
    )


def judge_live(reading: Reading) -> Reading:
    """A judged reading as it comes from a truck, flagged if it is older than any that waited to be sent."""
    if reading.observed_at_ms >= reading.received_at_ms - OLDEST_LIVE_MS:
        return reading
    return msgspec.structs.replace(reading, quality=reading.quality | int(Quality.CLOCK_WRONG))


def judge_values(
    observed_at_ms: int,
    received_at_ms: int,
    discharge_temp_c: float,
    pressure_kpa: float,
    hours: float,
    ambient_rh_pct: float,
    ambient_temp_c: float,
) -> int:
    """Flags of one row given as plain values; 0 for a good one, NaN counts as not reported."""
    flags = 0
    if not EARLIEST_OBSERVED_AT_MS <= observed_at_ms <= received_at_ms + FUTURE_TOLERANCE_MS:
        flags = int(Quality.CLOCK_WRONG)
    # Comparisons with NaN are false: an unreported signal is never out of range.
    if (
        discharge_temp_c > _HIGH_TEMP
        or discharge_temp_c < _LOW_TEMP
        or pressure_kpa > _HIGH_PRESSURE
        or pressure_kpa < _LOW_PRESSURE
        or hours > _HIGH_HOURS
        or hours < _LOW_HOURS
        or ambient_rh_pct > _HIGH_RH
        or ambient_rh_pct < _LOW_RH
        or ambient_temp_c > _HIGH_AMBIENT
        or ambient_temp_c < _LOW_AMBIENT
    ):
        values = (discharge_temp_c, pressure_kpa, hours, ambient_rh_pct, ambient_temp_c)
        for signal, value in zip(SIGNALS, values, strict=True):
            flags |= _judge_value(signal, value)
    return flags


def _judge_value(signal: str, value: float) -> int:
    low, high = RANGES[signal]
    if not (value < low or value > high):
        return 0
    flags = int(OUT_OF_RANGE[signal])
    for code in BUS_CODES[signal]:
        if code.low <= value <= code.high:
            flags |= int(code.flag)
    return flags


def judge_columns(readings: Readings) -> IntArray:
    """Flags of every row, shape (n,), on top of those that the rows already carry."""
    flags = readings.quality.astype(np.int64, copy=True)
    wrong = (readings.observed_at_ms < EARLIEST_OBSERVED_AT_MS) | (
        readings.observed_at_ms > readings.received_at_ms + FUTURE_TOLERANCE_MS
    )
    flags[wrong] |= int(Quality.CLOCK_WRONG)
    for signal in SIGNALS:
        _judge_column(signal, getattr(readings, signal), flags)
    return flags


def _judge_column(signal: str, values: FloatArray, flags: IntArray) -> None:
    """Set the flags of one signal in place."""
    low, high = RANGES[signal]
    rows = np.flatnonzero((values < low) | (values > high))
    if not len(rows):
        return
    flags[rows] |= int(OUT_OF_RANGE[signal])
    for code in BUS_CODES[signal]:
        inside = (values[rows] >= code.low) & (values[rows] <= code.high)
        flags[rows[inside]] |= int(code.flag)


def names(quality: int) -> list[str]:
    """Names of the flags in a bit set, for people to read; bits without a name are left out."""
    return [flag.name for flag in Quality if flag & quality and flag.name]
