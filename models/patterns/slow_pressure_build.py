"""Slow pressure build: start after start, pressure takes longer than this unit's starts ever did.

Judged at each start that the readings can time, against the unit's own starts after rests as long and oil as
cold. One slow start is none: a tool may have been blowing.
"""

from __future__ import annotations

from ingest.units_of_measure import psi_from_kpa
from models.build_up import COLUMNS, LONGEST_S
from models.patterns.watch import Moment, Watch, close, fact, open_finding, renewed
from models.records import Evidence, Finding, Pattern
from models.state import PRESSURE_BUILT

__all__ = ["COLUMNS", "PATTERN", "evidence", "judge"]

PATTERN = Pattern.SLOW_PRESSURE_BUILD
SLOW_OF_FIVE, WELL_OF_FIVE = 4.0, 1.0
LEAST_SPAN_H = 12.0
"""A crew that draws air from the start all day is no fault: it must last into another day."""


def evidence(f: dict[str, float]) -> tuple[Evidence, ...]:
    """What the features say, in words."""
    kpa = f["target_kpa"]
    most = f"{f['most_s']:.0f} s" + (" or more" if f["most_s"] >= LONGEST_S else "")
    spread = f"{f['least_s']:.0f} to {most}" if f["n_slow"] > 1 else most
    return (
        fact(
            "n_slow",
            f["n_slow"],
            f"In {f['n_slow']:.0f} of the last {f['n_judged']:.0f} timed starts, spread over"
            f" {f['span_h']:.0f} h, pressure took {spread} to reach"
            f" {kpa:.0f} kPa ({psi_from_kpa(kpa):.0f} psi).",
        ),
        fact(
            "usual_s",
            f["usual_s"],
            f"After rests as long and with oil as cold, three in four of {f['n_like']:.0f} earlier starts of"
            f" this unit took at most {f['usual_s']:.0f} s,"
            f" the slowest {f['slowest_usual_s']:.0f} s.",
        ),
    )


def judge(watch: Watch, moment: Moment) -> tuple[Watch, list[Finding]]:
    """Open at the fourth slow start of five, keep the evidence fresh, close when starts are quick again."""
    if moment.kind != PRESSURE_BUILT:
        return watch, []
    f = moment.features
    if watch.finding is not None and f["n_slow"] <= WELL_OF_FIVE:
        return close(watch, watch.last_true_at or moment.at)
    if not f["slow"] > 0.0:
        return watch, []
    if watch.finding is not None:
        revised = renewed(watch.finding, moment, evidence(f))
        return Watch(finding=revised, last_true_at=moment.at), [revised]
    if f["n_slow"] < SLOW_OF_FIVE or f["span_h"] < LEAST_SPAN_H:
        return watch, []
    opened = open_finding(
        moment, PATTERN, moment.since_at or moment.at, f["certainty"], evidence(f), moment.run_start_at
    )
    return Watch(finding=opened, last_true_at=moment.at), [opened]
