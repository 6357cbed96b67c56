"""Ways in which what a truck sends is hostile: how a row is spoilt, and where that can be read."""

from __future__ import annotations

import dataclasses
import functools
import json
import math
from collections.abc import Callable
from typing import Any

import numpy as np

from ingest.quality import Quality
from ingest.reading import SIGNALS
from ingest.units_of_measure import KPA_PER_BAR, KPA_PER_PSI, MS_PER_DAY, MS_PER_S, f_from_c
from models.records import Pattern
from tests.unit.models.histories import QUIET, machine_history, observed

Row = dict[str, Any]
Q = Quality


@functools.cache
def sound(days: int = 2, every_s: int = 60) -> tuple[Row, ...]:
    """What a sound truck sends: three runs a day, one of them a proper dry-out."""
    swing = 15.0 + 7.0 * np.cos(2.0 * math.pi * (np.arange(days * 24 + 2) - 15) / 24.0)
    runs = [
        (24 * day + at_h, minutes, 0.6)
        for day in range(days)
        for at_h, minutes in ((7, 5), (10, 90), (15, 6))
    ]
    readings = observed(
        machine_history(runs, hours=24.0 * days, air_c=swing),
        dataclasses.replace(QUIET, every_s=every_s, hours_step_h=0.05, sends_ambient=True),
    )
    columns = {name: getattr(readings, name).tolist() for name in SIGNALS}
    return tuple(
        {"ts": at_ms}
        | {name: round(values[i], 4) for name, values in columns.items() if values[i] == values[i]}
        for i, at_ms in enumerate(readings.observed_at_ms.tolist())
    )


