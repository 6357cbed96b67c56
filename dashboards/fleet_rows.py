"""The fleet page as data: one row a unit, most urgent first. Pure."""

from __future__ import annotations

import datetime as dt
import enum
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from alerts.alarm import AlarmState
from alerts.dry_out import LONGEST_MIN, dry_out_line, still_needed_min
from dashboards import addresses, display
from dashboards.display import System
from dashboards.settings import BoardSettings
from dashboards.sources import AlarmView
from dashboards.unit_state import UnitState, doubted, heat_words, pressure_words, undetermined, unit_state
from ingest.profile import UnitProfile
from models.records import UnitStatus

BAR_LOW_C, BAR_HIGH_C = -20.0, 120.0
"""Ends of the temperature bar: from hard frost to just above the usual shutdown, common practice."""
NAN = float("nan")
DAY_MS = 86_400_000
LINK_UP = ("", "online", "up", "connected")
"""Link states that need no mention."""


_LISTED = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.SHELVED,
    AlarmState.SUPPRESSED_BY_DESIGN,
    AlarmState.OUT_OF_SERVICE,
    AlarmState.NORMAL,
)


class Need(enum.IntEnum):
    """Why a unit stands where it stands in the list; lower comes first."""

    ALARM = 0
    ACKNOWLEDGED = 1
    WATER = 2
    UNKNOWN = 3
    RUNNING = 4
    SILENT = 5
    STOPPED = 6


@dataclass(frozen=True, kw_only=True)
class FleetRow:
    """One unit with what ranks it. `status` is None until its first reading has been worked through."""

    profile: UnitProfile
    status: UnitStatus | None
    alarms: tuple[AlarmView, ...]
    state: UnitState
    need: Need
    harmful_g: float
    link: str = ""

    @property
    def unit_id(self) -> str:
        """The unit's id."""
        return self.profile.unit_id

    @property
    def label(self) -> str:
        """What people call it."""
        return self.profile.label or self.profile.unit_id

    water_frac: float
    """Water held over the harmful level. [-] NaN: not known."""
    silent_d: int = 0
    """Whole days since it last spoke, while it is silent. [d]"""


def _silent_d(status: UnitStatus | None, state: UnitState, now_ms: int) -> int:
    if status is None or state is not UnitState.SILENT:
        return 0
    return (now_ms - display.ms_of(status.observed_at)) // DAY_MS


def _water_frac(status: UnitStatus | None, harmful_g: float, near: float) -> float:
    """Water over the harmful level; NaN when it is not known, or an estimate that rests on nothing."""
    if status is None or harmful_g <= 0:
        return NAN
    frac = status.water_g / harmful_g
    if frac >= near:
        return frac  # Much water found earlier is not hidden because a sensor has failed since.
    without_width = status.water_high_g <= status.water_low_g
    blind = math.isnan(status.required_temp_c) or (undetermined(status) and without_width)
    return NAN if blind or unseen(status, harmful_g) else frac


def unseen(status: UnitStatus, harmful_g: float) -> bool:
    """Whether all that is known of the water is how little came since the unit was first heard."""
    return not status.seen_dry and status.water_high_g <= harmful_g


def _need(state: UnitState, alarms: Sequence[AlarmView], water_frac: float, near: float) -> Need:
    if any(alarm.state is AlarmState.UNACKNOWLEDGED for alarm in alarms):
        return Need.ALARM
    if any(alarm.state is AlarmState.ACKNOWLEDGED for alarm in alarms):
        return Need.ACKNOWLEDGED
    if water_frac >= near:
        return Need.WATER
    return Need[state.name]


def fleet_row(
    profile: UnitProfile,
    status: UnitStatus | None,
    alarms: Sequence[AlarmView],
    link: str,
    now_ms: int,
    settings: BoardSettings,
) -> FleetRow:
    """One unit's row."""
    harmful_g = profile.oil_charge_kg * 1000.0 * settings.harmful_water_frac
    state = unit_state(status, alarms, now_ms, settings.silent_after_s)
    water_frac = _water_frac(status, harmful_g, settings.near_harmful_frac)
    return FleetRow(
        profile=profile,
        status=status,
        alarms=tuple(sorted(alarms, key=alarm_order)),
        state=state,
        need=_need(state, alarms, water_frac, settings.near_harmful_frac),
        harmful_g=harmful_g,
        water_frac=water_frac,
        silent_d=_silent_d(status, state, now_ms),
        link=link,
    )


def alarm_order(alarm: AlarmView) -> tuple[int, int, dt.datetime]:
    """Sort key of alarms: not acknowledged first, then by priority, then what must be answered soonest."""
    return (_LISTED.index(alarm.state), alarm.priority.rank, alarm.respond_by or alarm.told_at)


def fleet_rows(
    profiles: Mapping[str, UnitProfile],
    statuses: Mapping[str, UnitStatus],
    alarms: Sequence[AlarmView],
    links: Mapping[str, str],
    now_ms: int,
    settings: BoardSettings,
) -> list[FleetRow]:
    """Every unit, most urgent first. A unit with a status but no profile is shown too."""
    by_unit: dict[str, list[AlarmView]] = {}
    for alarm in alarms:
        by_unit.setdefault(alarm.unit_id, []).append(alarm)
    known = dict(profiles)
    for unit_id in {*statuses, *by_unit} - known.keys():
        known[unit_id] = UnitProfile(unit_id=unit_id, provisional=True)
    rows = [
        fleet_row(
            profile, statuses.get(unit_id), by_unit.get(unit_id, ()), links.get(unit_id, ""), now_ms, settings
        )
        for unit_id, profile in known.items()
    ]
    return sorted(rows, key=order)


