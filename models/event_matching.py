"""Findings against what was truly so: the one matching rule of every examination.

An occurrence is found when any finding of its unit and pattern overlaps it, grace allowed; a finding is right
when it overlaps any clear occurrence, neutral when it overlaps marginal ones alone, wrong when it overlaps
none. Marginal occurrences count neither for nor against. Pure: evaluation and the held-out examination
both call it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ingest.reading import FloatArray, IntArray
from ingest.units_of_measure import S_PER_H
from models.records import Pattern

S_PER_DAY = 24.0 * S_PER_H
MONTH_S = 30.4375 * S_PER_DAY
"""A twelfth of the Julian year."""
USUAL_GRACE_S = S_PER_H
GRACE_S = {Pattern.SHORT_CYCLING: S_PER_DAY}
"""How far a finding may lie off its occurrence; a pattern that is not listed is given the usual hour."""


class Span(Protocol):
    """Anything that lasts from one instant to another. [Unix s]"""

    @property
    def start_s(self) -> float:
        """First instant."""

    @property
    def end_s(self) -> float:
        """Last instant; inf while it stands."""


@dataclass(frozen=True, kw_only=True)
class Occurrence:
    """One true occurrence of a pattern; instants in Unix seconds on the truck's own clock."""

    unit_id: str
    pattern: str
    start_s: float
    end_s: float
    marginal: bool
    """Counts neither for nor against."""
    decidable_s: float
    moments_s: tuple[float, ...]
    """Instants of the runs that make it up."""
    harm_s: float | None = None
    severity: float = math.nan


@dataclass(frozen=True, kw_only=True)
class Told:
    """One finding of a detector; instants in Unix seconds. `end_s` is inf while it stands."""

    unit_id: str
    pattern: str
    start_s: float
    end_s: float
    flagged_s: float


@dataclass(frozen=True, kw_only=True)
class Matching:
    """How findings and occurrences of one pattern meet, as places in the two sequences."""

    first_told: dict[int, int]
    """Clear occurrence that was found, to the finding that was flagged first for it."""
    missed: tuple[int, ...]
    """Clear occurrences that no finding meets."""
    right: tuple[int, ...]
    neutral: tuple[int, ...]
    wrong: tuple[int, ...]
    meets: dict[int, tuple[int, ...]]
    """Finding to the occurrences it meets, marginal ones too."""


def grace_s(pattern: str) -> float:
    """Grace of a pattern. [s]"""
    return GRACE_S.get(Pattern(pattern), USUAL_GRACE_S)


def overlaps(a: Span, b: Span, grace: float) -> bool:
    """Whether two spans meet within a grace. [s]"""
    return a.start_s <= b.end_s + grace and b.start_s <= a.end_s + grace


def match(occurrences: Sequence[Occurrence], told: Sequence[Told], grace: float) -> Matching:
    """Match findings of one pattern, of any number of units, with what was truly so.

    Parameters
    ----------
    occurrences, told : sequences
        Of one pattern.
    grace : float
        How far two spans may lie apart and still meet. [s]
    """
    of_unit: dict[str, list[int]] = defaultdict(list)
    for i, occurrence in enumerate(occurrences):
        of_unit[occurrence.unit_id].append(i)
    meets = {
        j: tuple(i for i in of_unit[finding.unit_id] if overlaps(occurrences[i], finding, grace))
        for j, finding in enumerate(told)
    }
    first_told: dict[int, int] = {}
    for j in sorted(meets, key=lambda j: told[j].flagged_s):
        for i in meets[j]:
            if not occurrences[i].marginal:
                first_told.setdefault(i, j)
    clear = [i for i, occurrence in enumerate(occurrences) if not occurrence.marginal]
    right = tuple(j for j, met in meets.items() if any(not occurrences[i].marginal for i in met))
    return Matching(
        first_told=first_told,
        missed=tuple(i for i in clear if i not in first_told),
        right=right,
        neutral=tuple(j for j, met in meets.items() if met and j not in right),
        wrong=tuple(j for j, met in meets.items() if not met),
        meets=meets,
    )


