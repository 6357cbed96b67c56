"""Tables of findings against occurrences: found, false, how late, how long before harm; and calibration."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import chain

import numpy as np

from ingest.units_of_measure import S_PER_H
from models.evaluation_grids import (
    Cell,
    Column,
    Grid,
    Group,
    by_climate,
    by_family,
    by_operator,
    by_sampling,
    by_tag,
    everyone,
    readable,
)
from models.evaluation_unit import UnitEvidence
from models.event_matching import delays, grace_s, hours_outside, is_early, match
from models.intervals import Figure, quantile, rate, ratio, share
from models.records import Pattern

Units = Sequence[UnitEvidence]

LABELLED = (
    Pattern.SHORT_CYCLING,
    Pattern.NEVER_REACHING_TEMPERATURE,
    Pattern.PRESSURE_SENSOR_ICING,
)
"""Patterns whose occurrences the fleets are labelled with."""
OWN_CLOCK = {
    Pattern.SHORT_CYCLING: ("wet_runs", "wet runs until told"),
    Pattern.NEVER_REACHING_TEMPERATURE: ("min_from_run_start", "minutes from the start of the run"),
    Pattern.PRESSURE_SENSOR_ICING: ("min_from_start", "minutes from the first wrong reading"),
}
SEVERITY = ((0.0, 2.0), (2.0, 4.0), (4.0, math.inf))


@dataclass
class UnitScore:
    """One unit, one pattern, one detector."""

    clear: int = 0
    marginal: int = 0
    unseen: int = 0
    found: int = 0
    right: int = 0
    neutral: int = 0
    wrong: int = 0
    early: int = 0
    outside_h: float = 0.0
    delays: dict[str, list[float]] = field(default_factory=dict)
    severity: list[tuple[float, bool]] = field(default_factory=list)
    """Of each clear occurrence, and whether it was found."""
    lead_h: list[float] = field(default_factory=list)
    """From the finding to the harm, for each clear occurrence that did harm; -inf where it was missed. [h]"""


def unit_score(unit: UnitEvidence, pattern: Pattern, detector: str) -> UnitScore:
    """Match one unit's findings of a pattern with what was truly so."""
    grace = grace_s(pattern)
    mine = [(o, seen) for o, seen in zip(unit.occurrences, unit.shown, strict=True) if o.pattern == pattern]
    true = [occurrence for occurrence, _ in mine]
    told = [finding for finding in unit.told[detector] if finding.pattern == pattern]
    met = match(true, told, grace)
    score = UnitScore(
        clear=sum(not o.marginal for o in true),
        marginal=sum(o.marginal and seen for o, seen in mine),
        unseen=sum(not seen for _, seen in mine),
        found=len(met.first_told),
        right=len(met.right),
        neutral=len(met.neutral),
        wrong=len(met.wrong),
    )
    for i, occurrence in enumerate(true):
        if occurrence.marginal:
            continue
        told_by = met.first_told.get(i)
        score.severity.append((occurrence.severity, told_by is not None))
        flagged_s = math.inf if told_by is None else told[told_by].flagged_s
        if occurrence.harm_s is not None:
            score.lead_h.append((occurrence.harm_s - flagged_s) / S_PER_H)
        if told_by is not None:
            for name, value in delays(occurrence, flagged_s).items():
                score.delays.setdefault(name, []).append(value)
    for j, places in met.meets.items():
        if places:
            met_by = [true[i] for i in places]
            score.early += is_early(told[j], met_by, grace)
            score.outside_h += hours_outside(told[j], met_by, grace, unit.until_s)
    return score


def _scores(units: Units, pattern: Pattern, detector: str) -> list[UnitScore]:
    return [unit_score(unit, pattern, detector) for unit in units]


def recall(scores: Sequence[UnitScore]) -> Figure:
    """Clear occurrences that were found."""
    return share([s.found for s in scores], [s.clear for s in scores])


def precision(scores: Sequence[UnitScore]) -> Figure:
    """Findings that were right, of those that were right or wrong."""
    return share([s.right for s in scores], [s.right + s.wrong for s in scores])


def false_alarms(scores: Sequence[UnitScore], units: Units) -> Figure:
    """Wrong findings per unit-month."""
    return rate([s.wrong for s in scores], [unit.months for unit in units])


