"""Histories for tests of the engine: fleet units, one machine in constant air, rows made by hand."""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
from collections.abc import Iterable, Sequence

import msgspec
import numpy as np

from ingest.profile import UnitProfile
from ingest.reading import FloatArray, IntArray, Reading, Readings
from models import engine
from models.artefact import load_models
from models.fleets import FleetUnit, fleet_unit
from models.parameters import Parameters
from models.plant import SLOW, Duty, Faults, Machine, Truth, Weather, simulate
from models.plant_steps import saturation_pa
from models.records import Event, Finding, Run, WaterDay
from models.replay import Collector
from models.sensors import Instruments, SensorFault, observe
from models.training import as_judged_at_the_door

DAY_S = 86400
DAY_MS = 1000 * DAY_S
MONDAY_MS = 1_767_571_200_000
"""2026-01-05 00:00 UTC."""
PARAMETERS = Parameters()
PROFILE = UnitProfile(unit_id="unit")
QUIET = Instruments(
    temp_noise_k=0.1, pulsation_kpa=3.0, lost_frac=0.0, outages_per_day=0.0, repeated_frac=0.0
)
"""Good sensors and a link that loses nothing."""

SHORT_CYCLING_UNIT, NEVER_HOT_UNIT, ICING_UNIT = 14, 59, 7
FAMILIES = ("modulating_light", "modulating_heavy", "load_unload")
"""Machines of these histories; the indices above hold for them."""
"""Numbers of small units of `FLEET_SEED` that show one pattern each."""
FLEET_SEED = 5


@functools.cache
def simulated(index: int, days: int = 6, seed: int = FLEET_SEED) -> FleetUnit:
    """A unit of the training fleet with its readings as the door would have flagged them."""
    unit = fleet_unit(seed, index, days=days, machine_families=FAMILIES)
    return dataclasses.replace(unit, readings=as_judged_at_the_door(unit.readings))


def machine_history(
    runs: Sequence[tuple[float, float, float]],
    *,
    air_c: float | FloatArray = 15.0,
    rh: float = 0.6,
    hours: float = 24.0,
    machine: Machine = SLOW,
    stuck_frac: float = 0.0,
    start_temp_c: float | None = None,
    port_water_g: float = 0.0,
    step_s: int = 10,
) -> Truth:
    """One machine's truth; runs as (start [h], length [min], demand), air constant or one value an hour."""
    changes = [
        change
        for start_h, minutes, demand in runs
        for change in (
            (round(start_h * 3600), demand),
            (round(start_h * 3600 + minutes * 60), -1.0),
        )
    ]
    temp_c = np.broadcast_to(air_c, int(hours) + 2).astype(float)
    return simulate(
        machine,
        weather=Weather(
            step_s=3600.0,
            temp_c=temp_c,
            vapour_pa=np.array([rh * saturation_pa(c) for c in temp_c]),
        ),
        duty=Duty(
            change_s=np.array([at for at, _ in changes], np.int64),
            demand_frac=np.array([demand for _, demand in changes]),
            drain_s=np.empty(0, np.int64),
        ),
        faults=Faults(change_s=np.array([0]), stuck_open_frac=np.array([stuck_frac])),
        start_at_ms=MONDAY_MS,
        duration_s=int(hours * 3600),
        start_hours=100.0,
        step_s=step_s,
        start_temp_c=start_temp_c,
        start_port_water_g=port_water_g,
    )


def observed(
    truth: Truth,
    instruments: Instruments = QUIET,
    *,
    faults: tuple[SensorFault, ...] = (),
    unit_id: str = "unit",
    seed: int = 1,
) -> Readings:
    """What the truck sends of it."""
    rows = observe(
        truth,
        instruments,
        unit_id=unit_id,
        wanted_spans_s=[(run.start_s, run.end_s) for run in truth.runs],
        faults=faults,
        rng=np.random.default_rng(seed),
    )
    return as_judged_at_the_door(rows.readings)


def by_hand(
    at_s: Iterable[float],
    *,
    temp_c: float | FloatArray = 15.0,
    pressure_kpa: float | FloatArray = 0.0,
    hours: float | FloatArray = 100.0,
    rh_pct: float | FloatArray = 60.0,
    ambient_c: float | FloatArray = np.nan,
    unit_id: str = "unit",
) -> Readings:
    """Readings from columns or constants; instants in seconds from Monday's midnight."""
    at_ms: IntArray = (MONDAY_MS + 1000 * np.asarray(list(at_s))).astype(np.int64)
    signals = {
        "discharge_temp_c": temp_c,
        "pressure_kpa": pressure_kpa,
        "hours": hours,
        "ambient_rh_pct": rh_pct,
        "ambient_temp_c": ambient_c,
    }
    return Readings(
        unit_id=unit_id,
        observed_at_ms=at_ms,
        received_at_ms=at_ms,
        seq=np.full(len(at_ms), -1),
        quality=np.zeros(len(at_ms), np.int64),
        **{name: np.broadcast_to(values, len(at_ms)).astype(float) for name, values in signals.items()},
    )


def changed(readings: Readings, name: str, rows: object, value: object) -> Readings:
    """The same readings with a signal set in some rows."""
    column = getattr(readings, name).copy()
    column[rows] = value
    return dataclasses.replace(readings, **{name: column})


def rows_of(readings: Readings) -> list[Reading]:
    """One record a row, as the listener hands them on."""
    columns = {
        field: getattr(readings, field).tolist() for field in Reading.__struct_fields__ if field != "unit_id"
    }
    return [
        Reading(unit_id=readings.unit_id, **dict(zip(columns, values, strict=True)))
        for values in zip(*columns.values(), strict=True)
    ]


@dataclasses.dataclass(frozen=True, kw_only=True, repr=False)
class Folded:
    """What a fold of readings gave."""

    state: engine.State
    events: list[Event]

    @property
    def told(self) -> tuple[list[Run], list[Finding], list[WaterDay]]:
        """Events by kind, each in the order they came; between the kinds order says nothing."""
        return (
            [event for event in self.events if isinstance(event, Run)],
            [event for event in self.events if isinstance(event, Finding)],
            [event for event in self.events if isinstance(event, WaterDay)],
        )

    @functools.cached_property
    def newest(self) -> Collector:
        """The newest version of each record."""
        collector = Collector()
        collector.take(self.events)
        return collector

    @property
    def runs(self) -> list[Run]:
        return list(self.newest.runs.values())

    @property
    def findings(self) -> list[Finding]:
        return list(self.newest.findings.values())

    @property
    def water_days(self) -> list[WaterDay]:
        return list(self.newest.water_days.values())


def fold(
    *chunks: Readings,
    profile: UnitProfile = PROFILE,
    parameters: Parameters = PARAMETERS,
    state: engine.State | None = None,
) -> Folded:
    """Fold chunks one after another with the shipped models."""
    unit_id = chunks[0].unit_id
    profile = msgspec.structs.replace(profile, unit_id=unit_id)
    state = state or engine.initial_state(unit_id)
    events: list[Event] = []
    for chunk in chunks:
        state, found = engine.advance(state, chunk, profile, parameters, load_models())
        events += found
    return Folded(state=state, events=events)


def seconds(at: dt.datetime | None) -> float:
    """Seconds since Monday's midnight."""
    assert at is not None
    return at.timestamp() - MONDAY_MS / 1000.0
