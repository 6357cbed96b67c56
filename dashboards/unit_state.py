"""What a unit is doing, and how far its newest figures may be gone by. Pure."""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence

from dashboards import display
from dashboards.display import System
from dashboards.sources import AlarmView
from models.overheat import NEAR_K, REGION_C
from models.records import Pattern, UnitStatus

COOL_C = 40.0
"""Nothing is opened above this. [degC] The limit that the cautions name, common practice."""


class UnitState(enum.StrEnum):
    """What a unit is doing, as far as its newest reading tells."""

    RUNNING = "running"
    STOPPED = "stopped"
    UNKNOWN = "unknown"
    """It speaks, but no longer or not yet of the signals that tell whether it runs."""
    SILENT = "silent"


def unit_state(
    status: UnitStatus | None, alarms: Sequence[AlarmView], now_ms: int, silent_after_s: float
) -> UnitState:
    """What it is doing; a controller that repeats old messages tells nothing of that."""
    if status is None or now_ms - display.ms_of(status.observed_at) > silent_after_s * 1000:
        return UnitState.SILENT
    if undetermined(status) or stands(alarms, Pattern.STALE_TELEMETRY):
        return UnitState.UNKNOWN
    return UnitState.RUNNING if status.running else UnitState.STOPPED


def undetermined(status: UnitStatus) -> bool:
    """Whether its signals don't tell if it runs: to call such a unit stopped could hurt somebody."""
    return math.isnan(status.discharge_temp_c) or (math.isnan(status.pressure_kpa) and not status.running)


def stands(alarms: Sequence[AlarmView], pattern: Pattern) -> bool:
    """Whether the condition of an alarm still stands, acknowledged or put aside as it may be."""
    return any(alarm.pattern == pattern and _lasts(alarm) for alarm in alarms)


def _lasts(alarm: AlarmView) -> bool:
    return alarm.ended_at is None and alarm.returned_at is None


def doubted(alarms: Sequence[AlarmView], signal: str) -> bool:
    """Whether a signal's newest figure is not to be gone by: repeated, or from a sensor that has failed."""
    failed = (alarm.signals for alarm in alarms if _lasts(alarm))
    return stands(alarms, Pattern.STALE_TELEMETRY) or any(signal in signals for signals in failed)


def heat_words(
    status: UnitStatus, state: UnitState, alarms: Sequence[AlarmView], system: System
) -> tuple[str, bool]:
    """What the discharge temperature means, and whether that is a warning; empty while it is not known."""
    temp_c, short_k = status.discharge_temp_c, status.required_temp_c - status.discharge_temp_c
    if math.isnan(temp_c):
        return "", False
    if state is UnitState.SILENT:
        return "last known", False
    if stands(alarms, Pattern.STALE_TELEMETRY):
        return "old value repeated", True
    if doubted(alarms, "discharge_temp_c"):
        return "sensor failed", True
    if status.running and (temp_c >= REGION_C - NEAR_K or stands(alarms, Pattern.OVERHEATING)):
        return ("near shutdown" if temp_c >= REGION_C - NEAR_K else "heading for shutdown"), True
    if math.isnan(short_k):
        return "", False
    if state is UnitState.UNKNOWN:
        return "pressure not known", False
    if state is UnitState.RUNNING:
        return ("hot enough" if short_k <= 0 else f"{display.temp_difference(short_k, system)} short"), False
    if short_k <= 0:
        return "still hot", False
    return ("too warm to open" if temp_c > COOL_C else "cooled down"), False


def pressure_words(status: UnitStatus, state: UnitState, alarms: Sequence[AlarmView]) -> str:
    """What the sump pressure is worth; empty where it may be gone by."""
    if math.isnan(status.pressure_kpa):
        return "not known"
    if not status.pressure_trusted or doubted(alarms, "pressure_kpa"):
        return "untrusted"
    return "last known" if state is UnitState.SILENT else ""