def order(row: FleetRow) -> tuple[Any, ...]:
    """Sort key: need, then what ranks units of one need among each other, then the name."""
    first = row.alarms[0] if row.alarms and row.need in (Need.ALARM, Need.ACKNOWLEDGED) else None
    rank = (first.priority.rank, display.ms_of(first.respond_by or first.told_at)) if first else (0, 0)
    water = 0.0 if math.isnan(row.water_frac) else -round(row.water_frac, 2)
    return (int(row.need), *rank, water if row.need is Need.WATER else 0.0, row.label.casefold(), row.unit_id)


def row_json(row: FleetRow, system: System) -> dict[str, Any]:
    """The row as the browser gets it: finished texts and bar positions, no arithmetic left to do."""
    return {
        "id": row.unit_id,
        "href": addresses.unit_path(row.unit_id),
        "label": row.label,
        "yard": row.profile.yard,
        "customer": row.profile.customer,
        "provisional": row.profile.provisional,
        "key": list(order(row)),
        "need": row.need.name.lower(),
        "state": str(row.state),
        "link": "" if row.link in LINK_UP else row.link,
        "alarms": [
            {"title": alarm.name, "priority": alarm.priority, "state": str(alarm.state)}
            for alarm in row.alarms
        ],
        **(_signals(row, row.status, system) if row.status else {"heard_ms": None}),
    }


def _signals(row: FleetRow, status: UnitStatus, system: System) -> dict[str, Any]:
    heat, warns = heat_words(status, row.state, row.alarms, system)
    known = not math.isnan(row.water_frac)
    low_g, mid_g, high_g = (
        grams if known else NAN for grams in (status.water_low_g, status.water_g, status.water_high_g)
    )
    return {
        "heard_ms": display.ms_of(status.observed_at),
        "temp": display.temp(status.discharge_temp_c, system),
        "temp_at": _bar(status.discharge_temp_c),
        "required": display.temp(status.required_temp_c, system),
        "required_at": _bar(status.required_temp_c),
        "gap": heat,
        "gap_warns": warns,
        "hot": status.discharge_temp_c >= status.required_temp_c and not warns,
        "temp_doubted": doubted(row.alarms, "discharge_temp_c"),
        "pressure": display.pressure(status.pressure_kpa, system),
        "pressure_note": pressure_words(status, row.state, row.alarms),
        **_water_words(row, low_g, mid_g, high_g, system),
        "water_at": _share(row.water_frac),
        "water_low_at": _share(low_g / row.harmful_g),
        "water_high_at": _share(high_g / row.harmful_g),
        "water_level": water_level(row),
        **_dry_out_words(status if known else None),
        "hours": display.hours(status.hours),
    }


def _dry_out_words(status: UnitStatus | None) -> dict[str, str]:
    """What a dry-out run still needs, short with its condition, and in full."""
    needed_min = math.nan if status is None else still_needed_min(status)
    if status is None or not needed_min > 0.0:
        return {"dry_out": "", "dry_out_why": ""}
    will_do = needed_min <= LONGEST_MIN
    short = f"needs {display.minutes(needed_min)} hot, air flowing" if will_do else no_dry_out(needed_min)
    return {"dry_out": short, "dry_out_why": dry_out_line(status)}


def no_dry_out(needed_min: float) -> str:
    """Why running will not dry it."""
    return "too wet to dry by running" if math.isinf(needed_min) else "more than one run can dry"


def _water_words(row: FleetRow, low_g: float, mid_g: float, high_g: float, system: System) -> dict[str, str]:
    estimate = display.water(mid_g, system)
    if water_level(row) == "unknown":
        return {"water": display.UNKNOWN, "water_band": _gained_words(row, system)}
    if uncertain(row):
        # Kept together where a narrow column breaks the words.
        high = display.water(high_g, system).replace(" ", "\N{NO-BREAK SPACE}")
        return {"water": f"uncertain, up to {high}", "water_band": f"estimate {estimate}"}
    return {"water": estimate, "water_band": display.water_band(low_g, high_g, system)}


def _gained_words(row: FleetRow, system: System) -> str:
    """What is known of a sump that has not been seen dry yet: what came in since it was first heard."""
    status = row.status
    if status is None or math.isnan(status.required_temp_c) or not status.water_g > 0.0:
        return ""
    return f"{display.water(status.water_g, system)} gained since first heard"


def uncertain(row: FleetRow) -> bool:
    """Whether the water could be harmful although the estimate is not: a low figure alone would mislead."""
    return row.status is not None and row.water_frac < 1.0 and row.status.water_high_g > row.harmful_g


def water_level(row: FleetRow) -> str:
    """How the water stands to the harmful amount: "ok", "uncertain", "near", "harmful", "unknown"."""
    if math.isnan(row.water_frac):
        return "unknown"
    if row.water_frac >= 1.0:
        return "harmful"
    return "near" if row.need is Need.WATER else "uncertain" if uncertain(row) else "ok"


def _bar(celsius: float) -> float | None:
    """Position on the temperature bar, percent of its length."""
    if math.isnan(celsius):
        return None
    return round(100.0 * min(max((celsius - BAR_LOW_C) / (BAR_HIGH_C - BAR_LOW_C), 0.0), 1.0), 1)


def _share(frac_of_harmful: float) -> float | None:
    """Position on the water bar, percent; the harmful level stands at half its length."""
    return None if math.isnan(frac_of_harmful) else round(min(max(frac_of_harmful, 0.0), 2.0) * 50.0, 1)
