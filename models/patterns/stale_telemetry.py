"""Stale telemetry: the controller repeats an old message while the machine can't stand so still."""

from __future__ import annotations

from ingest.units_of_measure import psi_from_kpa
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
from models.state import MOVED_AGAIN, STILL

PATTERN = Pattern.STALE_TELEMETRY


def evidence(f: dict[str, float]) -> tuple[Evidence, ...]:
    """What stood still, and why it can't have, in words."""
    reads = temp_text(f["temp_c"])
    if f["pressure_kpa"] == f["pressure_kpa"]:
        reads += f" and {rounded(f['pressure_kpa'])} kPa ({rounded(psi_from_kpa(f['pressure_kpa']))} psi)"
    text = f"{f['still_n'] + 1:.0f} readings over {f['still_min']:.0f} min repeat the same values, {reads}."
    facts = [fact("still_min", f["still_min"], text)]
    if f["unseen_h"] > 0.0:
        why = f"The hour meter gained {f['unseen_h']:.1f} h meanwhile: the unit ran, and nothing showed it."
        return (*facts, fact("unseen_h", f["unseen_h"], why))
    if f["ran"] > 0.0:
        why = "A run was in hand: pressure, temperature and hour meter of a machine that turns all move."
        return (*facts, fact("ran", 1.0, why))
    why = f"It stands at least {difference_text(f['over_air_k'])} above the air and does not cool at all."
    return (*facts, fact("over_air_k", f["over_air_k"], why))


def judge(watch: Watch, moment: Moment) -> tuple[Watch, list[Finding]]:
    """Open when what must move has not for long, close at the first value that moves."""
    if moment.kind == MOVED_AGAIN:
        return close(watch, moment.at)
    if moment.kind != STILL or watch.finding is not None:
        return watch, []
    opened = open_finding(
        moment, PATTERN, moment.since_at or moment.at, 1.0, evidence(moment.features), moment.run_start_at
    )
    return Watch(finding=opened, last_true_at=moment.at), [opened]