Spoil = Callable[[Row], Row | str]
"""One row as the truck would have sent it -> as it sends it: a row, or text that stands for it."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Kind:
    """One way in which input is hostile, and where that can be read."""

    name: str
    spoil: Spoil
    flag: Quality = Q.GOOD
    words: str = ""
    finding: Pattern | None = None
    reason: str = ""
    """Why the messages are in quarantine, of those that are none."""
    last_h: float = 20.0
    """How long it goes on, up to the newest reading; whole hours before the end. [h]"""
    until_h: float = 0.0
    days: int = 2


def put(**signals: Any) -> Spoil:
    return lambda row: row | signals


def scaled(name: str, convert: Callable[[float], float]) -> Spoil:
    return lambda row: row | {name: round(convert(row[name]), 4)} if name in row else row


def moved(ms: int) -> Spoil:
    return lambda row: row | {"ts": row["ts"] + ms}


def token(name: str, text: str) -> Spoil:
    """A number that JSON does not have, written as many libraries write it."""
    return lambda row: json.dumps(row | {name: 0}).replace(f'"{name}": 0', f'"{name}": {text}')


def text_of(row: Row) -> Row:
    return {name: str(value) for name, value in row.items()}


KINDS = (
    Kind(name="NaN", spoil=token("ambient_temp_c", "NaN"), finding=Pattern.SENSOR_FAULT, last_h=30.0),
    Kind(name="infinity", spoil=token("pressure_kpa", "Infinity"), reason="JSON: ", last_h=2.0),
    Kind(
        name="infinity beside NaN",
        spoil=lambda row: f'{{"ts": {row["ts"]}, "hours": NaN, "pressure_kpa": -Infinity}}',
        reason="expected a finite number",
        last_h=2.0,
    ),
    Kind(
        name="huge number",
        spoil=put(pressure_kpa=1e300),
        flag=Q.PRESSURE_OUT_OF_RANGE,
        words="sump pressures can't be right",
    ),
    Kind(
        name="bus code for error",
        spoil=put(discharge_temp_c=214.0),
        flag=Q.BUS_ERROR_CODE,
        words="discharge temperatures can't be right",
    ),
    Kind(
        name="bus code for not available",
        spoil=put(ambient_rh_pct=102.0),
        flag=Q.NOT_AVAILABLE,
        words="humidities can't be right",
    ),
    Kind(
        name="bus code that looks like 147 psi",
        spoil=put(pressure_kpa=1016.0),
        flag=Q.PRESSURE_AMBIGUOUS,
        words="bus codes (1016 or 1020 kPa",
    ),
    Kind(
        name="temperature in °F",
        spoil=scaled("discharge_temp_c", f_from_c),
        flag=Q.UNIT_SWAPPED,
        words="°F under a °C name for discharge",
    ),
    Kind(
        name="air temperature in °F",
        spoil=scaled("ambient_temp_c", f_from_c),
        flag=Q.UNIT_SWAPPED,
        words="°F under a °C name for outside",
    ),
    Kind(
        name="pressure in psi",
        spoil=scaled("pressure_kpa", lambda kpa: kpa / KPA_PER_PSI),
        flag=Q.UNIT_SWAPPED,
        words="psi under a kPa name",
    ),
    Kind(
        name="pressure in bar",
        spoil=scaled("pressure_kpa", lambda kpa: kpa / KPA_PER_BAR),
        flag=Q.UNIT_SWAPPED,
        words="bar under a kPa name",
        last_h=30.0,
    ),
    Kind(
        name="humidity as a fraction",
        spoil=scaled("ambient_rh_pct", lambda pct: 0.01 * pct),
        flag=Q.UNIT_SWAPPED,
        words="fractions under a percent name",
    ),
    Kind(
        name="clock years ahead",
        spoil=moved(3 * 365 * MS_PER_DAY),
        flag=Q.CLOCK_WRONG,
        words="time that can't be right",
    ),
    Kind(
        name="clock years behind",
        spoil=moved(-5 * 365 * MS_PER_DAY),
        flag=Q.CLOCK_WRONG,
        words="time that can't be right",
    ),
    Kind(
        name="clock at its epoch",
        spoil=lambda row: row | {"ts": row["ts"] % MS_PER_DAY / MS_PER_S},
        flag=Q.CLOCK_WRONG,
        words="time that can't be right",
    ),
    Kind(
        name="clock set back by minutes",
        spoil=moved(-543_457),
        flag=Q.CLOCK_WRONG,
        words="time that can't be right",
        last_h=10.0,
        until_h=8.0,
    ),
    Kind(
        name="no time",
        spoil=lambda row: {name: value for name, value in row.items() if name != "ts"},
        flag=Q.RECEIVED_TIME_USED,
        words="came without a time",
    ),
    Kind(
        name="step of the temperature",
        spoil=scaled("discharge_temp_c", lambda c: c + 15.0),
        flag=Q.SENSOR_STEPPED,
        words="stepped faster than oil can",
    ),
    Kind(
        name="negative pressure",
        spoil=put(pressure_kpa=-172.0),
        flag=Q.PRESSURE_OUT_OF_RANGE,
        words="sump pressures can't be right",
    ),
    Kind(
        name="humidity above saturation",
        spoil=put(ambient_rh_pct=106.0),
        flag=Q.AMBIENT_RH_OUT_OF_RANGE,
        words="humidities can't be right",
    ),
    Kind(
        name="humidity saturated for days",
        spoil=put(ambient_rh_pct=100.0),
        finding=Pattern.SENSOR_FAULT,
        last_h=260.0,
        days=12,
    ),
    Kind(
        name="humidity standing still",
        spoil=put(ambient_rh_pct=63.0),
        flag=Q.SENSOR_STUCK,
        words="humidity unchanged",
        last_h=40.0,
    ),
    Kind(
        name="temperature standing still",
        spoil=put(discharge_temp_c=15.0),
        flag=Q.SENSOR_STUCK,
        words="discharge temperature that a run did not move",
    ),
    Kind(
        name="pressure standing still",
        spoil=put(pressure_kpa=0.0),
        flag=Q.SENSOR_STUCK,
        words="sump pressure that a start did not move",
    ),
    Kind(
        name="hour meter set to another figure",
        spoil=scaled("hours", lambda h: h + 4000.0),
        flag=Q.METER_RESET,
        words="hour meter can't be",
    ),
    Kind(
        name="hour meter that can't be",
        spoil=put(hours=-3.0),
        flag=Q.HOURS_OUT_OF_RANGE,
        words="hour meter values can't be right",
    ),
    Kind(
        name="old message again",
        spoil=put(
            discharge_temp_c=84.3, pressure_kpa=861.0, hours=101.7, ambient_rh_pct=55.0, ambient_temp_c=17.0
        ),
        flag=Q.REPEATED,
        words="old messages again",
    ),
    Kind(name="a year of nothing", spoil=moved(0), finding=Pattern.SILENT_UNIT),
    Kind(name="numbers as text", spoil=text_of),
    Kind(name="no JSON", spoil=lambda row: "temp=84,3;p=861", reason="expected a JSON object"),
)


SOUND = Kind(name="sound", spoil=moved(0))


def messages(kind: Kind) -> list[tuple[bytes, int]]:
    """Payloads as they come, with when they do. [Unix ms]"""
    rows = sound(kind.days)
    first_ms, last_ms = (rows[-1]["ts"] - int(hours * 3_600_000) for hours in (kind.last_h, kind.until_h))
    idle_ms = 365 * MS_PER_DAY if kind.name == "a year of nothing" else 0
    sent = []
    for row in rows:
        hostile = first_ms <= row["ts"] <= last_ms
        later = row | {"ts": row["ts"] + (idle_ms if hostile else 0)}
        spoilt = kind.spoil(later) if hostile else row
        text = spoilt if isinstance(spoilt, str) else json.dumps(spoilt)
        sent.append((text.encode(), later["ts"] + 900))
    return sent
