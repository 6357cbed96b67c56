"""Unlike itself: run after run the unit warms, settles, builds or cools otherwise than it used to.

A novelty model that has seen sound units only ranks each run's deviations from the unit's own last runs. It
can't say what is wrong, so every pattern that can goes before it.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import msgspec

from models.own_habits import COLUMNS, FARTHEST, HABITS
from models.patterns.watch import Moment, Watch, close, difference_text, fact, open_finding, renewed, rounded
from models.records import Evidence, Finding, Pattern
from models.state import RUN_COMPARED

__all__ = ["COLUMNS", "FEATURES", "JUDGED_AT", "PATTERN", "evidence", "judge"]

PATTERN = Pattern.UNLIKE_ITSELF
JUDGED_AT = RUN_COMPARED
FEATURES = tuple(f"{name}_z" for name in HABITS)
LAST, ODD_OF_LAST = 5, 3
TELLING_Z = 2.5
"""A deviation is named as evidence from here on, and the farthest one always."""


def _percent(more: str, less: str, times: str) -> Callable[[float], str]:
    """Words for a part by which a quantity changed; from twice as much on, told as a multiple."""

    def told(part: float) -> str:
        if part >= 1.0:
            return f"{rounded(1.0 + part, 1 if part < 9.0 else 0)} times {times}"
        return f"{abs(100.0 * part):.0f} % {more if part > 0.0 else less}"

    return told


IN_PARTS = ("warm_up", "wobble", "build_up", "cooling")
"""Habits whose change is a part of the usual figure."""


def _points(more: str, less: str) -> Callable[[float], str]:
    return lambda part: f"{abs(100.0 * part):.0f} points {more if part > 0.0 else less}"


def _settles(off_k: float) -> str:
    return f"it settles {difference_text(abs(off_k))} {'hotter' if off_k > 0.0 else 'cooler'}"


WORDS: dict[str, Callable[[float], str]] = {
    "warm_up": lambda part: f"it warms {_percent('faster', 'slower', 'as fast')(part)}",
    "settled": _settles,
    "wobble": lambda part: f"its temperature wanders {_percent('more', 'less', 'as much')(part)}",
    "build_up": lambda part: (
        f"pressure takes {_percent('longer to build', 'less long to build', 'as long to build')(part)}"
    ),
    "mean_pressure": lambda part: (
        f"its mean pressure is {_points('of the rated higher', 'of the rated lower')(part)}"
    ),
    "cooling": lambda part: (
        f"before it, it cooled {_percent('faster', 'slower', 'as fast')(part)} after the stop"
    ),
    "hot_share": lambda part: f"it is hot for {_points('more', 'less')(part)} of the run",
}


def evidence(f: dict[str, float]) -> tuple[Evidence, ...]:
    """Which quantities deviate, farthest first, in words."""
    known = [name for name in HABITS if not math.isnan(f[f"{name}_z"])]
    farthest = sorted(known, key=lambda name: -abs(f[f"{name}_z"]))
    told = [n for i, n in enumerate(farthest) if i == 0 or abs(f[f"{n}_z"]) >= TELLING_Z]
    return tuple(
        fact(
            f"{name}_change",
            f[f"{name}_change"],
            f"In the newest odd run {WORDS[name](f[f'{name}_change'])} {_against(f, name)}",
        )
        for name in told
    )


def _against(f: dict[str, float], name: str) -> str:
    """What it is compared with, and how far off that is."""
    far, than = abs(f[f"{name}_z"]), "as" if f[f"{name}_change"] >= 1.0 and name in IN_PARTS else "than"
    spread = f"{FARTHEST:.0f} times or more" if far >= FARTHEST else f"{far:.1f} times"
    return f"{than} in its last {f['n_runs']:.0f} runs ({spread} their usual spread)."


def judge(watch: Watch, moment: Moment, rank: float, threshold: float) -> tuple[Watch, list[Finding]]:
    """Open at the third odd run of five, keep the evidence fresh, close after five runs like its own."""
    if moment.kind != JUDGED_AT:
        return watch, []
    odd = rank >= threshold
    recent = (moment.run_start_at if odd else None, *watch.recent)[:LAST]
    watch = msgspec.structs.replace(watch, recent=recent)
    if not odd:
        if watch.finding is not None and len(recent) == LAST and not any(recent):
            return close(watch, watch.last_true_at or moment.at)
        return watch, []
    starts = [start_at for start_at in recent if start_at is not None]
    if watch.finding is None and len(starts) < ODD_OF_LAST:
        return watch, []
    said = evidence(moment.features)
    if watch.finding is None:
        finding = open_finding(moment, PATTERN, starts[-1], rank, said, moment.run_start_at)
    else:
        finding = renewed(watch.finding, moment, said)
    return Watch(finding=finding, last_true_at=moment.at, recent=recent), [finding]
