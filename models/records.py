"""What the engine says: runs, findings, a unit's standing. Plain data, the same live and in replay.

`alerts`, `dashboards` and the store of results speak in these; none of them recomputes anything.
"""

from __future__ import annotations

import datetime as dt
import enum
import math

import msgspec


class Pattern(enum.StrEnum):
    """Ways in which a unit goes wrong."""

    SHORT_CYCLING = "short_cycling"
    NEVER_REACHING_TEMPERATURE = "never_reaching_temperature"
    PRESSURE_SENSOR_ICING = "pressure_sensor_icing"
    SENSOR_FAULT = "sensor_fault"
    STALE_TELEMETRY = "stale_telemetry"
    SILENT_UNIT = "silent_unit"
    OVERHEATING = "overheating"
    SLOW_PRESSURE_BUILD = "slow_pressure_build"
    UNLIKE_ITSELF = "unlike_itself"


class Outcome(enum.StrEnum):
    """What a run did to the water in the sump."""

    DRIED_OUT = "dried_out"
    HELD = "held"
    ADDED_WATER = "added_water"


class Run(msgspec.Struct, frozen=True, kw_only=True):
    """One time the air end turned. `end_at` is None while it still turns."""

    unit_id: str
    start_at: dt.datetime
    end_at: dt.datetime | None
    last_at: dt.datetime
    """Newest reading inside the run, never later than its end."""
    start_temp_c: float
    peak_temp_c: float
    end_temp_c: float
    ambient_temp_c: float
    ambient_error_k: float
    """One standard deviation of the ambient estimate. [K]"""
    pressure_dew_point_c: float
    """Highest in the run. [degC]"""
    required_temp_c: float
    """Highest in the run. [degC]"""
    dew_margin_k: float
    """Peak discharge temperature less the pressure dew point. [K]"""
    hot_min: float
    dry_min: float
    """Minutes hot with air flowing. [min]"""
    time_to_hot_min: float | None
    delivered_m3: float
    """Free air delivered, estimated. [m3 at the inlet]"""
    water_in_g: float
    """Water taken in less what the air carried off as vapour, while gaining. [g]"""
    water_out_g: float
    """Water driven off, while losing. [g]"""
    water_start_g: float
    water_end_g: float
    wet: bool
    """Ended sooner than 15 min, hot for less than 5, and left the sump wetter."""
    pressure_trusted: bool
    outcome: Outcome
    confidence: float
    """Probability that the run is one, and that it began and ended within the errors below, 0-1."""
    start_error_s: float | None = None
    """The start lies at most about this far off. None: it ran when it was first heard of. [s]"""
    end_error_s: float = 0.0
    """The same of the end. [s]"""
    inferred: bool = False
    """No reading fell into it: the hour meter proves it, its course is what would be usual."""
    water_carried_over_g: float = 0.0
    """Water that a full sump passed on with the air as droplets. Start + in - out - this = end. [g]"""


class Evidence(msgspec.Struct, frozen=True, kw_only=True):
    """One fact behind a finding: words for people, the number for machines."""

    text: str
    name: str
    value: float


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """One occurrence of a pattern. `end_at` is None while it stands; `finding_id` never changes."""

    finding_id: str
    unit_id: str
    pattern: Pattern
    start_at: dt.datetime
    end_at: dt.datetime | None
    first_flagged_at: dt.datetime
    """`observed_at` of the reading whose arrival decided it; of a silence, when it became too long."""
    confidence: float
    """Probability that the pattern's model gave when it was flagged, 0-1."""
    evidence: tuple[Evidence, ...]
    run_start_at: dt.datetime | None
    """Start of the deciding run, where one run decided it."""
    evidence_at: dt.datetime | None = None
    """`observed_at` of the reading that the evidence speaks of: the newest that renewed it."""
    signals: tuple[str, ...] = ()
    """Signals that it holds to be wrong; empty where it tells of the machine."""
    explained_by: Pattern | None = None
    """It ended because the finding of another pattern, recognised later, is what made it look so."""
    withdrawn: bool = False
    """Readings that came late have undone it; it is kept so that what was told can be explained."""


class WaterDay(msgspec.Struct, frozen=True, kw_only=True):
    """Retained water at the end of a UTC day."""

    unit_id: str
    date: dt.date
    grams: float
    low: float
    high: float


class WarmUpForecast(msgspec.Struct, frozen=True, kw_only=True):
    """Where the run in hand is heading; each range holds nine runs in ten."""

    level_low_c: float
    level_c: float
    """Discharge temperature at which it levels off, most likely. [degC]"""
    level_high_c: float
    to_hot_low_min: float | None
    """From the run's start until it is hot; None: not within the hour. [min]"""
    to_hot_min: float | None
    to_hot_high_min: float | None


class UnitStatus(msgspec.Struct, frozen=True, kw_only=True):
    """How a unit stands at its newest reading. NaN: not known."""

    unit_id: str
    observed_at: dt.datetime
    running: bool
    discharge_temp_c: float
    required_temp_c: float
    pressure_dew_point_c: float
    pressure_kpa: float
    pressure_trusted: bool
    hours: float
    ambient_temp_c: float
    ambient_error_k: float
    ambient_rh_pct: float
    water_g: float
    water_low_g: float
    water_high_g: float
    dry_out_min: float
    """Minutes of hot running with the air valve open still needed to dry the sump. Infinite: the air that
    comes in can't dry it. [min]"""
    dry_out_longest_min: float = math.nan
    """The same at the wet end of every doubt. NaN: not known. [min]"""
    seen_dry: bool = False
    """Whether it has been dry once since its first reading; until then what it held at first is not known,
    and the water is only what it has gained since."""
    run: Run | None
    """The run it is in, as far as it has got."""
    doubtful: dict[str, int] = {}
    """Kind of doubt (`models.doubts.NAMES`) -> readings of about the last day; none are left out."""
    forecast: WarmUpForecast | None = None
    """Of a run that is not hot yet, from its eighth minute to its fortieth."""


Event = Run | Finding | WaterDay
"""What `models.engine.advance` hands on. A record that comes again replaces the earlier one of its key."""