def delays(occurrence: Occurrence, flagged_s: float) -> dict[str, float]:
    """How late a finding came, in the measures of its pattern.

    Short-cycling counts the wet runs that had been, never reaching temperature the minutes since the start of
    the run in which it was told; everything else counts from the start of the occurrence.
    """
    out = {
        "min_from_start": max(0.0, flagged_s - occurrence.start_s) / 60.0,
        "min_from_decidable": (flagged_s - occurrence.decidable_s) / 60.0,
    }
    before = [at_s for at_s in occurrence.moments_s if at_s <= flagged_s]
    if occurrence.pattern == Pattern.SHORT_CYCLING:
        out["wet_runs"] = float(len(before))
        out["wet_runs_after_decidable"] = float(sum(at_s > occurrence.decidable_s for at_s in before))
    elif occurrence.pattern == Pattern.NEVER_REACHING_TEMPERATURE:
        run_start_s = before[-1] if before else occurrence.moments_s[0]
        out["min_from_run_start"] = (flagged_s - run_start_s) / 60.0
        out["runs_before"] = float(max(0, len(before) - 1))
    return out


def is_early(finding: Told, met: Iterable[Occurrence], grace: float) -> bool:
    """Whether a finding was flagged before any occurrence that it meets had begun, grace allowed."""
    return finding.flagged_s < min((o.start_s for o in met), default=-math.inf) - grace


def hours_outside(finding: Told, met: Iterable[Occurrence], grace: float, until_s: float) -> float:
    """Hours for which a finding stands while no occurrence that it meets does, grace allowed. [h]

    A finding that stands for months would be right by overlap alone; this shows it.
    """
    at_s, end_s = finding.start_s, min(finding.end_s, until_s)
    outside_s = 0.0
    for occurrence in sorted(met, key=lambda o: o.start_s):
        outside_s += max(0.0, min(occurrence.start_s - grace, end_s) - at_s)
        at_s = max(at_s, occurrence.end_s + grace)
    return (outside_s + max(0.0, end_s - at_s)) / S_PER_H


@dataclass(frozen=True, kw_only=True)
class RunMatching:
    """True runs of one unit against those that were found."""

    best: IntArray
    """For each true run the found run that covers most of it, -1 for none; shape (number of true runs,)."""
    split: int
    """True runs that more than one found run covers."""
    merged: int
    """Found runs that stand for more than one true run."""
    invented: tuple[int, ...]
    """Found runs that come near no true run."""


def match_runs(true_s: FloatArray, found_s: FloatArray, near: float = 0.0) -> RunMatching:
    """Match runs of one unit.

    Parameters
    ----------
    true_s, found_s : arrays, shape (n, 2) and (m, 2)
        Start and end of each run; the end is inf while it turns. [Unix s]
    near : float
        A found run this close to a true one is not invented: none is timed better than it is sampled. [s]
    """
    first = np.maximum(true_s[:, None, 0], found_s[None, :, 0])
    last = np.minimum(true_s[:, None, 1], found_s[None, :, 1])
    lap_s = last - first
    covered = lap_s > 0.0
    best = np.full(len(true_s), -1)
    if lap_s.size:
        best = np.where(covered.any(axis=1), lap_s.argmax(axis=1), -1)
    used = np.bincount(best[best >= 0], minlength=len(found_s))
    touched = (lap_s >= -near).any(axis=0)
    return RunMatching(
        best=best,
        split=int(np.count_nonzero(covered.sum(axis=1) > 1)),
        merged=int(np.count_nonzero(used > 1)),
        invented=tuple(np.flatnonzero(~touched).tolist()),
    )


def within_errors(
    found_s: FloatArray, error_s: FloatArray, true_s: FloatArray, every_s: float
) -> NDArray[np.bool_]:
    """Whether each found run is a true one that begins and ends where it says, within what it says.

    Parameters
    ----------
    found_s, true_s : arrays, shape (n, 2) and (m, 2)
        Start and end. [Unix s]
    error_s : array, shape (n, 2)
        Stated errors; NaN where none is stated, which holds for any start before. [s]
    every_s : float
        Sampling: a run this near to a true one is one.
    """
    right = np.zeros(len(found_s), np.bool_)
    real = np.setdiff1d(np.arange(len(found_s)), match_runs(true_s, found_s, every_s).invented)
    for i in real:
        lap_s = np.minimum(true_s[:, 1], found_s[i, 1]) - np.maximum(true_s[:, 0], found_s[i, 0])
        off_s = found_s[i] - true_s[int(lap_s.argmax())]
        # Without a stated error it ran when it was first heard of: no start can be later than that.
        least_s = [0.0 if math.isnan(error_s[i, 0]) else -error_s[i, 0], -error_s[i, 1]]
        most_s = np.where(np.isnan(error_s[i]), np.inf, error_s[i])
        right[i] = bool(np.all((off_s >= least_s) & (off_s <= most_s)))
    return right
