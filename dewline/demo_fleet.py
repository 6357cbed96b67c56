"""The demo's fleet: 12 service trucks of an invented rail-maintenance contractor, yards in three climates.

Nobody and nothing here exists. The climates are set so that the cold yard has frost and the warm one is humid
whatever the season in which the demo is run. Called by `dewline.demo`; the plant model does the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ingest.profile import UnitProfile
from models.climate import PRESETS, Climate
from models.fleets import DAY_S, UnitSpec
from models.machine_families import machine
from models.operators import OPERATORS, Operator
from models.plant import Faults
from models.sensors import Instruments

CUSTOMER = "Ninefold Track Care"
H_PER_DAY = 24.0


@dataclass(frozen=True, kw_only=True)
class Yard:
    """Where trucks stand."""

    name: str
    climate: Climate
    tz: str
    utc_offset_h: float
    """No daylight saving there, so that the plant model's clock and the board's agree."""
    altitude_m: float


SOUTH = Yard(
    name="South Yard",
    climate=Climate(
        name="humid_warm",
        annual_mean_c=25.0,
        annual_swing_k=3.0,
        daily_swing_k=4.0,
        front_k=1.5,
        front_days=3.0,
        rh_mean_frac=0.80,
        rh_front_frac=0.06,
    ),
    tz="America/Panama",
    utc_offset_h=-5.0,
    altitude_m=15.0,
)
MIDDLE = Yard(
    name="Middle Yard",
    climate=PRESETS["temperate"],
    tz="America/Regina",
    utc_offset_h=-6.0,
    altitude_m=180.0,
)
NORTH = Yard(
    name="North Yard",
    climate=Climate(
        name="cold",
        annual_mean_c=-8.0,
        annual_swing_k=4.0,
        daily_swing_k=4.0,
        front_k=3.0,
        front_days=4.0,
        rh_mean_frac=0.80,
        rh_front_frac=0.08,
    ),
    tz="America/Whitehorse",
    utc_offset_h=-7.0,
    altitude_m=640.0,
)


@dataclass(frozen=True, kw_only=True)
class Truck:
    """One truck and what makes it worth looking at."""

    unit_id: str
    label: str
    yard: Yard
    operator: Operator
    works_now: bool = False
    """Its shift starts about when the demo does, so that it is seen at work."""
    family: str = "modulating_light"
    cold_weather_kit: bool = False
    valve_jams_days_before: float | None = None
    """The thermal valve jams open so long before now. [d]"""
    wet_port: bool = False
    """The pressure sensor's port holds water, which freezes."""
    only_key_on: bool = False
    """Its controller has no power while it is parked."""
    telemetry: dict[str, Any] = field(default_factory=dict)
    """Fields of `Instruments` that differ from the others'."""


