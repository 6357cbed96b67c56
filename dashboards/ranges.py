"""Which stretch of time a unit's page shows, as its address says it. Pure."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from dashboards.display import from_ms, ms_of

CHOICES = {
    "6h": ("6 h", dt.timedelta(hours=6)),
    "24h": ("24 h", dt.timedelta(hours=24)),
    "7d": ("7 days", dt.timedelta(days=7)),
    "30d": ("30 days", dt.timedelta(days=30)),
}
ALL = "all"
DEFAULT = "24h"


class RangeError(ValueError):
    """What was asked for is no stretch of time."""


@dataclass(frozen=True)
class Range:
    """``start_ms <= t < end_ms``. `choice` is empty for a custom one."""

    choice: str
    start_ms: int
    end_ms: int

    @property
    def follows(self) -> bool:
        """Whether it ends at the newest reading."""
        return bool(self.choice)


def range_of(
    choice: str, start: str, end: str, *, span: tuple[int, int] | None, now: dt.datetime, tz: dt.tzinfo
) -> Range:
    """The stretch asked for by an address.

    Parameters
    ----------
    choice : str
        A key of `CHOICES`, "all", or empty.
    start, end : str
        Wall clock of the yard, ISO 8601 without zone; both empty unless custom. A missing end is now.
    span : tuple of int, optional
        First and last reading. [Unix ms] The fixed choices end at the last one, so that a silent unit's page
        shows what it said last.
    now, tz
        Aware now; the yard's zone.

    Raises
    ------
    RangeError
        Naming what can't be read.
    """
    first_ms, last_ms = span or (ms_of(now), ms_of(now))
    # A reading dated years ahead by a wrong clock must not drag the page there.
    last_ms = max(first_ms, min(last_ms, ms_of(now)))
    if start or end:
        return Range("", *_custom(start, end, now, tz))
    chosen = choice or DEFAULT
    if chosen == ALL:
        return Range(ALL, first_ms, last_ms + 1)
    if chosen not in CHOICES:
        raise RangeError(f"range {chosen!r}: expected one of {', '.join((*CHOICES, ALL))}")
    return Range(chosen, last_ms + 1 - round(CHOICES[chosen][1].total_seconds() * 1000), last_ms + 1)


def _custom(start: str, end: str, now: dt.datetime, tz: dt.tzinfo) -> tuple[int, int]:
    start_ms = ms_of(_wall_clock("from", start, tz))
    end_ms = ms_of(_wall_clock("to", end, tz)) if end else ms_of(now)
    if start_ms >= end_ms:
        raise RangeError(f"from {start!r} to {end or 'now'!r}: the end must be later than the start")
    return start_ms, end_ms


def _wall_clock(name: str, text: str, tz: dt.tzinfo) -> dt.datetime:
    try:
        at = dt.datetime.fromisoformat(text)
        return (at if at.tzinfo else at.replace(tzinfo=tz)).astimezone(dt.UTC)
    except (ValueError, OverflowError):
        raise RangeError(f"{name} {text!r}: expected a date and time such as 2026-02-11 06:30") from None


def in_words(shown: Range, tz: dt.tzinfo) -> tuple[str, str]:
    """Both ends as wall clock of the yard, 24 hours, as the inputs show and `range_of` reads it."""
    start, end = (
        from_ms(ms).astimezone(tz).strftime("%Y-%m-%d %H:%M") for ms in (shown.start_ms, shown.end_ms)
    )
    return start, end
