"""Readings of the last day whose clock was wrong: the fold never sees them, so they are counted on coming."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from ingest.quality import Quality
from ingest.reading import Reading
from ingest.units_of_measure import MS_PER_S

HOUR_MS = 3600 * MS_PER_S
LAST_HOURS = 24
NAME = "clock_wrong"
"""As in `models.doubts.NAMES`: together with those that the fold itself leaves out."""


class WrongClocks:
    """Counters of readings left out for their time, by the hour in which they were received."""

    def __init__(self) -> None:
        self._came: dict[str, deque[list[int]]] = {}

    def note(self, readings: Iterable[Reading]) -> None:
        """Count those whose clock was wrong; a unit costs nothing until it has one."""
        for reading in readings:
            if not reading.quality & Quality.CLOCK_WRONG:
                continue
            hour = reading.received_at_ms // HOUR_MS
            hours = self._came.setdefault(reading.unit_id, deque(maxlen=LAST_HOURS + 1))
            if not hours or hours[-1][0] != hour:
                hours.append([hour, 0])
            hours[-1][1] += 1

    def of_last_day(self, unit_id: str, now_ms: int) -> int:
        """Readings received in the 24 to 25 hours before `now_ms`. [Unix ms]"""
        first = now_ms // HOUR_MS - LAST_HOURS
        return sum(n for hour, n in tuple(self._came.get(unit_id, ())) if hour >= first)
