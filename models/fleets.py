"""Simulated fleets: units of many kinds with their readings and what was really wrong with them.

`fleet` yields units of a kind, `fleet_unit` makes any one of them alone; `make_unit` builds from a spec.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ingest.profile import UnitProfile
from ingest.reading import FloatArray, IntArray, Readings
from models import climate as climates
from models import machine_families as families
from models.labels import Label, labels_of
from models.operators import OPERATORS, Operator, duty, wanted_spans_s
from models.plant import Faults, Machine, RunTruth, Truth, simulate
from models.sensors import Instruments, SensorFault, observe

DAY_S = 86400
HOUR_S = 3600
DAY_MS = 86_400_000


@dataclass(frozen=True, kw_only=True)
class UnitSpec:
    """Everything that decides a unit's history but chance."""

    profile: UnitProfile
    machine: Machine
    climate: climates.Climate
    operator: Operator
    utc_offset_h: float = 0.0
    garage_c: float | None = None
    """The truck spends its nights in a garage this warm."""
    sun_rise_k: float = 0.0
    """The sun warms the standing truck by this about noon."""
    faults: Faults
    instruments: Instruments
    sensor_faults: tuple[SensorFault, ...] = ()
    start_hours: float = 0.0
    start_water_g: float = 0.0
    start_port_water_g: float = 0.0
    family: str = ""
    tags: frozenset[str] = frozenset()
    """What makes it special, for scores by confounder: `valve_sudden`, `sensor_stale`, `garage`..."""


@dataclass(frozen=True, kw_only=True)
class FleetUnit:
    """One simulated unit: what the listener sees, and what was so."""

    spec: UnitSpec
    readings: Readings
    arrival_row: IntArray
    """Rows of `readings` in order of arrival, repeats included."""
    arrival_at_ms: IntArray
    labels: tuple[Label, ...]
    start_at_ms: int
    end_at_ms: int
    runs: tuple[RunTruth, ...]
    """Times in seconds from `start_at_ms`."""
    water_at_ms: IntArray
    """Hourly instants of `water_g`. [Unix ms]"""
    water_g: FloatArray
    refused_starts: int
    """Times a start was refused for a pressure that was not there, or not yet gone."""
    truth: Truth | None

    @property
    def profile(self) -> UnitProfile:
        """The unit's nameplate, as the register would hold it."""
        return self.spec.profile


