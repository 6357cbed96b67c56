"""What has been said of a finding: its versions, and which are worth keeping. Pure.

A fold that goes on opens a finding, renews its evidence and closes it. Everything else - a start that moves,
an end that is taken back, a finding that is gone - contradicts what people were told, and is kept beside it.
"""

from __future__ import annotations

import datetime as dt
import enum
from collections.abc import Iterable, Mapping

import msgspec

from models.records import Finding


class Cause(enum.StrEnum):
    """Why a version was said."""

    FIRST = "first"
    """Nothing had been said of it before."""
    NEWS = "news"
    """Newer readings carried it on."""
    OTHER_WORK = "other_work"
    """A drain or an oil change was recorded afterwards, or taken back."""
    LATE_DATA = "late_data"
    """Readings that came late changed what had been said."""
    WORKED_ANEW = "worked_anew"
    """Ratings, settings, models or the program changed, so the history was worked through anew."""


def stronger(one: Cause | None, other: Cause | str | None) -> Cause | None:
    """Of two causes for folding history again the one that explains more."""
    causes = [Cause(cause) for cause in (one, other) if cause is not None]
    return max(causes, key=list(Cause).index, default=None)


class FindingVersion(msgspec.Struct, frozen=True, kw_only=True):
    """A finding as it was said at some instant."""

    finding: Finding
    said_at: dt.datetime
    cause: Cause
    mailed_at: dt.datetime | None
    """When a mail first said it; None: it was only shown."""


def same(before: Finding, after: Finding) -> bool:
    """Whether both say the same to the letter; a number that is not known equals itself here."""
    return before == after or msgspec.json.encode(before) == msgspec.json.encode(after)


def taken_back(finding: Finding) -> Finding:
    """The finding as withdrawn. It has an end, so that nobody takes it to stand."""
    return msgspec.structs.replace(finding, end_at=finding.end_at or finding.first_flagged_at, withdrawn=True)


def carries_on(before: Finding, after: Finding) -> bool:
    """Whether `after` takes nothing back of what `before` said; an end and newer evidence do not."""
    return (
        (before.start_at, before.first_flagged_at, before.confidence, before.withdrawn)
        == (after.start_at, after.first_flagged_at, after.confidence, after.withdrawn)
    ) and (before.end_at is None or same(before, after))


def worth_keeping(
    said: Mapping[str, Finding], now: Iterable[Finding], cause: Cause | None
) -> list[tuple[Finding, Cause]]:
    """Which of the findings as they are now make a new version.

    Parameters
    ----------
    said : mapping
        What was said last, by finding_id.
    cause : Cause or None
        Why history was folded anew; None when newer readings alone were.
    """
    versions = []
    for finding in now:
        found = _cause(said.get(finding.finding_id), finding, cause)
        if found is not None:
            versions.append((finding, found))
    return versions


def _cause(before: Finding | None, after: Finding, cause: Cause | None) -> Cause | None:
    if before is None:
        return None if after.withdrawn else Cause.FIRST
    if same(before, after):
        return None
    same_run = before.run_start_at == after.run_start_at
    if carries_on(before, after) and not (cause and same_run and before.evidence != after.evidence):
        # Evidence that newer runs renewed takes nothing back; it is kept when it is mailed.
        return None if after.end_at is None and not cause else Cause.NEWS
    return cause or Cause.LATE_DATA
