"""Sensor fault: a sensor, its wiring or its place on the bus can't be believed, and ice has no part in it.

The fold keeps a verdict on every signal; here it is put into words. One finding names every sensor that is
wrong, so that one visit mends all of them.
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from ingest.reading import SIGNALS
from ingest.units_of_measure import psi_from_kpa
from models.patterns.watch import Moment, Watch, close, fact, open_finding, renewed, rounded, temp_text
from models.records import Evidence, Finding, Pattern
from models.soundness import SENSOR_COLUMNS
from models.state import SENSORS
from models.verdicts import CHARGED, ERROR_CODE, JUMPING, NOT_SENT, OUT_OF_RANGE, STUCK, ZERO_OFF

__all__ = ["PATTERN", "SENSOR_COLUMNS", "evidence", "judge"]

PATTERN = Pattern.SENSOR_FAULT
_NAMES = {
    "discharge_temp_c": "discharge temperature sensor",
    "pressure_kpa": "pressure sensor",
    "hours": "hour meter",
    "ambient_rh_pct": "humidity sensor",
    "ambient_temp_c": "ambient temperature sensor",
}
_SHOWN: dict[str, Callable[[float], str]] = {
    "discharge_temp_c": temp_text,
    "pressure_kpa": lambda kpa: f"{rounded(kpa)} kPa ({rounded(psi_from_kpa(kpa))} psi)",
    "hours": lambda hours: f"{rounded(hours, 1)} h",
    "ambient_rh_pct": lambda pct: f"{rounded(pct)} %",
    "ambient_temp_c": temp_text,
}
_SAYS = {
    OUT_OF_RANGE: "has shown nothing for {span} but values that no such machine can reach:"
    " an open or shorted circuit, or a wrong scaling.",
    ERROR_CODE: "has been reported as in error on the bus for {span}.",
    NOT_SENT: "used to report and has sent no value for {span}, while everything else comes.",
    ZERO_OFF: "still reads {shown} hours after a stop, stop after stop: its zero is off, or the sump keeps"
    " some pressure. Treat it as charged until a second gauge shows that it is not.",
    CHARGED: "still reads {shown} hours after a stop, stop after stop. The sump may really hold that, as with"
    " a blowdown valve that does not open: treat it as charged until a second gauge shows that it is not.",
    JUMPING: "leaps up and down faster than any oil can warm or cool: a loose or wet connection.",
}
_CALLED = {
    OUT_OF_RANGE: "out_of_range",
    ERROR_CODE: "error_code",
    NOT_SENT: "not_sent",
    STUCK: "stuck",
    ZERO_OFF: "zero_off",
    CHARGED: "charged",
    JUMPING: "jumping",
}
_STUCK = {
    "discharge_temp_c": "stands at {shown} while the machine starts or runs and everything else moves.",
    "pressure_kpa": "has stood at {shown} for {span} through starts and stops, in air too warm for ice.",
    "hours": "stands at {shown} through hours of running that pressure and temperature show.",
    "ambient_rh_pct": "has stood at {shown} for {span} while it grew warmer and colder.",
}


def evidence(f: dict[str, float]) -> tuple[Evidence, ...]:
    """What is wrong with each sensor that is, in words."""
    return tuple(_evidence(signal, f) for signal in _wrong(f))


def judge(watch: Watch, moment: Moment) -> tuple[Watch, list[Finding]]:
    """Open with the first sensor that is wrong, revise as others join or come right, close with the last."""
    if moment.kind != SENSORS:
        return watch, []
    wrong, standing = _wrong(moment.features), watch.finding
    if not wrong:
        return close(watch, moment.at)
    if standing is None:
        facts = evidence(moment.features)
        opened = open_finding(moment, PATTERN, moment.since_at or moment.at, 1.0, facts, None, wrong)
        return Watch(finding=opened, last_true_at=moment.at), [opened]
    if wrong == standing.signals:
        return Watch(finding=standing, last_true_at=moment.at), []
    revised = msgspec.structs.replace(renewed(standing, moment, evidence(moment.features)), signals=wrong)
    return Watch(finding=revised, last_true_at=moment.at), [revised]


def _wrong(f: dict[str, float]) -> tuple[str, ...]:
    return tuple(signal for signal in SIGNALS if f[f"{signal}_verdict"] > 0.0)


def _evidence(signal: str, f: dict[str, float]) -> Evidence:
    verdict, minutes = f[f"{signal}_verdict"], f[f"{signal}_wrong_min"]
    says = _STUCK[signal] if verdict == STUCK else _SAYS[verdict]
    words = says.format(span=_span(minutes), shown=_SHOWN[signal](f[f"{signal}_shown"]))
    return fact(f"{signal}_{_CALLED[verdict]}_min", minutes, f"The {_NAMES[signal]} {words}")


def _span(minutes: float) -> str:
    if minutes < 120.0:
        return f"{minutes:.0f} min"
    return f"{minutes / 60.0:.0f} h" if minutes < 2880.0 else f"{minutes / 1440.0:.0f} days"
