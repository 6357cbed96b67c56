"""Numbers, times and names as a reader sees them: US customary or SI, local time, one safe line. Pure."""

from __future__ import annotations

import datetime as dt
import math
import unicodedata
import zoneinfo

from alerts.routing import UnitsSystem
from ingest.units_of_measure import (
    FAHRENHEIT_PER_KELVIN,
    GRAMS_PER_US_FLUID_OUNCE_WATER,
    f_from_c,
    psi_from_kpa,
)
from models.records import Evidence

LONGEST_NAME = 60
NOT_KNOWN = "not known"


def one_line(text: str, longest: int = LONGEST_NAME) -> str:
    """Text that can't break a header, a line or the reading direction, cut to `longest` characters.

    Unit names come over the wire, so they are not to be trusted.
    """
    plain = "".join(" " if unicodedata.category(char)[0] in "CZ" else char for char in text)
    joined = " ".join(plain.split())
    return joined if len(joined) <= longest else joined[: longest - 1] + "…"


def temperature(celsius: float, units_system: UnitsSystem) -> str:
    """A temperature with its unit, to the degree."""
    if math.isnan(celsius):
        return NOT_KNOWN
    return f"{f_from_c(celsius):.0f} °F" if units_system == "us" else f"{celsius:.0f} °C"


def temperature_difference(kelvin: float, units_system: UnitsSystem) -> str:
    """A difference of temperatures with its unit."""
    if math.isnan(kelvin):
        return NOT_KNOWN
    return f"{kelvin * FAHRENHEIT_PER_KELVIN:.0f} °F" if units_system == "us" else f"{kelvin:.0f} K"


def pressure(kpa: float, units_system: UnitsSystem) -> str:
    """A gauge pressure with its unit."""
    if math.isnan(kpa):
        return NOT_KNOWN
    return f"{psi_from_kpa(kpa):.0f} psi" if units_system == "us" else f"{kpa:.0f} kPa"


def water(grams: float, units_system: UnitsSystem) -> str:
    """An amount of water with its unit; fluid ounces below ten to a tenth."""
    if math.isnan(grams):
        return NOT_KNOWN
    if units_system == "si":
        return f"{grams:.0f} g"
    ounces = grams / GRAMS_PER_US_FLUID_OUNCE_WATER
    return f"{ounces:.0f} fl oz" if ounces >= 9.95 else f"{ounces:.1f} fl oz"


_US_BY_SUFFIX = {
    "_c": (temperature, "°F"),
    "_k": (temperature_difference, "°F"),
    "_kpa": (pressure, "psi"),
    "_g": (water, "fl oz"),
}


def evidence_line(evidence: Evidence, units_system: UnitsSystem) -> str:
    """The evidence in words; for US readers its number again in their unit, unless the words hold it."""
    text = one_line(evidence.text, 300)
    if units_system == "si" or not math.isfinite(evidence.value):
        return text
    for suffix, (worded, unit) in _US_BY_SUFFIX.items():
        if evidence.name.endswith(suffix) and unit not in text:
            stop = "." if text.endswith(".") else ""
            return f"{text.removesuffix('.')} ({worded(evidence.value, 'us')}){stop}"
    return text


def yard_zone(tz: str) -> dt.tzinfo:
    """The yard's time zone; UTC when the name is none."""
    try:
        return zoneinfo.ZoneInfo(tz)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return dt.UTC


def local_time(at: dt.datetime, tz: str, units_system: UnitsSystem) -> str:
    """An instant in the yard's time with its zone: 12-hour for US readers, 24-hour for the others."""
    local = at.astimezone(yard_zone(tz))
    if units_system == "us":
        hour = local.strftime("%I").lstrip("0")
        return f"{local:%a %b} {local.day}, {hour}:{local:%M} {local:%p %Z}"
    return f"{local:%a} {local.day} {local:%b}, {local:%H:%M %Z}"


def duration(span: dt.timedelta) -> str:
    """A span in the one or two largest units that matter."""
    minutes = max(round(span.total_seconds() / 60), 0)
    if minutes < 120:
        return f"{minutes} min"
    hours = round(minutes / 60)
    if hours < 48:
        return f"{hours} h"
    return f"{round(hours / 24)} days"
