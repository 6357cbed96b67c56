"""Pressure-sensor icing: ice in the sensor's port makes the reading wrong, until it thaws with a step.

The fold tells where the sensor contradicts temperature and hour meter; here it is judged whether frost
explains it.
"""

from __future__ import annotations

import datetime as dt

from ingest.units_of_measure import psi_from_kpa
from models.features import PRESSURE_COLUMNS as COLUMNS
from models.patterns.watch import (
    Moment,
    Watch,
    close,
    difference_text,
    fact,
    open_finding,
    rounded,
    temp_text,
)
from models.records import Evidence, Finding, Pattern
from models.state import HIGH_WHILE_STOPPED, LOW_WHILE_RUNNING, PRESSURE_DOUBT, PRESSURE_SOUND, SLOW_TO_FOLLOW

__all__ = ["COLUMNS", "FEATURES", "JUDGED_AT", "PATTERN", "evidence", "judge"]

PATTERN = Pattern.PRESSURE_SENSOR_ICING
JUDGED_AT = PRESSURE_DOUBT
FEATURES = (
    "ambient_c",
    "cold_low_c",
    "cold_h",
    "conflict_kind",
    "conflict_min",
    "temp_change_k",
    "unmoved_min",
)
"""What its model is given, of the row's columns."""

TELLING_UNMOVED_MIN = 2.0
"""A reading that creeps or that has moved just now is not said to stand still. [min]"""


def evidence(f: dict[str, float]) -> tuple[Evidence, ...]:
    """What the features say, in words."""
    reads = f"{rounded(f['pressure_kpa'])} kPa ({rounded(psi_from_kpa(f['pressure_kpa']))} psi)"
    minutes, change = f["conflict_min"], difference_text(f["temp_change_k"])
    if f["conflict_kind"] == LOW_WHILE_RUNNING:
        text = f"The sensor reads {reads} although the unit has run for {f['since_edge_min']:.0f} min"
        text += f" and its oil warmed by {change}."
    elif f["conflict_kind"] == HIGH_WHILE_STOPPED:
        text = f"The sensor reads {reads} {f['since_edge_min']:.0f} min after the stop"
        text += f" although the unit cooled by {change} and the hour meter stands."
    elif f["conflict_kind"] == SLOW_TO_FOLLOW:
        text = f"The sensor still creeps up at {reads} {f['since_edge_min']:.0f} min after the start,"
        text += " where a sump fills in seconds."
    else:
        text = f"The sensor has read {reads} unmoved through the start,"
        text += f" while the oil warmed by {change}."
    facts = [fact("conflict_min", minutes, text)]
    if f["unmoved_min"] >= TELLING_UNMOVED_MIN:
        still = f"Pressure has not moved by more than 14 kPa (2 psi) in {f['unmoved_min']:.0f} min."
        facts.append(fact("unmoved_min", f["unmoved_min"], still))
    air = (
        f"The air is about {temp_text(f['ambient_c'])}, give or take {difference_text(f['ambient_error_k'])}."
    )
    facts.append(fact("ambient_c", f["ambient_c"], air))
    if f["cold_h"] > 0.5:
        facts.append(
            fact("cold_h", f["cold_h"], f"It has been at or below freezing for {f['cold_h']:.0f} h.")
        )
    return tuple(facts)


def judge(watch: Watch, moment: Moment, probability: float, threshold: float) -> tuple[Watch, list[Finding]]:
    """Open while the contradiction lasts, close at the reading that proves the sensor sound again."""
    standing = watch.finding
    if moment.kind == PRESSURE_SOUND:
        return close(watch, moment.at - dt.timedelta(seconds=moment.features["contradicted_ago_s"]))
    if moment.kind != PRESSURE_DOUBT:
        return watch, []
    if standing is not None:
        return Watch(finding=standing, last_true_at=moment.at), []
    if probability < threshold:
        return watch, []
    start_at = moment.since_at or moment.at
    if moment.features["conflict_kind"] != HIGH_WHILE_STOPPED and moment.run_start_at is not None:
        start_at = min(start_at, moment.run_start_at)
    if watch.last_true_at is not None:
        # A second occurrence in one run is a finding of its own, and begins after the first.
        start_at = max(start_at, watch.last_true_at + dt.timedelta(seconds=1))
    opened = open_finding(
        moment,
        PATTERN,
        start_at,
        probability,
        evidence(moment.features),
        moment.run_start_at,
        ("pressure_kpa",),
    )
    return Watch(finding=opened, last_true_at=moment.at), [opened]