def make_unit(
    spec: UnitSpec, *, start_at_ms: int, days: int, rng: np.random.Generator, keep_truth: bool = False
) -> FleetUnit:
    """Simulate a unit's history and observe it.

    Parameters
    ----------
    start_at_ms : int
        First instant. [Unix ms, UTC]
    days : int
        Length. [d]
    keep_truth : bool
        Hand on every hidden column too; about 110 bytes a row of 10 s.
    """
    unit_id = spec.profile.unit_id
    weather = climates.weather(
        spec.climate,
        start_at_ms=start_at_ms,
        days=days,
        altitude_m=spec.profile.altitude_m,
        utc_offset_h=spec.utc_offset_h,
        rng=rng,
    )
    if spec.garage_c is not None:
        weather = climates.parked_in_garage(
            weather, start_at_ms=start_at_ms, utc_offset_h=spec.utc_offset_h, garage_c=spec.garage_c
        )
    elif spec.sun_rise_k > 0.0:
        weather = climates.in_the_sun(
            weather, start_at_ms=start_at_ms, utc_offset_h=spec.utc_offset_h, rise_k=spec.sun_rise_k
        )
    asked = duty(spec.operator, start_at_ms=start_at_ms, days=days, utc_offset_h=spec.utc_offset_h, rng=rng)
    truth = simulate(
        spec.machine,
        weather=weather,
        duty=asked,
        faults=spec.faults,
        start_at_ms=start_at_ms,
        duration_s=days * DAY_S,
        step_s=5 if spec.instruments.every_s % 10 else 10,
        start_hours=spec.start_hours,
        start_water_g=spec.start_water_g,
        start_port_water_g=spec.start_port_water_g,
    )
    observed = observe(
        truth,
        spec.instruments,
        unit_id=unit_id,
        wanted_spans_s=wanted_spans_s(asked),
        faults=spec.sensor_faults,
        rng=rng,
    )
    hourly = slice(None, None, HOUR_S // truth.step_s)
    return FleetUnit(
        spec=spec,
        readings=observed.readings,
        arrival_row=observed.arrival_row,
        arrival_at_ms=observed.arrival_at_ms,
        labels=labels_of(truth, unit_id=unit_id, oil_charge_kg=spec.profile.oil_charge_kg),
        start_at_ms=start_at_ms,
        end_at_ms=start_at_ms + days * DAY_MS,
        runs=truth.runs,
        water_at_ms=truth.observed_at_ms[hourly],
        water_g=truth.water_g[hourly].copy(),
        refused_starts=int(np.sum(np.diff(truth.start_inhibited.astype(np.int8)) > 0)),
        truth=truth if keep_truth else None,
    )


def plain_spec(
    profile: UnitProfile,
    *,
    climate: str = "temperate",
    operator: str = "sessions",
    family: str = "modulating_heavy",
    utc_offset_h: float = 0.0,
    faults: Faults | None = None,
    instruments: Instruments | None = None,
    wet_port: bool = False,
    rng: np.random.Generator,
) -> UnitSpec:
    """A spec by names, for demonstrations: sound and well observed unless told otherwise.

    `wet_port`: water stands in the sensing line and little heat reaches it: frost ices it.
    A profile with a cold weather kit gets one that works.

    Raises
    ------
    KeyError
        If a name is not in `climate.PRESETS`, `operators.OPERATORS` or `machine_families.MACHINES`.
    """
    machine = families.machine(family, profile.hydraulic_gpm, rng)._replace(
        rated_kpa=profile.max_pressure_kpa,
        min_pressure_valve_kpa=profile.min_pressure_valve_kpa,
        kit_rise_k=25.0 if profile.cold_weather_kit else 0.0,
    )
    if wet_port:
        machine = machine._replace(
            port_wetting_g_h=0.5, port_drain_s=1e6, port_gain_frac=0.06, port_freeze_c=-1.0
        )
    return UnitSpec(
        profile=profile,
        machine=machine,
        climate=climates.PRESETS[climate],
        operator=OPERATORS[operator],
        utc_offset_h=utc_offset_h,
        faults=faults or Faults.none(),
        instruments=instruments or Instruments(),
        start_hours=float(np.round(rng.uniform(30.0, 3000.0), 2)),
        start_port_water_g=1.0 if wet_port else 0.0,
        family=family,
    )


def _theme(rng: np.random.Generator) -> str:
    return str(rng.choice(["ordinary", "cycling", "valve", "icing"], p=[0.36, 0.2, 0.25, 0.19]))


def _site(
    theme: str, names: tuple[str, ...], rng: np.random.Generator
) -> tuple[climates.Climate, int, dt.date]:
    """Climate, altitude and first day; icing needs frost, everything else takes what comes."""
    base = climates.PRESETS[str(rng.choice(names))]
    month = int(rng.integers(1, 13))
    if theme == "icing":
        frosty = [n for n in names if climates.PRESETS[n].january_c() < 1.0]
        base = climates.PRESETS[str(rng.choice(frosty))] if frosty else base
        month = int(rng.choice([11, 12, 1, 2]))
    altitude_m = rng.uniform(1200.0, 2600.0) if base.name == "mountain" else rng.uniform(0.0, 600.0)
    first = dt.date(2024 if month < 7 else 2023, month, int(rng.integers(1, 28)))
    return climates.varied(base, rng), int(altitude_m), first


def _operator(theme: str, names: tuple[str, ...], rng: np.random.Generator) -> Operator:
    wanted = {"cycling": families.CYCLING_OPERATORS, "valve": families.LONG_OPERATORS}.get(theme)
    fitting = [n for n in names if wanted is None or n in wanted] or list(names)
    operator = OPERATORS[str(rng.choice(fitting))]
    return replace(operator, drain_days=30.0) if rng.random() < 0.05 else operator


def random_spec(
    unit_id: str, *, kind: families.FleetKind, kind_name: str, days: int, rng: np.random.Generator
) -> tuple[UnitSpec, int]:
    """A unit of a kind, and the first instant of its history. [Unix ms]"""
    theme = _theme(rng)
    climate, altitude_m, first = _site(theme, kind.climates, rng)
    family = str(rng.choice(kind.families))
    gpm = float(np.round(rng.uniform(14.0, 20.0), 1))
    machine = families.machine(family, gpm, rng)
    kit = bool(rng.random() < (0.05 if theme == "icing" else 0.3))
    kit_works = kit and rng.random() < 0.93
    machine = machine._replace(kit_rise_k=rng.uniform(12.0, 30.0) if kit_works else 0.0)
    start_port_water_g = 0.0
    if theme == "icing":
        machine = machine._replace(
            port_wetting_g_h=rng.uniform(0.15, 0.6), port_drain_s=rng.uniform(2e5, 2e6)
        )
        start_port_water_g = rng.uniform(0.2, 1.0)
    tags = {theme}
    faults = Faults.none()
    if theme == "valve" or rng.random() < 0.03:
        how, faults = families.valve_fault(days, rng)
        tags.add(f"valve_{how}")
    sensor_faults: tuple[SensorFault, ...] = ()
    if rng.random() < 0.12:
        sensor_faults = (families.sensor_fault(days, rng),)
        tags.add(f"sensor_{sensor_faults[0].kind.value}")
    garage_c = float(rng.uniform(8.0, 18.0)) if rng.random() < 0.12 else None
    if garage_c is not None:
        tags.add("garage")
    offset_h = int(rng.integers(-8, 4))
    spec = UnitSpec(
        profile=UnitProfile(
            unit_id=unit_id,
            rated_cfm=80.0,
            hydraulic_gpm=gpm,
            max_pressure_kpa=round(machine.rated_kpa, 0),
            min_pressure_valve_kpa=380.0,
            altitude_m=float(altitude_m),
            cold_weather_kit=kit,
            # Zones named Etc/GMT count westward.
            tz=f"Etc/GMT{-offset_h:+d}",
        ),
        machine=machine,
        climate=climate,
        operator=_operator(theme, kind.operators, rng),
        utc_offset_h=float(offset_h),
        garage_c=garage_c,
        sun_rise_k=float(rng.uniform(0.0, 5.0)),
        faults=faults,
        instruments=families.instruments(rng, kind_name),
        sensor_faults=sensor_faults,
        start_hours=float(np.round(rng.uniform(3.0, 6000.0), 2)),
        start_water_g=float(rng.uniform(0.0, 25.0)) if rng.random() < 0.08 else 0.0,
        start_port_water_g=start_port_water_g,
        family=family,
        tags=frozenset(tags),
    )
    midnight = dt.datetime.combine(first, dt.time(), dt.UTC)
    return spec, int(midnight.timestamp() * 1000)


def fleet_unit(
    seed: int,
    index: int,
    *,
    days: int,
    kind: str = "training",
    machine_families: tuple[str, ...] | None = None,
    climate_names: tuple[str, ...] | None = None,
    operator_names: tuple[str, ...] | None = None,
    keep_truth: bool = False,
) -> FleetUnit:
    """Unit number `index` of the fleet with this seed; the same whatever else is made.

    The three tuples replace the kind's own, for splits that leave one out.

    Raises
    ------
    KeyError
        If `kind` is not in `machine_families.KINDS`, or a name in its table.
    """
    base = families.KINDS[kind]
    chosen = families.FleetKind(
        families=machine_families or base.families,
        climates=climate_names or base.climates,
        operators=operator_names or base.operators,
    )
    rng = np.random.default_rng([seed, index, sum(map(ord, kind))])
    spec, start_at_ms = random_spec(
        f"{kind}-{seed}-{index:04d}", kind=chosen, kind_name=kind, days=days, rng=rng
    )
    return make_unit(spec, start_at_ms=start_at_ms, days=days, rng=rng, keep_truth=keep_truth)


def fleet(
    seed: int, n_units: int, days: int, kind: str = "training", *, keep_truth: bool = False
) -> Iterator[FleetUnit]:
    """Units of a kind, one after the other."""
    for index in range(n_units):
        yield fleet_unit(seed, index, days=days, kind=kind, keep_truth=keep_truth)
