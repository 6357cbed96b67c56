"""What of the things that were told no longer holds, and whether that is worth a mail. Pure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

from models.records import Evidence, Finding, Pattern

BY_FIXED_RULE = frozenset({Pattern.SENSOR_FAULT, Pattern.STALE_TELEMETRY, Pattern.SILENT_UNIT})
"""Patterns that a comparison decides and no model: a percentage beside them would be made up."""
STANDS = "it still stands"
NOT_SAID = "nothing of it"


@dataclass(frozen=True, kw_only=True)
class Difference:
    """One thing that was told, and what is to be said of it now."""

    what: str
    then: str
    now: str


def differences(
    before: Finding,
    after: Finding,
    *,
    instant: Callable[[dt.datetime], str],
    evidence: Callable[[Evidence], str] = lambda fact: fact.text,
) -> list[Difference]:
    """All in which two versions of a finding differ, in the reader's words.

    Parameters
    ----------
    instant, evidence : callable
        Put an instant and a fact in the reader's words.
    """
    found = [
        Difference(what="Was it there?", then=_there(before), now=_there(after)),
        Difference(what="Began", then=instant(before.start_at), now=instant(after.start_at)),
        Difference(what="Ended", then=_ended(before, instant), now=_ended(after, instant)),
        Difference(what="How sure", then=sure(before), now=sure(after)),
    ]
    if after.withdrawn:
        # Of what was not there neither an end nor a likelihood is left to compare.
        return [found[0]]
    then, now = ({fact.name: evidence(fact) for fact in one.evidence} for one in (before, after))
    found += [
        Difference(what="Evidence", then=then.get(name, NOT_SAID), now=now.get(name, NOT_SAID))
        for name in dict.fromkeys([*now, *then])
    ]
    return [one for one in found if one.then != one.now]


def matters(before: Finding, after: Finding, *, span: dt.timedelta, confidence: float) -> bool:
    """Whether people who were told `before` should hear that it no longer holds; newer evidence is no such.

    Parameters
    ----------
    span, confidence
        Least move of start or end, and least change of confidence, 0-1, that count.
    """
    if before.withdrawn != after.withdrawn or abs(after.start_at - before.start_at) >= span:
        return True
    if before.end_at is not None and (after.end_at is None or abs(after.end_at - before.end_at) >= span):
        return True
    return abs(after.confidence - before.confidence) >= confidence


def in_a_line(before: Finding, after: Finding) -> str:
    """The differences for a log, in UTC."""
    parts = [
        f"{one.what.lower()}: {one.now}, not {one.then}"
        for one in differences(before, after, instant=lambda at: f"{at:%Y-%m-%d %H:%M:%S} UTC")
        if one.what != "Evidence"
    ]
    return "corrected: " + ("; ".join(parts) or "other evidence")


def sure(finding: Finding) -> str:
    """How sure it is, in words that say what the figure is a part of; never wholly."""
    percent = 100 * min(finding.confidence, 0.99)
    if finding.pattern in BY_FIXED_RULE:
        return "by a fixed rule"
    if finding.pattern is Pattern.UNLIKE_ITSELF:
        return f"odder than {percent:.0f} in 100 runs of sound units"
    return f"{percent:.0f} % sure"


def _there(finding: Finding) -> str:
    return "no, it was not there" if finding.withdrawn else "yes"


def _ended(finding: Finding, instant: Callable[[dt.datetime], str]) -> str:
    return STANDS if finding.end_at is None else instant(finding.end_at)
