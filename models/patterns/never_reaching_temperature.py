"""Never reaching temperature: a run long enough to get hot stays below the required temperature.

Judged every minute of a warm-up from the curve's own bend, not after the run. Consecutive such runs are one
finding.
"""

from __future__ import annotations

import datetime as dt

from models.features import WARMING_COLUMNS as COLUMNS
from models.patterns.watch import (
    Moment,
    Watch,
    close,
    difference_text,
    fact,
    open_finding,
    renewed,
    temp_text,
)
from models.records import Evidence, Finding, Pattern
from models.state import GOT_HOT, RUN_ENDED, WARMING

__all__ = ["COLUMNS", "FEATURES", "JUDGED_AT", "PATTERN", "evidence", "judge"]

PATTERN = Pattern.NEVER_REACHING_TEMPERATURE
JUDGED_AT = WARMING
FEATURES = COLUMNS
"""What its model is given, of the row's columns."""
TELLING_RATIO = 1.5
"""Only a warm-up well beyond the unit's usual one is worth a sentence."""
FLAT_K_MIN = 0.1
"""A slower rise than this is none to speak of. [K/min] Chosen."""
CLEAR_K = 3.0
"""A discharge sensor within 1 K and a dew point within 2 K (common practice) make up to this together."""


def evidence(f: dict[str, float]) -> tuple[Evidence, ...]:
    """What the features say, in words."""
    facts = [
        fact(
            "short_of_required_k",
            f["short_of_required_k"],
            f"{f['elapsed_min']:.0f} min into the run the discharge is at {temp_text(f['now_c'])}, "
            f"{difference_text(f['short_of_required_k'])} short of the"
            f" {temp_text(f['required_c'])} it needs.",
        ),
        fact("rate_k_min", f["rate_k_min"], _heading(f)),
    ]
    if f["never_hot_runs"] >= 1:
        n = round(f["never_hot_runs"])
        before = "The long run before was" if n == 1 else f"The {n} long runs before were"
        facts.append(fact("never_hot_runs", n, f"{before} not hot either."))
    if f["own_warm_up_ratio"] >= TELLING_RATIO:
        facts.append(
            fact(
                "own_warm_up_ratio",
                f["own_warm_up_ratio"],
                f"That is already {f['own_warm_up_ratio']:.1f} times this unit's usual warm-up.",
            )
        )
    return tuple(facts)


def _heading(f: dict[str, float]) -> str:
    """Where the curve leads: the forecast with its range, or the fitted end alone once the run is long."""
    rate_k_min = f["rate_k_min"]
    rises = f"It rises by {difference_text(rate_k_min, 1)} a minute and "
    if rate_k_min < FLAT_K_MIN:
        rises = "It hardly rises any more and "
    if "level_c" not in f:
        return rises + f"its curve levels off near {temp_text(f['now_c'] + max(f['left_k'], 0.0))}."
    return (
        rises + f"is expected to level off near {temp_text(f['level_c'])}"
        f" (nine in ten such runs: {temp_text(f['level_low_c'])} to {temp_text(f['level_high_c'])})."
    )


def _clearly_short(moment: Moment) -> bool:
    """Short by more than sensors and the doubt about the air explain."""
    return moment.features["short_of_required_k"] >= CLEAR_K


def judge(watch: Watch, moment: Moment, probability: float, threshold: float) -> tuple[Watch, list[Finding]]:
    """Open within the run, carry on over later runs that stay cool, close with the run that gets hot."""
    standing = watch.finding
    cool = moment.kind == WARMING and probability >= threshold and _clearly_short(moment)
    if cool and standing is None and moment.run_start_at:
        opened = open_finding(
            moment,
            PATTERN,
            moment.run_start_at,
            probability,
            evidence(moment.features),
            moment.run_start_at,
        )
        return Watch(finding=opened, last_true_at=moment.at), [opened]
    if standing is None:
        return watch, []
    if cool and moment.run_start_at != standing.run_start_at:
        revised = renewed(standing, moment, evidence(moment.features))
        return Watch(finding=revised, last_true_at=moment.at), [revised]
    if moment.kind == RUN_ENDED and moment.run_start_at == standing.run_start_at:
        return Watch(finding=standing, last_true_at=_run_end(moment)), []
    if moment.kind == GOT_HOT:
        return close(watch, watch.last_true_at or moment.at)
    return watch, []


def _run_end(moment: Moment) -> dt.datetime:
    start_at = moment.run_start_at or moment.at
    return start_at + dt.timedelta(minutes=moment.features["run_min"])
