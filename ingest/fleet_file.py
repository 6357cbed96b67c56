"""A fleet as a CSV file: one line a unit, one column a field of `UnitProfile`; pure but for reading the file.

Every fault is told at once, with its line, because a fleet list is mended in a spreadsheet, not one
error at a time.
"""

from __future__ import annotations

import csv
import zoneinfo
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from ingest.profile import UnitProfile
from ingest.units_of_measure import KPA_PER_PSI, M_PER_FOOT

MAX_FAULTS = 100
"""A file of another kind would fail on every line; this many tell enough."""


class FleetFileError(ValueError):
    """A fleet file can't be used. `faults` holds one line of text for each thing wrong with it."""

    def __init__(self, path: Path, faults: list[str]) -> None:
        self.path = path
        self.faults = faults
        super().__init__(f"{path}: " + "; ".join(faults))


@dataclass(frozen=True, kw_only=True)
class _Column:
    """Where a column's value goes, and how its text becomes one."""

    field: str
    parse: Callable[[str], Any]
    """Raises ValueError that says what was expected."""


def _number(low: float, high: float, unit: str, scale: float = 1.0) -> Callable[[str], float]:
    """Parser of a plausible number in the file's unit; `scale` takes it to the house unit."""

    def parse(text: str) -> float:
        expected = f"expected a number from {low:g} to {high:g} {unit}"
        try:
            value = float(text)
        except ValueError:
            raise ValueError(expected) from None
        # Python alone reads 8_0 as a number; in a list it is a slip of the hand.
        if "_" in text or not low <= value <= high:
            raise ValueError(expected)
        return value * scale

    return parse


_YES_NO = {
    "yes": True,
    "true": True,
    "1": True,
    "y": True,
    "no": False,
    "false": False,
    "0": False,
    "n": False,
}


def _yes_no(text: str) -> bool:
    try:
        return _YES_NO[text.lower()]
    except KeyError:
        raise ValueError("expected yes or no (or true, false, 1, 0)") from None


def _time_zone(text: str) -> str:
    try:
        zoneinfo.ZoneInfo(text)
    # A name that is a folder or escapes the data base is an OSError or ValueError, by platform.
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError("expected an IANA time zone such as America/Chicago") from None
    return text


def _unit_id(text: str) -> str:
    # The unit's name is one level of its MQTT topic, where these have a meaning of their own.
    if len(text) > 128 or any(c in "/+#" or not c.isprintable() for c in text):
        raise ValueError("expected up to 128 printable characters without / + #")
    return text


def _text(text: str) -> str:
    if len(text) > 200 or not text.isprintable():
        raise ValueError("expected up to 200 printable characters")
    return text


COLUMNS: dict[str, _Column] = {
    "unit": _Column(field="unit_id", parse=_unit_id),
    "label": _Column(field="label", parse=_text),
    "yard": _Column(field="yard", parse=_text),
    "customer": _Column(field="customer", parse=_text),
    "rated_cfm": _Column(field="rated_cfm", parse=_number(10, 500, "CFM")),
    "hydraulic_gpm": _Column(field="hydraulic_gpm", parse=_number(1, 100, "US gal/min")),
    "max_pressure_kpa": _Column(field="max_pressure_kpa", parse=_number(300, 3500, "kPa gauge")),
    "max_pressure_psi": _Column(field="max_pressure_kpa", parse=_number(43.5, 508, "psi gauge", KPA_PER_PSI)),
    "min_pressure_valve_kpa": _Column(field="min_pressure_valve_kpa", parse=_number(50, 1500, "kPa gauge")),
    "min_pressure_valve_psi": _Column(
        field="min_pressure_valve_kpa", parse=_number(7, 218, "psi gauge", KPA_PER_PSI)
    ),
    "oil_charge_kg": _Column(field="oil_charge_kg", parse=_number(0.5, 200, "kg")),
    "altitude_m": _Column(field="altitude_m", parse=_number(-450, 6000, "m")),
    "altitude_ft": _Column(field="altitude_m", parse=_number(-1477, 19_686, "ft", M_PER_FOOT)),
    "cold_weather_kit": _Column(field="cold_weather_kit", parse=_yes_no),
    "exercise_interval_days": _Column(field="exercise_interval_days", parse=_number(0.5, 366, "days")),
    "tz": _Column(field="tz", parse=_time_zone),
}
"""Every column a fleet file may have. Ranges are chosen wide: they catch a wrong unit, not a rare machine."""


