"""Numbers and instants as people read them, in the units they asked for. Pure.

The only place on the board where a quantity becomes text; factors come from `ingest.units_of_measure`.
"""

from __future__ import annotations

import datetime as dt
import enum
import math
from html import escape
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ingest.reading import FloatArray
from ingest.units_of_measure import (
    FAHRENHEIT_PER_KELVIN,
    GRAMS_PER_US_FLUID_OUNCE_WATER,
    M3_PER_FT3,
    f_from_c,
    psi_from_kpa,
)

UNKNOWN = "\N{EN DASH}"
MINUS = "\N{MINUS SIGN}"


class System(enum.StrEnum):
    """Unit system of the display; the store and the API stay in house units."""

    US = "us"
    SI = "si"


TEMP_UNIT = {System.US: "°F", System.SI: "°C"}
PRESSURE_UNIT = {System.US: "psi", System.SI: "kPa"}
WATER_UNIT = {System.US: "fl oz", System.SI: "g"}
WATER_DIGITS = {System.US: 1, System.SI: 0}
VOLUME_UNIT = {System.US: "ft³", System.SI: "m³"}


def temp_value(celsius: float, system: System) -> float:
    """Temperature in the unit of display."""
    return f_from_c(celsius) if system is System.US else celsius


def pressure_value(kpa: float, system: System) -> float:
    """Gauge pressure in the unit of display."""
    return psi_from_kpa(kpa) if system is System.US else kpa


def water_value(grams: float, system: System) -> float:
    """Liquid water in the unit of display."""
    return grams / GRAMS_PER_US_FLUID_OUNCE_WATER if system is System.US else grams


def temps(celsius: FloatArray, system: System) -> FloatArray:
    """Temperatures in the unit of display; shape kept."""
    return f_from_c(celsius) if system is System.US else celsius


def pressures(kpa: FloatArray, system: System) -> FloatArray:
    """Gauge pressures in the unit of display; shape kept."""
    return psi_from_kpa(kpa) if system is System.US else kpa


def waters(grams: FloatArray, system: System) -> FloatArray:
    """Liquid water in the unit of display; shape kept."""
    return grams / GRAMS_PER_US_FLUID_OUNCE_WATER if system is System.US else grams


def _text(value: float, digits: int, unit: str) -> str:
    return UNKNOWN if math.isnan(value) else f"{value:,.{digits}f}\u202f{unit}".replace("-", MINUS)


def temp(celsius: float, system: System) -> str:
    """Temperature with its unit; a dash when not known."""
    return _text(temp_value(celsius, system), 0, TEMP_UNIT[system])


def temp_difference(kelvin: float, system: System) -> str:
    """Temperature difference with its unit, unsigned."""
    value = abs(kelvin) * (FAHRENHEIT_PER_KELVIN if system is System.US else 1.0)
    return _text(value, 0, TEMP_UNIT[system])


def above_or_below(kelvin: float, system: System) -> str:
    """Temperature difference from a level, with the side of it in a word."""
    if math.isnan(kelvin):
        return UNKNOWN
    return f"{temp_difference(kelvin, system)} {'below' if kelvin < 0 else 'above'}"


def pressure(kpa: float, system: System) -> str:
    """Gauge pressure with its unit."""
    return _text(pressure_value(kpa, system), 0, PRESSURE_UNIT[system])


def water(grams: float, system: System) -> str:
    """Water with its unit; tenths of a fluid ounce (about 3 g), whole grams."""
    return _text(water_value(grams, system), WATER_DIGITS[system], WATER_UNIT[system])


def water_band(low_g: float, high_g: float, system: System) -> str:
    """Low and high bound as one range."""
    if math.isnan(low_g) or math.isnan(high_g):
        return UNKNOWN
    digits = WATER_DIGITS[system]
    low, high = (f"{water_value(grams, system):,.{digits}f}" for grams in (low_g, high_g))
    return f"{low} to {high}\u202f{WATER_UNIT[system]}"


def volume(cubic_m: float, system: System) -> str:
    """Free air volume with its unit."""
    value = cubic_m / M3_PER_FT3 if system is System.US else cubic_m
    return _text(value, 0 if system is System.US else 1, VOLUME_UNIT[system])


def hours(value_h: float) -> str:
    """Hour meter, one decimal as the meters themselves show."""
    return _text(value_h, 1, "h")


def minutes(value_min: float) -> str:
    """A duration given in minutes, in words short enough for a table."""
    if math.isnan(value_min):
        return UNKNOWN
    if math.isinf(value_min):
        return "never"
    if value_min < 1.0:
        return f"{round(value_min * 60)}\u202fs"
    if value_min < 120.0:
        return f"{value_min:.0f}\u202fmin"
    return f"{value_min / 60:.1f}\u202fh" if value_min < 60 * 48 else f"{value_min / 1440:.1f}\u202fdays"


def zone(name: str) -> dt.tzinfo:
    """The yard's time zone; UTC when the profile names one that does not exist."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return dt.UTC


def instant(at: dt.datetime, tz: dt.tzinfo) -> str:
    """Local date and time to the minute, sortable, with no zone: the page states it once."""
    return at.astimezone(tz).strftime("%Y-%m-%d %H:%M")


def ago(seconds: float) -> str:
    """How long ago, in words; negative counts as now."""
    if seconds < 5:
        return "now"
    for size_s, name in ((86_400, "d"), (3_600, "h"), (60, "min")):
        if seconds >= size_s:
            return f"{int(seconds // size_s)}\u202f{name} ago"
    return f"{int(seconds)}\u202fs ago"


def markup(text: str) -> str:
    """Text as it may stand inside markup, quotes included."""
    return escape(text, quote=True)


def counted(n: int, one: str, many: str | None = None) -> str:
    """Number and noun in agreement: "1 truck", "3 trucks"."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def ms_of(at: dt.datetime) -> int:
    """Unix milliseconds of an aware instant."""
    return round(at.timestamp() * 1000)


def from_ms(at_ms: int) -> dt.datetime:
    """Aware UTC instant of Unix milliseconds."""
    return dt.datetime.fromtimestamp(at_ms / 1000, tz=dt.UTC)
