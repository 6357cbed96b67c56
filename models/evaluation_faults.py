"""Tables of faults that the fleets draw, and whether the pattern that means them was told.

The onset of a fault is known, not when it begins to show: a unit must run, a worn air end wears on for days.
So a fault is told when a finding of its pattern overlaps it, and the delay runs from its onset.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set

import numpy as np

from ingest.reading import FloatArray
from ingest.units_of_measure import S_PER_H
from models.build_up import COARSE_S
from models.evaluation_detection import LABELLED
from models.evaluation_grids import Cell, Column, Grid, readable
from models.evaluation_truth import IN_REGION, JAMMED_VALVE
from models.evaluation_unit import UnitEvidence
from models.event_matching import Told, grace_s, overlaps
from models.faulty_fleets import BUILDS_SLOWLY, OVERHEATS, MachineFault
from models.intervals import NOTHING, Figure, quantile, rate, share
from models.records import Pattern
from models.sensors import SensorFaultKind

Units = Sequence[UnitEvidence]

MEANT_BY: dict[str, str] = {
    **{kind.value: "sensor_fault" for kind in SensorFaultKind},
    SensorFaultKind.STALE.value: "stale_telemetry",
    **{kind.value: "overheating" for kind in OVERHEATS},
    **{kind.value: "slow_pressure_build" for kind in BUILDS_SLOWLY},
}
"""Kind of fault to the pattern that means it. One that the engine does not know yet has no row."""
UNLIKE_ITSELF = "unlike_itself"
CHANGES_HABITS = frozenset(
    {kind.value for kind in MachineFault if kind is not MachineFault.NONE}
    | {JAMMED_VALVE, SensorFaultKind.PRESSURE_DRIFT.value}
)
"""What makes a unit run otherwise than it did: `unlike_itself` means all of them and names none."""
BEYOND = tuple(pattern for pattern in Pattern if pattern not in LABELLED)
"""Patterns whose occurrences the fleets do not label: what is known is the fault, or that there is none."""
SPOILS = frozenset({Pattern.NEVER_REACHING_TEMPERATURE.value, Pattern.PRESSURE_SENSOR_ICING.value})
"""True occurrences that make a unit no sound one; short cycling is the crew's doing, not the machine's."""


def meant() -> dict[str, str]:
    """Kind of fault to pattern, for the patterns that the engine knows."""
    known = {pattern.value for pattern in Pattern}
    return {kind: pattern for kind, pattern in MEANT_BY.items() if pattern in known}


def is_sound(unit: UnitEvidence) -> bool:
    """Whether nothing of machine, sensors or port was ever wrong, marginally or not; hot weather is none."""
    ill = any(span.kind != IN_REGION for span in unit.faults)
    return not ill and not any(o.pattern in SPOILS for o in unit.occurrences)


def faults(units: Units, detector: str) -> Grid:
    """Each kind of fault: whether it was told, how long after its onset, and whether as unlike itself."""
    rows: list[tuple[Cell, ...]] = []
    for kind, pattern in meant().items():
        late_h = [list(_delays_h(unit, kind, {pattern}, detector)) for unit in units]
        either_h = [list(_delays_h(unit, kind, {pattern, UNLIKE_ITSELF}, detector)) for unit in units]
        counts = [len(hours) for hours in late_h]
        if sum(counts):
            rows.append(
                (
                    readable(kind),
                    readable(pattern),
                    sum(counts),
                    *_told(late_h),
                    share(*_of_brisk(units, late_h)),
                    share([len(_known(hours)) for hours in either_h], counts),
                )
            )
    columns = (
        Column("fault"),
        Column("meant by"),
        Column("faults"),
        *TOLD_COLUMNS,
        Column(f"told where read at least every {COARSE_S:.0f} s", 1, percent=True),
        Column("told by it or as unlike itself", 1, percent=True),
    )
    return Grid(columns, tuple(rows))


def beyond(units: Units, detector: str) -> Grid:
    """Patterns without labelled occurrences: false alarms on sound units, and the faults that each means."""
    sound = [unit for unit in units if is_sound(unit)]
    months = [unit.months for unit in sound]
    rows: list[tuple[Cell, ...]] = []
    for pattern in BEYOND:
        kinds = _kinds(pattern)
        told = [_told_of(unit, pattern, detector) for unit in units]
        so = kinds | {IN_REGION} if pattern == Pattern.OVERHEATING else kinds
        right = [sum(_meets(unit, f, so) for f in mine) for unit, mine in zip(units, told, strict=True)]
        wrong = [sum(not _meets(unit, f, so) for f in _told_of(unit, pattern, detector)) for unit in sound]
        late_h = [
            [h for kind in sorted(kinds) for h in _delays_h(unit, kind, {pattern}, detector)]
            for unit in units
        ]
        rows.append(
            (
                readable(pattern),
                sum(map(len, told)),
                share(right, [len(mine) for mine in told]) if so else NOTHING,
                Figure(value=sum(months)),
                rate(wrong, months),
                sum(map(len, late_h)),
                *_told(late_h),
            )
        )
    columns = (
        Column("pattern"),
        Column("findings"),
        Column("precision", 1, percent=True),
        Column("unit-months of sound units", 1),
        Column("false findings on them per unit-month", 3),
        Column("faults that it means"),
        *TOLD_COLUMNS,
    )
    return Grid(columns, tuple(rows))


TOLD_COLUMNS = (
    Column("told", 1, percent=True),
    Column("hours from onset, median", 1),
    Column("hours from onset, p90", 1),
)


def _told(late_h: Sequence[Sequence[float | None]]) -> tuple[Cell, ...]:
    """How many faults were told and how late, from the delays of each unit's faults."""
    known = [_known(hours) for hours in late_h]
    told = share([len(hours) for hours in known], [len(hours) for hours in late_h])
    return told, quantile(known, 0.5), quantile(known, 0.9)


def _of_brisk(units: Units, late_h: Sequence[Sequence[float | None]]) -> tuple[list[int], list[int]]:
    """Faults told, and all of them, of units whose readings come often enough to time a pressure build-up."""
    some = [hours for unit, hours in zip(units, late_h, strict=True) if unit.every_s <= COARSE_S]
    return [len(_known(hours)) for hours in some], [len(hours) for hours in some]


def _known(hours: Sequence[float | None]) -> FloatArray:
    return np.array([h for h in hours if h is not None], np.float64)


def _kinds(pattern: Pattern) -> frozenset[str]:
    if pattern == UNLIKE_ITSELF:
        return CHANGES_HABITS
    return frozenset(kind for kind, means in MEANT_BY.items() if means == pattern)


def _told_of(unit: UnitEvidence, pattern: Pattern, detector: str) -> list[Told]:
    return [finding for finding in unit.told[detector] if finding.pattern == pattern]


def _delays_h(unit: UnitEvidence, kind: str, patterns: Set[str], detector: str) -> Iterator[float | None]:
    """Hours from the onset of each such fault to the first finding that meets it; None where none does."""
    told = [finding for finding in unit.told[detector] if finding.pattern in patterns]
    for span in unit.faults:
        if span.kind == kind:
            flagged_s = [f.flagged_s for f in told if overlaps(f, span, grace_s(f.pattern))]
            yield max(min(flagged_s) - span.start_s, 0.0) / S_PER_H if flagged_s else None


def _meets(unit: UnitEvidence, finding: Told, kinds: Set[str]) -> bool:
    grace = grace_s(finding.pattern)
    return any(span.kind in kinds and overlaps(finding, span, grace) for span in unit.faults)
