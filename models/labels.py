"""The written meaning of each pattern, applied to a machine's hidden truth. No signal takes part.

Near the border of a meaning two careful people would disagree: such occurrences are labelled `marginal`,
for scorers to leave out on both sides and for training to weigh less.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from models.plant import RunTruth, Truth
from models.records import Pattern

WEEK_S = 7 * 86400
WET_RUNS_PER_WEEK = 4
HARMFUL_SHARE = 0.005
"""Retained water over oil charge that counts as harmful."""
DRY_SHARE = 0.1
"""Share of the harmful level below which a sump counts as dried."""
DRY_AT_MOST_G = 5.0
LONG_RUN_S = 900
TWIN_RATIO = 2.0
WRONG_KPA = 70.0
ICE_GAP_S = 6 * 3600
"""A reading right for longer than this ends an occurrence even if the ice stays."""


@dataclass(frozen=True, kw_only=True)
class Label:
    """One true occurrence of a pattern."""

    unit_id: str
    pattern: Pattern
    start_at_ms: int
    end_at_ms: int
    severity: float
    """Short cycling: peak water over harmful. Never hot: length over deciding length. Icing: largest error
    over 70 kPa."""
    marginal: bool
    moments_at_ms: tuple[int, ...]
    """Short cycling: ends of wet runs. Never hot: starts of the runs. Icing: first wrong reading."""
    decidable_at_ms: int
    """When the meaning was fulfilled for the first time."""
    harm_at_ms: int | None
    """Short cycling: water reaches the harmful level. Icing: first refused start."""


@dataclass
class _Series:
    """Wet runs since the sump was last dry."""

    runs: list[RunTruth] = field(default_factory=list)
    decided_s: int | None = None
    harm_s: int | None = None
    peak_g: float = 0.0
    most_in_week: int = 0

    def add(self, run: RunTruth, harmful_g: float) -> None:
        """Take in a wet run, and decide."""
        if self.decided_s is None and self.runs and run.start_s - self.runs[-1].end_s > WEEK_S:
            self.runs, self.peak_g, self.most_in_week, self.harm_s = [], 0.0, 0, None
        self.runs.append(run)
        self.peak_g = max(self.peak_g, run.water_end_g)
        in_week = sum(r.end_s > run.end_s - WEEK_S for r in self.runs)
        self.most_in_week = max(self.most_in_week, in_week)
        gained_g = sum(r.water_end_g - r.water_start_g for r in self.runs)
        if run.water_end_g >= harmful_g and gained_g >= 0.5 * harmful_g:
            self.harm_s = run.end_s if self.harm_s is None else self.harm_s
            if in_week >= WET_RUNS_PER_WEEK and self.decided_s is None:
                self.decided_s = run.end_s


def _dried_s(truth: Truth, from_s: int, dry_g: float) -> int:
    """First second from `from_s` on with less than `dry_g` in the sump; the history's end if never."""
    first = from_s // truth.step_s + 1
    below = np.flatnonzero(truth.water_g[first:] < dry_g)
    return (first + int(below[0])) * truth.step_s if len(below) else len(truth.water_g) * truth.step_s


def short_cycling(truth: Truth, unit_id: str, oil_charge_kg: float) -> list[Label]:
    """Wet runs keep coming and water reaches the harmful level because of them; over when dried."""
    harmful_g = 1000.0 * HARMFUL_SHARE * oil_charge_kg
    dry_g = max(DRY_AT_MOST_G, DRY_SHARE * harmful_g)
    labels: list[Label] = []
    series = _Series()

    def close(end_s: int) -> None:
        nearly = series.most_in_week >= WET_RUNS_PER_WEEK - 1 and series.peak_g >= 0.6 * harmful_g
        if series.decided_s is None and not nearly:
            return
        decided_s = series.runs[-1].end_s if series.decided_s is None else series.decided_s
        labels.append(
            Label(
                unit_id=unit_id,
                pattern=Pattern.SHORT_CYCLING,
                start_at_ms=truth.start_at_ms + 1000 * series.runs[0].start_s,
                end_at_ms=truth.start_at_ms + 1000 * end_s,
                severity=series.peak_g / harmful_g,
                marginal=series.decided_s is None or series.peak_g < 1.2 * harmful_g,
                moments_at_ms=tuple(truth.start_at_ms + 1000 * r.end_s for r in series.runs),
                decidable_at_ms=truth.start_at_ms + 1000 * decided_s,
                harm_at_ms=None if series.harm_s is None else truth.start_at_ms + 1000 * series.harm_s,
            )
        )

    for run in truth.runs:
        if series.runs and series.peak_g >= dry_g:
            dried_s = _dried_s(truth, series.runs[-1].end_s, dry_g)
            if dried_s <= run.start_s:
                close(dried_s)
                series = _Series()
        if run.wet:
            series.add(run, harmful_g)
    if series.runs:
        close(_dried_s(truth, series.runs[-1].end_s, dry_g))
    return labels


