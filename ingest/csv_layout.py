"""What the columns of a CSV log are, told from its first line. Pure."""

from __future__ import annotations

import csv
from dataclasses import dataclass

from ingest.payload import MAX_UNIT_ID_CHARS
from ingest.row import shown, shown_names
from ingest.units_of_measure import WIRE_NAMES, WireName

TIME_NAMES = ("time", "ts")
UNIT_NAMES = ("unit", "unit_id")


class CsvHeaderError(ValueError):
    """The first line does not name the columns a log needs."""


@dataclass(frozen=True, kw_only=True)
class Layout:
    """What each column of one file is."""

    names: tuple[str, ...]
    unit: str
    time: str
    received: str | None
    seq: str | None
    signals: dict[str, WireName]
    ignored: tuple[str, ...]


def layout_of(line: bytes) -> Layout:
    """The columns named in a file's first line.

    Raises
    ------
    CsvHeaderError
        If time, unit or every signal is missing, or a name stands there twice.
    """
    try:
        cells = next(csv.reader([line.decode("utf-8-sig").strip()], skipinitialspace=True), [])
    except (UnicodeDecodeError, csv.Error) as error:
        raise CsvHeaderError(f"the first line names no columns: {error}") from error
    names = [cell.strip().lower() or f"column {place}" for place, cell in enumerate(cells, 1)]
    times, units = ([name for name in names if name in wanted] for wanted in (TIME_NAMES, UNIT_NAMES))
    signals = {name: WIRE_NAMES[name] for name in names if name in WIRE_NAMES}
    if len(times) != 1 or len(units) != 1 or not signals or len(set(names)) < len(names):
        raise CsvHeaderError(
            f"columns are {shown_names(names)}, expected each name once: time (or ts), unit, and at least "
            f"one of {', '.join(WIRE_NAMES)}; seq and received may be there"
        )
    known = {*times, *units, *signals, "seq", "received"}
    return Layout(
        names=tuple(names),
        unit=units[0],
        time=times[0],
        received="received" if "received" in names else None,
        seq="seq" if "seq" in names else None,
        signals=signals,
        ignored=tuple(name for name in names if name not in known),
    )


def unit_fault(unit_id: str) -> str:
    """Why this can't be the name of a unit, which is one level of an MQTT topic; empty when it can."""
    if 0 < len(unit_id) <= MAX_UNIT_ID_CHARS and unit_id.isprintable() and not set(unit_id) & set("/+#"):
        return ""
    return f"unit is {shown(unit_id)}, expected 1 to {MAX_UNIT_ID_CHARS} printable characters without / + #"