TRUCKS = (
    Truck(
        unit_id="truck-01",
        label="Tamper support, short jobs",
        yard=MIDDLE,
        operator=Operator(name="short jobs", kinds={"one_burst": 0.85, "idle": 0.15}),
        works_now=True,
    ),
    Truck(
        unit_id="truck-02",
        label="Ballast gang, long shifts",
        yard=SOUTH,
        operator=Operator(
            name="long shifts", kinds={"all_day": 1.0}, weekend_frac=0.9, demand_frac=(0.5, 0.95)
        ),
        works_now=True,
    ),
    Truck(unit_id="truck-03", label="Signal works", yard=SOUTH, operator=OPERATORS["top_up"]),
    Truck(
        unit_id="truck-04",
        label="Stand-by, weekly hot run",
        yard=SOUTH,
        operator=Operator(name="stand-by", kinds={"idle": 0.9, "one_burst": 0.1}, exercise_days=7.0),
    ),
    Truck(
        unit_id="truck-05",
        label="Spray crew",
        yard=MIDDLE,
        operator=Operator(
            name="light work", kinds={"light_long": 1.0}, weekend_frac=0.9, demand_frac=(0.05, 0.3)
        ),
        works_now=True,
        valve_jams_days_before=12.0,
    ),
    Truck(
        unit_id="truck-06",
        label="Welding crew",
        yard=SOUTH,
        operator=OPERATORS["sessions"],
        works_now=True,
        family="load_unload",
    ),
    Truck(unit_id="truck-07", label="Spare", yard=MIDDLE, only_key_on=True, operator=OPERATORS["idle"]),
    Truck(
        unit_id="truck-08",
        label="Tunnel crew, poor coverage",
        yard=MIDDLE,
        operator=OPERATORS["crew_shifts"],
        works_now=True,
        telemetry={"outages_per_day": 6.0, "outage_mean_s": 2400.0, "repeated_frac": 0.08, "sends_seq": True},
    ),
    Truck(
        unit_id="truck-09",
        label="Switch heater crew",
        yard=NORTH,
        operator=Operator(name="winter calls", kinds={"few_long": 0.6, "one_burst": 0.4}, weekend_frac=0.7),
        works_now=True,
        wet_port=True,
    ),
    Truck(
        unit_id="truck-10",
        label="Snow gang, cold kit",
        yard=NORTH,
        operator=OPERATORS["all_day"],
        works_now=True,
        cold_weather_kit=True,
    ),
    Truck(
        unit_id="truck-11",
        label="Inspection, dry cold air",
        yard=NORTH,
        operator=Operator(name="inspection", kinds={"one_burst": 0.4, "few_long": 0.3, "idle": 0.3}),
        cold_weather_kit=True,
    ),
    Truck(
        unit_id="truck-12",
        label="Depot, mixed work",
        yard=NORTH,
        operator=OPERATORS["mixed"],
        cold_weather_kit=True,
    ),
)


def profile_of(truck: Truck) -> UnitProfile:
    """The nameplate as the register holds it."""
    return UnitProfile(
        unit_id=truck.unit_id,
        label=truck.label,
        yard=truck.yard.name,
        customer=CUSTOMER,
        altitude_m=truck.yard.altitude_m,
        cold_weather_kit=truck.cold_weather_kit,
        tz=truck.yard.tz,
    )


def spec_of(truck: Truck, *, history_s: float, now_utc_h: float, rng: np.random.Generator) -> UnitSpec:
    """What the plant model needs.

    Parameters
    ----------
    history_s : float
        From the start of the history to now. [s]
    now_utc_h : float
        Hour of the day now, UTC. [h]
    """
    built = machine(truck.family, 18.0, rng)._replace(
        kit_rise_k=25.0 if truck.cold_weather_kit else 0.0, port_wetting_g_h=0.05, port_drain_s=30_000.0
    )
    if truck.wet_port:
        built = built._replace(port_wetting_g_h=0.6, port_drain_s=2e6, port_plug_g=0.3, port_gain_frac=0.03)
    return UnitSpec(
        profile=profile_of(truck),
        machine=built,
        climate=truck.yard.climate,
        operator=_at_work(truck, now_utc_h) if truck.works_now else truck.operator,
        utc_offset_h=truck.yard.utc_offset_h,
        faults=_valve(truck.valve_jams_days_before, history_s),
        instruments=replace(
            Instruments(every_s=10 if truck.works_now else 30, only_key_on=truck.only_key_on),
            **truck.telemetry,
        ),
        start_hours=float(np.round(rng.uniform(200.0, 3000.0), 2)),
        start_port_water_g=1.0 if truck.wet_port else 0.0,
    )


def _at_work(truck: Truck, now_utc_h: float) -> Operator:
    local_h = (now_utc_h + truck.yard.utc_offset_h) % H_PER_DAY
    return replace(
        truck.operator,
        start_h=(local_h - 0.8, local_h + 0.05),
        work_days_per_week=5.0,
        weekend_frac=max(truck.operator.weekend_frac, 0.9),
    )


def _valve(days_before: float | None, history_s: float) -> Faults:
    if days_before is None:
        return Faults.none()
    return Faults(
        change_s=np.array([int(max(history_s - days_before * DAY_S, 0.0))], np.int64),
        stuck_open_frac=np.array([1.0]),
    )