def never_reaching_temperature(truth: Truth, unit_id: str) -> list[Label]:
    """Runs long enough for a sound machine twice over, yet never hot; a hot run ends the occurrence."""
    labels: list[Label] = []
    group: list[tuple[RunTruth, float, bool]] = []

    def close() -> None:
        if not group:
            return
        clear = [row for row in group if not row[2]]
        runs = clear or group
        labels.append(
            Label(
                unit_id=unit_id,
                pattern=Pattern.NEVER_REACHING_TEMPERATURE,
                start_at_ms=truth.start_at_ms + 1000 * runs[0][0].start_s,
                end_at_ms=truth.start_at_ms + 1000 * runs[-1][0].end_s,
                severity=max(run.duration_s / needed_s for run, needed_s, _ in runs),
                marginal=not clear,
                moments_at_ms=tuple(truth.start_at_ms + 1000 * run.start_s for run, _, _ in runs),
                decidable_at_ms=truth.start_at_ms
                + int(1000 * (runs[0][0].start_s + min(runs[0][1], runs[0][0].duration_s))),
                harm_at_ms=None,
            )
        )
        group.clear()

    for run in truth.runs:
        if run.first_hot_s is not None:
            close()
            continue
        # A twin that never gets hot either leaves only the jammed valve to go by: undecided.
        twin_s = run.twin_first_hot_s
        needed_s = max(LONG_RUN_S, TWIN_RATIO * twin_s) if twin_s is not None else 2.0 * LONG_RUN_S
        undecided = twin_s is None
        if undecided and run.stuck_frac_peak < 0.3:
            continue
        if run.duration_s >= 0.85 * needed_s:
            group.append((run, needed_s, undecided or run.duration_s < 1.15 * needed_s))
    close()
    return labels


def _spans(mask: NDArray[np.bool_], gap_rows: int) -> list[tuple[int, int]]:
    """First and last row of the true stretches, those less than `gap_rows` apart taken together."""
    rows = np.flatnonzero(mask)
    if not len(rows):
        return []
    cuts = np.flatnonzero(np.diff(rows) > gap_rows)
    firsts = rows[np.concatenate([[0], cuts + 1])]
    lasts = rows[np.concatenate([cuts, [len(rows) - 1]])]
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))


def pressure_sensor_icing(truth: Truth, unit_id: str) -> list[Label]:
    """Stretches in which ice makes the pressure wrong by more than 70 kPa."""
    error_kpa = np.abs(truth.port_pressure_kpa - truth.pressure_kpa)
    wrong = (error_kpa > WRONG_KPA) & (truth.port_ice_g > 0.0)
    labels = []
    for first, last in _spans(wrong, ICE_GAP_S // truth.step_s):
        span = slice(first, last + 1)
        wrong_s = int(wrong[span].sum()) * truth.step_s
        refused = np.flatnonzero(truth.start_inhibited[span] & wrong[span])
        at_ms = truth.observed_at_ms
        labels.append(
            Label(
                unit_id=unit_id,
                pattern=Pattern.PRESSURE_SENSOR_ICING,
                start_at_ms=int(at_ms[first]),
                end_at_ms=int(at_ms[last]),
                severity=float(error_kpa[span].max() / WRONG_KPA),
                marginal=wrong_s < 600,
                moments_at_ms=(int(at_ms[first]),),
                decidable_at_ms=int(at_ms[first]),
                harm_at_ms=int(at_ms[first + refused[0]]) if len(refused) else None,
            )
        )
    return labels


def labels_of(truth: Truth, *, unit_id: str, oil_charge_kg: float) -> tuple[Label, ...]:
    """Every occurrence of the three patterns, by start."""
    found = (
        short_cycling(truth, unit_id, oil_charge_kg)
        + never_reaching_temperature(truth, unit_id)
        + pressure_sensor_icing(truth, unit_id)
    )
    return tuple(sorted(found, key=lambda label: label.start_at_ms))
