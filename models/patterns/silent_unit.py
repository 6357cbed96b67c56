"""Silent unit: nothing has been heard for longer than the unit's own habits explain.

The one pattern that is judged without a reading: live against the clock, in replay at the reading that ends
the silence. Both say the same: it began with the last reading and was too long from a fixed time after it.
"""

from __future__ import annotations

import datetime as dt

import msgspec

from ingest.units_of_measure import S_PER_H
from models.patterns.watch import Moment, Watch, close, fact, open_finding, temp_text
from models.records import Evidence, Finding, Pattern
from models.state import SILENCE, SILENCE_ENDED

PATTERN = Pattern.SILENT_UNIT


def evidence(f: dict[str, float]) -> tuple[Evidence, ...]:
    """What is known, in words; the same before and after the silence has ended."""
    limit_h, usual_h = f["limit_s"] / S_PER_H, f["usual_gap_s"] / S_PER_H
    facts = [fact("limit_h", limit_h, f"Nothing has been heard of the unit for more than {_span(limit_h)}.")]
    if usual_h > 0.0:
        facts.append(fact("usual_gap_h", usual_h, f"Its longest usual silence lasts {_span(usual_h)}."))
    if f["temp_c"] == f["temp_c"]:
        did = "it was running" if f["ran"] > 0.0 else "it stood"
        text = f"When last heard of, {did} with the discharge at {temp_text(f['temp_c'])}."
        facts.append(fact("temp_c", f["temp_c"], text))
    return tuple(facts)


def judge(watch: Watch, moment: Moment) -> tuple[Watch, list[Finding]]:
    """Open when the silence has become too long, close at the next reading."""
    if moment.kind not in (SILENCE, SILENCE_ENDED) or moment.since_at is None:
        return watch, []
    found: list[Finding] = []
    if watch.finding is None:
        flagged_at = moment.since_at + dt.timedelta(seconds=moment.features["limit_s"])
        opened = open_finding(
            msgspec.structs.replace(moment, at=flagged_at),
            PATTERN,
            moment.since_at,
            1.0,
            evidence(moment.features),
            None,
        )
        watch, found = Watch(finding=opened, last_true_at=flagged_at), [opened]
    if moment.kind == SILENCE_ENDED:
        watch, ended = close(watch, moment.at)
        found += ended
    return watch, found


def undone(watch: Watch, next_at: dt.datetime | None) -> tuple[Watch, list[Finding]]:
    """Take the finding back when a reading from within the silence comes after it was told."""
    finding = watch.finding
    if finding is None or next_at is None or next_at > finding.first_flagged_at:
        return watch, []
    return Watch(), [msgspec.structs.replace(finding, end_at=finding.first_flagged_at, withdrawn=True)]


def _span(hours: float) -> str:
    return f"{hours:.0f} h" if hours < 48.0 else f"{hours / 24.0:.1f} days"