def read_fleet_csv(path: Path, known: Mapping[str, UnitProfile] | None = None) -> list[UnitProfile]:
    """Profiles from a CSV file, in the file's order.

    The first line names the columns (see `COLUMNS`); only ``unit`` must be there. An empty cell takes the
    default of `UnitProfile`. Encoding is UTF-8, with or without a byte order mark.

    Parameters
    ----------
    known : mapping, optional
        Profiles there are already, by unit_id: a field whose column the file lacks stays as it is there.
        A unit that is not among them takes the default for it.

    Raises
    ------
    FleetFileError
        Listing everything wrong: unknown, repeated or contradicting columns, values out of range or of the
        wrong kind, units named twice, a file that can't be read.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            lines = csv.reader(file, strict=True, skipinitialspace=True)
            header = [name.strip() for name in next(lines, [])]
            faults = _header_faults(header)
            if faults:
                raise FleetFileError(path, faults)
            return _profiles(path, header, lines, known or {})
    except FileNotFoundError as error:
        raise FleetFileError(path, [f"no such file: {path}"]) from error
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise FleetFileError(path, [f"not a readable UTF-8 CSV file: {error}"]) from error


def _header_faults(header: list[str]) -> list[str]:
    if not any(header):
        return [f"line 1: empty, expected column names, of which there are {', '.join(COLUMNS)}"]
    if len(header) == 1 and (separator := next((c for c in ";\t" if c in header[0]), None)):
        shown = "tabs" if separator == "\t" else "semicolons"
        return [f"line 1: columns must be separated by commas, these are separated by {shown}"]
    faults = [
        f"line 1: unknown column {name!r}, expected one of {', '.join(COLUMNS)}"
        for name in header
        if name not in COLUMNS
    ]
    first: dict[str, str] = {}
    for name in header:
        if name in COLUMNS and first.setdefault(COLUMNS[name].field, name) != name:
            faults.append(
                f"line 1: columns {first[COLUMNS[name].field]!r} and {name!r} say the same, expected one"
            )
    faults += [f"line 1: column {name!r} is there twice" for name in COLUMNS if header.count(name) > 1]
    if "unit" not in header:
        faults.append("line 1: no column 'unit', expected one to name each unit")
    return faults


def _profiles(
    path: Path, header: list[str], lines: Any, known: Mapping[str, UnitProfile]
) -> list[UnitProfile]:
    profiles: dict[str, UnitProfile] = {}
    line_of: dict[str, int] = {}
    faults: list[str] = []
    for cells in lines:
        if not any(cell.strip() for cell in cells):
            continue
        line = lines.line_num
        found = list(_row_faults(header, cells))
        values = {} if found else _values(header, cells)
        unit_id = values.get("unit_id", "")
        if unit_id in profiles:
            found.append(f"unit {unit_id!r} is already on line {line_of[unit_id]}, expected each unit once")
        elif not found:
            profile = profiles[unit_id] = _profile(values, known.get(unit_id))
            line_of[unit_id] = line
            if profile.min_pressure_valve_kpa >= profile.max_pressure_kpa:
                found.append(
                    f"minimum pressure valve is at {profile.min_pressure_valve_kpa:g} kPa gauge, expected "
                    f"less than the highest pressure of {profile.max_pressure_kpa:g}"
                )
        faults += [f"line {line}: {fault}" for fault in found]
        if len(faults) >= MAX_FAULTS:
            faults.append(f"and more: reading ended at line {line}")
            break
    if not faults and not profiles:
        faults.append("no units: expected at least one line below the column names")
    if faults:
        raise FleetFileError(path, faults)
    return list(profiles.values())


def _row_faults(header: list[str], cells: list[str]) -> Iterator[str]:
    if len(cells) != len(header):
        yield f"{len(cells)} cells, expected {len(header)} as in line 1"
        return
    for name, cell in zip(header, cells, strict=True):
        text = cell.strip()
        if not text and name == "unit":
            yield "unit is empty, expected its name"
        if text:
            try:
                COLUMNS[name].parse(text)
            except ValueError as error:
                yield f"{name} is {text!r}, {error}"


def _profile(values: dict[str, Any], known: UnitProfile | None) -> UnitProfile:
    if known is None:
        return UnitProfile(**values)
    return msgspec.structs.replace(known, provisional=False, **values)


def _values(header: list[str], cells: list[str]) -> dict[str, Any]:
    """Value of every field whose column is there; an empty cell means the default."""
    defaults = {field.name: field.default for field in msgspec.structs.fields(UnitProfile)}
    return {
        COLUMNS[name].field: COLUMNS[name].parse(cell.strip())
        if cell.strip()
        else defaults[COLUMNS[name].field]
        for name, cell in zip(header, cells, strict=True)
    }
