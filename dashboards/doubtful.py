"""Readings that are drawn but doubtful, on a chart and over the last day, in plain words. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dashboards.plausible import with_true_clock
from ingest.quality import Quality
from ingest.reading import IntArray
from models.records import UnitStatus
from models.trace import Trace

_GAUGE = "Don't go by it: confirm with a second gauge before anything is opened."
_OF_DAY: dict[str, tuple[str, str, str]] = {
    "discharge_temp_out_of_range": (
        "discharge temperature can't be right",
        "discharge temperatures can't be right",
        "Left out.",
    ),
    "pressure_out_of_range": ("sump pressure can't be right", "sump pressures can't be right", "Left out."),
    "hours_out_of_range": (
        "hour meter value can't be right",
        "hour meter values can't be right",
        "Left out.",
    ),
    "ambient_rh_out_of_range": ("humidity can't be right", "humidities can't be right", "Left out."),
    "ambient_temp_out_of_range": (
        "outside temperature can't be right",
        "outside temperatures can't be right",
        "Left out.",
    ),
    "clock_wrong": (
        "reading had a time that can't be right",
        "readings had a time that can't be right",
        "Left out. Have the truck's clock set.",
    ),
    "sensor_stepped": (
        "time the discharge temperature of the standing unit stepped faster than oil can",
        "times the discharge temperature of the standing unit stepped faster than oil can",
        "It may be off by as much since: have the sensor checked.",
    ),
    "received_time_used": (
        "reading came without a time",
        "readings came without a time",
        "The time of receipt stands in.",
    ),
    "repeated": ("reading was an old message again", "readings were old messages again", "Left out."),
    "meter_reset": (
        "step of the hour meter can't be",
        "steps of the hour meter can't be",
        "Running time goes on from the new figure.",
    ),
    "pressure_ambiguous": (
        "pressure was a bus code (1016 or 1020 kPa, 147 or 148 psi), not a pressure",
        "pressures were bus codes (1016 or 1020 kPa, 147 or 148 psi), not pressures",
        f"Left out. {_GAUGE}",
    ),
    "discharge_temp_in_f": (
        "reading came in °F under a °C name for discharge temperature",
        "readings came in °F under a °C name for discharge temperature",
        "Converted.",
    ),
    "ambient_temp_in_f": (
        "reading came in °F under a °C name for outside temperature",
        "readings came in °F under a °C name for outside temperature",
        "Converted.",
    ),
    "pressure_in_psi": (
        "reading came in psi under a kPa name",
        "readings came in psi under a kPa name",
        f"Converted. {_GAUGE}",
    ),
    "pressure_in_bar": (
        "reading came in bar under a kPa name",
        "readings came in bar under a kPa name",
        f"Converted. {_GAUGE}",
    ),
    "ambient_rh_in_frac": (
        "humidity came as a fraction under a percent name",
        "humidities came as fractions under a percent name",
        "Converted.",
    ),
    "discharge_temp_stuck": (
        "reading had a discharge temperature that a run did not move",
        "readings had a discharge temperature that a run did not move",
        "Have the sensor checked.",
    ),
    "pressure_stuck": (
        "reading had a sump pressure that a start did not move",
        "readings had a sump pressure that a start did not move",
        f"Have sensor and line checked. {_GAUGE}",
    ),
    "hours_stuck": (
        "reading of a run had an hour meter that stood still",
        "readings of a run had an hour meter that stood still",
        "Have the meter checked.",
    ),
    "ambient_rh_stuck": (
        "reading had a humidity unchanged for over a day",
        "readings had a humidity unchanged for over a day",
        "Have the sensor checked.",
    ),
    "ambient_temp_stuck": (
        "reading had an outside temperature unchanged for over a day",
        "readings had an outside temperature unchanged for over a day",
        "Have the sensor checked.",
    ),
}
"""Kind of doubt -> for one, for many, and what is done or to do about it."""
_ON_CHART = {
    Quality.UNIT_SWAPPED: (
        "converted from another unit of measure",
        "converted from another unit of measure",
    ),
    Quality.SENSOR_STUCK: ("with a signal that stood still", "with a signal that stood still"),
    Quality.SENSOR_STEPPED: (
        "after a step of the temperature that oil can't make",
        "after steps of the temperature that oil can't make",
    ),
    Quality.REPEATED: ("an old message again", "old messages again"),
    Quality.METER_RESET: (
        "with an impossible step of the hour meter",
        "with impossible steps of the hour meter",
    ),
}


@dataclass(frozen=True, kw_only=True)
class Doubtful:
    """Readings of a chart that are doubtful though they are drawn."""

    at_ms: IntArray
    """Shape (n,), ascending. [Unix ms]"""
    counts: dict[str, int]
    """Flag, in small letters -> readings; one may carry several."""


def doubtful(trace: Trace) -> Doubtful:
    """What is doubtful in a trace, rows with a wrong clock left out."""
    kept = with_true_clock(trace)
    flagged = {flag: (kept.quality & int(flag)) != 0 for flag in _ON_CHART}
    rows = np.logical_or.reduce(list(flagged.values()))
    return Doubtful(
        at_ms=kept.readings.observed_at_ms[rows],
        counts={str(flag.name).lower(): int(np.count_nonzero(which)) for flag, which in flagged.items()},
    )


def in_words(found: Doubtful) -> str:
    """One line for under the chart; empty when nothing is doubtful."""
    parts = [
        f"{n:,} {one if n == 1 else many}"
        for flag, (one, many) in _ON_CHART.items()
        if (n := found.counts[str(flag.name).lower()])
    ]
    if not parts:
        return ""
    return f"Doubtful readings: {', '.join(parts)}; marked \N{WHITE CIRCLE} at the lower edge."


def of_last_day(status: UnitStatus) -> list[str]:
    """One sentence a kind of doubt about the last day's readings, in the order in which they are counted."""
    lines = []
    for kind, n in status.doubtful.items():
        one, many, done = _OF_DAY[kind]
        lines.append(f"{n:,} {one if n == 1 else many}. {done}")
    return lines
