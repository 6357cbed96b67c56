"""Simulated units with one fault of cooling or of pressure each, and sound ones to compare them with.

Beside `models.fleets`, whose units have faults of thermal valve, port and sensors; drawn from the same kinds
of machine, site and crew. For training, evaluation and tests only.
"""

from __future__ import annotations

import enum
from dataclasses import replace

import numpy as np

from ingest.reading import FloatArray
from models import machine_families as families
from models.fleets import DAY_S, FleetUnit, UnitSpec, make_unit, random_spec
from models.operators import OPERATORS
from models.plant import Faults


class MachineFault(enum.StrEnum):
    """What goes wrong."""

    NONE = "none"
    FAN_FAILED = "fan_failed"
    """The cooler's fan stands from one minute to the next."""
    COOLER_BLOCKED = "cooler_blocked"
    """Dust and oil close the cooler over days."""
    WORN_AIR_END = "worn_air_end"
    """It makes less and less air."""
    SLIPPING_DRIVE = "slipping_drive"
    """It makes less air on some days."""
    LINE_LEAK = "line_leak"
    """A hose or fitting leaks all the air it can."""


OVERHEATS = (MachineFault.FAN_FAILED, MachineFault.COOLER_BLOCKED)
BUILDS_SLOWLY = (MachineFault.WORN_AIR_END, MachineFault.SLIPPING_DRIVE, MachineFault.LINE_LEAK)
SHUTDOWN_C = (110.0, 120.0)
"""Settings of high-temperature switches (published trade figures). [degC]"""
ONSET = (0.4, 0.7)
"""Part of the history after which the fault begins: a unit must show its own usual ways first."""


def _faults(kind: MachineFault, days: int, rng: np.random.Generator) -> Faults:
    onset_s = int(rng.uniform(*ONSET) * days * DAY_S)
    n = 1
    if kind is MachineFault.FAN_FAILED:
        part = np.array([rng.uniform(0.05, 0.25)])
    elif kind in (MachineFault.COOLER_BLOCKED, MachineFault.WORN_AIR_END):
        n = int(rng.integers(8, 20))
        part = np.linspace(1.0, rng.uniform(0.2, 0.4), n + 1)[1:]
    elif kind is MachineFault.SLIPPING_DRIVE:
        n = max(int(0.3 * days), 2)
        part = np.where(rng.random(n) < 0.7, rng.uniform(0.25, 0.55, n), 1.0)
    else:
        part = np.array([rng.uniform(0.4, 0.8)])
    change_s = onset_s + DAY_S // 2 * np.arange(n, dtype=np.int64)
    return Faults(change_s=change_s, stuck_open_frac=np.zeros(n), **_column(kind, part))


def _column(kind: MachineFault, part: FloatArray) -> dict[str, FloatArray]:
    if kind in OVERHEATS:
        return {"cooler_frac": part}
    return {"leak_frac": part} if kind is MachineFault.LINE_LEAK else {"air_frac": part}


def faulty_spec(spec: UnitSpec, kind: MachineFault, *, days: int, rng: np.random.Generator) -> UnitSpec:
    """The same unit without its other faults, and with this one."""
    switch_c = float(rng.uniform(*SHUTDOWN_C)) if rng.random() < 0.8 else np.inf
    known = spec.machine._replace(shutdown_c=switch_c)
    plain = replace(spec, machine=known, sensor_faults=(), faults=Faults.none(), tags=frozenset({kind.value}))
    if kind is MachineFault.NONE:
        return plain
    crews = sorted(families.LONG_OPERATORS & {spec.operator.name}) or ["all_day", "sessions", "steady_work"]
    operator = OPERATORS[str(rng.choice(crews))]
    return replace(plain, operator=operator, faults=_faults(kind, days, rng))


def faulty_unit(
    seed: int,
    index: int,
    kind: MachineFault,
    *,
    days: int,
    fleet_kind: str = "training",
    machine_families: tuple[str, ...] | None = None,
    keep_truth: bool = False,
) -> FleetUnit:
    """Unit number `index` of the fleet with this seed and fault; the same whatever else is made.

    Raises
    ------
    KeyError
        If `fleet_kind` is not in `machine_families.KINDS`, or a family not in its table.
    """
    base = families.KINDS[fleet_kind]
    drawn = replace(base, families=machine_families or base.families)
    rng = np.random.default_rng([seed, index, sum(map(ord, fleet_kind)), list(MachineFault).index(kind)])
    spec, start_at_ms = random_spec(
        f"{kind.value}-{seed}-{index:04d}", kind=drawn, kind_name=fleet_kind, days=days, rng=rng
    )
    spec = faulty_spec(spec, kind, days=days, rng=rng)
    return make_unit(spec, start_at_ms=start_at_ms, days=days, rng=rng, keep_truth=keep_truth)
