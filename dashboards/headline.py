"""The sentence on top of the fleet page: what needs a person today, and what nobody knows. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from alerts.alarm import AlarmState
from dashboards import display
from dashboards.fleet_rows import FleetRow, Need, water_level
from dashboards.unit_state import UnitState

NEEDS_A_PERSON = (Need.ALARM, Need.ACKNOWLEDGED, Need.WATER)
LONG_SILENT_D = 3
"""Longer than a weekend without work: from here on silence is mentioned. [d] Chosen."""


def summary(rows: Sequence[FleetRow]) -> str:
    """What needs a person today, in one sentence with counts."""
    if not rows:
        return "No truck has spoken yet."
    open_alarms = sum(alarm.state is AlarmState.UNACKNOWLEDGED for row in rows for alarm in row.alarms)
    people = [row for row in rows if row.need in NEEDS_A_PERSON]
    reasons = [
        text
        for n, text in (
            (open_alarms, f"{display.counted(open_alarms, 'alarm')} nobody has acknowledged"),
            *(
                (n, words.format(display.counted(n, "truck")))
                for n, words in (
                    (_count(rows, Need.ACKNOWLEDGED), "{} with an acknowledged alarm still standing"),
                    (_holding(rows, "harmful"), "{} holding a harmful amount of water"),
                    (_holding(rows, "near"), "{} holding close to a harmful amount of water"),
                )
            ),
        )
        if n
    ]
    others = _not_known(rows) + _others([row for row in rows if row.need not in NEEDS_A_PERSON])
    if not people:
        known = "No alarm is open" if _not_known(rows) else "Nothing needs a person now"
        return f"{known}.{others}"
    verb = "needs" if len(people) == 1 else "need"
    return f"{display.counted(len(people), 'truck')} {verb} a person today: {'; '.join(reasons)}.{others}"


def _not_known(rows: Sequence[FleetRow]) -> str:
    """What the sentence can't vouch for: trucks silent for days, or that don't tell how they are."""
    silent = [row.silent_d for row in rows if row.state is UnitState.SILENT]
    longest_d, unknown = max(silent, default=0), sum(row.state is UnitState.UNKNOWN for row in rows)
    parts = [
        *([f"{len(silent)} silent, longest {longest_d} d"] if longest_d >= LONG_SILENT_D else []),
        *([f"{unknown} in unknown state"] if unknown else []),
    ]
    return f" Not known: {', '.join(parts)}." if parts else ""


def _others(rows: Sequence[FleetRow]) -> str:
    if not rows:
        return ""
    counts = [f"{n} {state}" for state, n in state_counts(rows).items() if n]
    return f" No open need at {display.counted(len(rows), 'truck')}: {', '.join(counts)}."


def _count(rows: Sequence[FleetRow], need: Need) -> int:
    return sum(row.need is need for row in rows)


def _holding(rows: Sequence[FleetRow], level: str) -> int:
    """How many stand where they do for their water alone, at a level of it."""
    return sum(row.need is Need.WATER and water_level(row) == level for row in rows)


def state_counts(rows: Sequence[FleetRow]) -> dict[str, int]:
    """How many units run, stand and are silent."""
    return {str(state): sum(row.state is state for row in rows) for state in UnitState}
