"""Overheating: the discharge temperature is heading for the shutdown region, or stands just below it.

Judged twice a minute while a unit runs hotter than its own usual, from slope and bend of the curve: the
finding says how many minutes are left, not that a limit was crossed.
"""

from __future__ import annotations

import math

from models.overheat import COLUMNS
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
from models.senses_temp import BURNING_C
from models.state import HEAT_CALM, HEAT_RISING, HEAT_UNREAL

__all__ = ["COLUMNS", "PATTERN", "evidence", "judge"]

PATTERN = Pattern.OVERHEATING


def _minutes(f: dict[str, float]) -> str:
    soonest, latest = math.floor(f["soonest_min"]), math.ceil(f["latest_min"])
    return f"{latest} min" if latest - soonest <= 1 else f"{soonest} to {latest} min"


def _now(f: dict[str, float]) -> str:
    run = f"{f['run_min']:.0f} min into the run the discharge is at {temp_text(f['temp_c'])}"
    region = f"the shutdown region, which begins at {temp_text(f['region_c'])}"
    if f["temp_c"] >= f["region_c"]:
        return f"{run}, in {region}."
    return f"{run}, for {f['near_min']:.0f} min close to {region}." if f["foreseen"] == 0.0 else f"{run}."


def evidence(f: dict[str, float]) -> tuple[Evidence, ...]:
    """What the features say, in words."""
    facts = [fact("temp_c", f["temp_c"], _now(f))]
    if f["foreseen"] > 0.0:
        text = f"It rises by {difference_text(f['slope_k_min'], 1)} a minute."
        if f["temp_c"] < f["region_c"]:
            text += (
                f" Carried on, the curve is at {temp_text(f['region_c'])}, where switches"
                f" shut a unit down, within {_minutes(f)}."
            )
        facts.append(fact("slope_k_min", f["slope_k_min"], text))
    if f["usual_hot_c"] == f["usual_hot_c"]:
        usual = f"In its long runs this unit usually gets no hotter than {temp_text(f['usual_hot_c'])}."
        facts.append(fact("usual_hot_c", f["usual_hot_c"], usual))
    if f["temp_c"] >= BURNING_C:
        text = "No unit works at such heat: stop it, then see whether the truck sends °F under a °C name."
        facts.append(fact("burning_c", BURNING_C, text))
    facts.append(
        fact("ambient_c", f["ambient_c"], f"The air around it is at about {temp_text(f['ambient_c'])}.")
    )
    return tuple(facts)


def _undone(watch: Watch, moment: Moment) -> tuple[Watch, list[Finding]]:
    """Close what was told of numbers that are now known to have been °F, and say so before all else."""
    if watch.finding is None:
        return watch, []
    now_c = moment.features["temp_c"]
    text = (
        "The sensor is taken to be in °F under a °C name: no machine survives run after run at such heat."
        " What follows, and the peaks of those runs, are numbers in °F; now it is at"
        f" {temp_text(now_c)}. Check with a second thermometer, and correct the unit where it is set."
    )
    said = (fact("in_f", now_c, text), *watch.finding.evidence)
    return close(Watch(finding=renewed(watch.finding, moment, said)), moment.at)


def judge(watch: Watch, moment: Moment) -> tuple[Watch, list[Finding]]:
    """Open at the rise, keep the evidence fresh, close once it has run long enough at its usual heat."""
    if moment.kind == HEAT_CALM:
        return close(watch, watch.last_true_at or moment.at)
    if moment.kind == HEAT_UNREAL:
        return _undone(watch, moment)
    if moment.kind != HEAT_RISING:
        return watch, []
    said = evidence(moment.features)
    if watch.finding is None:
        finding = open_finding(
            moment,
            PATTERN,
            moment.since_at or moment.at,
            moment.features["certainty"],
            said,
            moment.run_start_at,
        )
    else:
        finding = renewed(watch.finding, moment, said)
    return Watch(finding=finding, last_true_at=moment.at), [finding]
