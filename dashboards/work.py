"""Work on the sump as the board words it, and the instant a person types for it. Pure."""

from __future__ import annotations

import datetime as dt

from dashboards import display
from dashboards.sources import WorkView
from ingest.maintenance import Work

WORDS = {Work.DRAIN: "Drain", Work.OIL_CHANGE: "Oil change"}
CHOICES = {Work.DRAIN: "Drain: settled water let out, oil kept", Work.OIL_CHANGE: "Oil change"}
_FORM = "%Y-%m-%d %H:%M"


class WorkTimeError(ValueError):
    """What was typed is no time at which work can have been done; the message says why."""


def time_field(now: dt.datetime, tz: dt.tzinfo) -> str:
    """An instant as `done_at` reads it: wall clock of the yard, 24 hours."""
    return now.astimezone(tz).strftime(_FORM)


def done_at(text: str, now: dt.datetime, tz: dt.tzinfo) -> dt.datetime:
    """When work was done, as typed.

    Parameters
    ----------
    text : str
        Wall clock of the yard, such as ``2026-02-11 06:30``; empty is now. Of an hour that the clocks
        went through twice the first is taken.
    now, tz
        Aware now; the yard's zone.

    Returns
    -------
    datetime
        Aware UTC, not later than `now`.

    Raises
    ------
    WorkTimeError
        When it can't be read, lies in the future, or the yard's clocks skipped it.
    """
    if not text.strip():
        return now
    try:
        typed = dt.datetime.strptime(text.strip().replace("T", " "), _FORM)  # noqa: DTZ007 - zone follows
        at = typed.replace(tzinfo=tz).astimezone(dt.UTC)
        back = at.astimezone(tz).replace(tzinfo=None)
    except (ValueError, OverflowError):
        raise WorkTimeError(
            f"{text.strip()!r} is no date and time such as {time_field(now, tz)} (24 hours)."
        ) from None
    if back != typed:
        raise WorkTimeError(f"{text.strip()} never was: the yard's clocks went forward over it.")
    if at > now:
        raise WorkTimeError(f"{text.strip()} is still to come: it is {time_field(now, tz)} at the yard.")
    return at


def title(work: WorkView, tz: dt.tzinfo) -> str:
    """What was done, and when."""
    return f"{WORDS[work.work]} · {display.instant(work.done_at, tz)}"


def history(work: WorkView, tz: dt.tzinfo) -> str:
    """Who recorded it and when; who took it back and when."""
    parts = [f"recorded {display.instant(work.recorded_at, tz)} by {work.recorded_by}"]
    if work.taken_back_at is not None:
        parts.append(f"taken back {display.instant(work.taken_back_at, tz)} by {work.taken_back_by}")
    return "; ".join(parts)