def own_delay(scores: Sequence[UnitScore], pattern: Pattern, q: float) -> Figure:
    """Quantile of the delay by the pattern's own clock."""
    name, _ = OWN_CLOCK[pattern]
    return quantile([np.array(s.delays.get(name, []), np.float64) for s in scores], q)


SCORE_COLUMNS = (
    Column("clear occurrences"),
    Column("recall", 1, percent=True),
    Column("precision", 1, percent=True),
    Column("false alarms per unit-month", 3),
)


def _score_cells(units: Units, pattern: Pattern, detector: str) -> tuple[Cell, ...]:
    scores = _scores(units, pattern, detector)
    return (
        sum(s.clear for s in scores),
        recall(scores),
        precision(scores),
        false_alarms(scores, units),
    )


def headline(units: Units, detectors: Iterable[str]) -> Grid:
    """Each pattern by each detector."""
    rows = []
    for pattern in LABELLED:
        for detector in detectors:
            scores = _scores(units, pattern, detector)
            rows.append(
                (
                    readable(pattern),
                    detector,
                    *_score_cells(units, pattern, detector),
                    sum(s.marginal for s in scores),
                    sum(s.unseen for s in scores),
                    sum(s.neutral for s in scores),
                    sum(s.early for s in scores),
                    ratio(
                        [s.outside_h for s in scores],
                        [unit.months for unit in units],
                        sum(s.outside_h > 0.0 for s in scores),
                    ),
                )
            )
    columns = (
        Column("pattern"),
        Column("told by"),
        *SCORE_COLUMNS,
        Column("marginal occurrences"),
        Column("shown by no reading"),
        Column("findings of such alone"),
        Column("told early"),
        Column("hours standing outside, per unit-month", 1),
    )
    return Grid(columns, tuple(rows))


def lateness(units: Units, detectors: Iterable[str]) -> Grid:
    """How late findings came, by the pattern's own clock, and how long before harm."""
    rows = []
    for pattern in LABELLED:
        for detector in detectors:
            scores = _scores(units, pattern, detector)
            led = [np.array(s.lead_h, np.float64) for s in scores]
            rows.append(
                (
                    readable(pattern),
                    detector,
                    OWN_CLOCK[pattern][1],
                    own_delay(scores, pattern, 0.5),
                    own_delay(scores, pattern, 0.9),
                    sum(len(lead_h) for lead_h in led),
                    share([(lead_h > 0.0).sum() for lead_h in led], [len(lead_h) for lead_h in led]),
                    quantile([lead_h[np.isfinite(lead_h)] for lead_h in led], 0.5),
                )
            )
    columns = (
        Column("pattern"),
        Column("told by"),
        Column("measure"),
        Column("median", 1),
        Column("p90", 1),
        Column("occurrences that did harm"),
        Column("told before harm", 1, percent=True),
        Column("median lead [h]", 1),
    )
    return Grid(columns, tuple(rows))


def by_group(units: Units, pattern: Pattern, detector: str) -> Grid:
    """One pattern by sampling, machine, climate, crew and confounder; quiet groups are left out."""
    groups: Iterable[Group] = chain(
        everyone(units),
        by_sampling(units),
        by_family(units),
        by_climate(units),
        by_operator(units),
        by_tag(units),
    )
    rows: list[tuple[Cell, ...]] = []
    for name, some in groups:
        scores = _scores(some, pattern, detector)
        if any(s.clear or s.wrong for s in scores):
            rows.append((readable(name), len(some), *_score_cells(some, pattern, detector)))
    return Grid((Column("units"), Column("number"), *SCORE_COLUMNS), tuple(rows))


def by_severity(units: Units, detector: str) -> Grid:
    """Recall by how bad an occurrence was."""
    rows: list[tuple[Cell, ...]] = []
    for pattern in LABELLED:
        scores = _scores(units, pattern, detector)
        cells = []
        for least, most in SEVERITY:
            some = [[hit for severity, hit in s.severity if least <= severity < most] for s in scores]
            cells.append(share([sum(hits) for hits in some], [len(hits) for hits in some]))
        rows.append((readable(pattern), *cells))
    spans = [
        f"{least:g} to {most:g}" if math.isfinite(most) else f"{least:g} and more" for least, most in SEVERITY
    ]
    columns = (Column(f"recall at {span}", 1, percent=True) for span in spans)
    return Grid((Column("pattern"), *columns), tuple(rows))
