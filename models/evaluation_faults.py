"""Tables of faults that the fleets draw, and whether the pattern that means them was told.

The onset of a fault is known, not when it begins to show: a unit must run, a worn air end wears on for days.
So a fault is told when a finding of its pattern overlaps it, and the delay runs from its onset.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from ingest.units_of_measure import S_PER_H
from models.evaluation_grids import Cell, Column, Grid, readable
from models.evaluation_truth import FaultSpan
from models.evaluation_unit import UnitEvidence
from models.event_matching import Told, grace_s, overlaps
from models.faulty_fleets import BUILDS_SLOWLY, OVERHEATS
from models.intervals import quantile, rate, share
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


def meant() -> dict[str, str]:
    """Kind of fault to pattern, for the patterns that the engine knows."""
    known = {pattern.value for pattern in Pattern}
    return {kind: pattern for kind, pattern in MEANT_BY.items() if pattern in known}


def faults(units: Units, detector: str) -> Grid:
    """Each kind of fault: whether it was told, and how long after its onset."""
    rows: list[tuple[Cell, ...]] = []
    for kind, pattern in meant().items():
        late_h = [list(_delays_h(unit, kind, pattern, detector)) for unit in units]
        told_h = [np.array([h for h in hours if h is not None], np.float64) for hours in late_h]
        counts = [len(hours) for hours in late_h]
        if sum(counts):
            rows.append(
                (
                    readable(kind),
                    readable(pattern),
                    sum(counts),
                    share([len(hours) for hours in told_h], counts),
                    quantile(told_h, 0.5),
                    quantile(told_h, 0.9),
                )
            )
    columns = (
        Column("fault"),
        Column("meant by"),
        Column("faults"),
        Column("told", 1, percent=True),
        Column("hours from onset, median", 1),
        Column("hours from onset, p90", 1),
    )
    return Grid(columns, tuple(rows))


def without_cause(units: Units, detector: str) -> Grid:
    """Findings of these patterns, and those of them that meet no fault which means them."""
    rows: list[tuple[Cell, ...]] = []
    for pattern in sorted(set(meant().values())):
        told = [[finding for finding in unit.told[detector] if finding.pattern == pattern] for unit in units]
        right = [sum(_has_cause(unit, f) for f in mine) for unit, mine in zip(units, told, strict=True)]
        counts = [len(mine) for mine in told]
        rows.append(
            (
                readable(pattern),
                sum(counts),
                share(right, counts),
                rate(np.subtract(counts, right), [unit.months for unit in units]),
            )
        )
    columns = (
        Column("pattern"),
        Column("findings"),
        Column("precision", 1, percent=True),
        Column("without cause per unit-month", 3),
    )
    return Grid(columns, tuple(rows))


def _delays_h(unit: UnitEvidence, kind: str, pattern: str, detector: str) -> Iterator[float | None]:
    """Hours from the onset of each such fault to the first finding that meets it; None where none does."""
    told = [finding for finding in unit.told[detector] if finding.pattern == pattern]
    for span in unit.faults:
        if span.kind == kind:
            flagged_s = [f.flagged_s for f in told if overlaps(f, span, grace_s(pattern))]
            yield max(min(flagged_s) - span.start_s, 0.0) / S_PER_H if flagged_s else None


def _has_cause(unit: UnitEvidence, finding: Told) -> bool:
    grace = grace_s(finding.pattern)
    return any(_means(span, finding) and overlaps(finding, span, grace) for span in unit.faults)


def _means(span: FaultSpan, finding: Told) -> bool:
    return MEANT_BY.get(span.kind) == finding.pattern
