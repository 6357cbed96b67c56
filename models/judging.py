"""Judging: what each pattern makes of the moments that the fold hands out, and what explains what."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator

import numpy as np

from models import row_records
from models.artefact import PatternModels
from models.patterns import BY_RULE, LEARNT, NOVEL, SUPPRESSED_BY, silent_unit
from models.patterns.suppression import explained, explanation
from models.patterns.watch import Moment, Watch
from models.records import Event, Finding, Pattern
from models.state import DAY_ENDED, WARMING, Record

SILENT = silent_unit.PATTERN


def judged(
    unit_id: str, rows: Record, watches: dict[Pattern, Watch], models: PatternModels
) -> Iterator[Event]:
    """Findings and water days that a unit's decision rows lead to.

    Parameters
    ----------
    rows : array of DECISION_ROW, shape (n,)
        In the order of their instants.
    watches : dict
        What each pattern keeps in mind of the unit; taken on from row to row, in place.
    """
    probabilities = np.full(len(rows), math.nan)
    for pattern, module in (*LEARNT.items(), *NOVEL.items()):
        asked = np.flatnonzero(rows["kind"] == module.JUDGED_AT)
        if len(asked):
            table = rows["features"][asked][:, [module.COLUMNS.index(name) for name in module.FEATURES]]
            probabilities[asked] = models.judging(pattern).probability(table)
    for row, probability in zip(rows, probabilities, strict=True):
        if row["kind"] == DAY_ENDED:
            yield from row_records.water_days(unit_id, row)
            continue
        moment = row_records.moment(unit_id, row)
        if row["kind"] == WARMING and probability >= models.of[Pattern.NEVER_REACHING_TEMPERATURE].threshold:
            moment = row_records.with_forecast(moment, row, models.forecast)
        for pattern in SUPPRESSED_BY:
            judgement = ask(pattern, watches[pattern], moment, float(probability), models)
            yield from take_in(pattern, *judgement, watches)


def judged_silence(unit_id: str, row: Record, watches: dict[Pattern, Watch]) -> Iterator[Finding]:
    """Findings of a silence that no reading has ended yet; `watches` are taken on in place."""
    judgement = silent_unit.judge(watches[SILENT], row_records.moment(unit_id, row))
    yield from take_in(SILENT, *judgement, watches)


def silence_undone(watches: dict[Pattern, Watch], first_at: dt.datetime | None) -> list[Finding]:
    """A silence told too soon, taken back by a reading from within it; `watches` are taken on in place."""
    watches[SILENT], undone = silent_unit.undone(watches[SILENT], first_at)
    return undone


def ask(
    pattern: Pattern, watch: Watch, moment: Moment, probability: float, models: PatternModels
) -> tuple[Watch, list[Finding]]:
    """What one pattern makes of one moment."""
    module = LEARNT.get(pattern) or NOVEL.get(pattern)
    if module is not None:
        return module.judge(watch, moment, probability, models.judging(pattern).threshold)  # type: ignore[no-any-return]
    return BY_RULE[pattern].judge(watch, moment)  # type: ignore[no-any-return]


def take_in(
    pattern: Pattern, judged: Watch, found: list[Finding], watches: dict[Pattern, Watch]
) -> Iterator[Finding]:
    """Take a judgement in, unless what it opens is explained already; close what it explains in turn."""
    before, opened = watches[pattern].finding, judged.finding
    if opened is None or (before is not None and before.finding_id == opened.finding_id):
        watches[pattern] = judged
        yield from found
        return
    if explanation(opened, watches.values()) is not None:
        ended = [finding for finding in found if finding.finding_id != opened.finding_id]
        if ended:
            watches[pattern] = Watch(last_true_at=ended[-1].end_at)
        yield from ended
        return
    watches[pattern] = judged
    yield from found
    for other in watches:
        watches[other], closed = explained(watches[other], opened)
        yield from closed
