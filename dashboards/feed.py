"""The fleet as it stands, read at most every `HELD_S` however many browsers look on.

Each row carries the number of the reading in which it last changed, so that a browser is sent only what
changed since its own last look.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from dashboards.display import System, ms_of
from dashboards.fleet_rows import FleetRow, fleet_rows, row_json
from dashboards.headline import state_counts, summary
from dashboards.settings import BoardSettings
from dashboards.sources import Sources

Clock = Callable[[], dt.datetime]
"""Now, aware UTC."""

HELD_S = 0.4
"""How long one look at the databases serves everybody. [s]"""


@dataclass(frozen=True)
class Changes:
    """What a browser has to be told. `version` is what it shall ask from next time."""

    version: int
    rows: list[dict[str, Any]]
    removed: list[str]
    summary: str
    counts: dict[str, int]
    yards: list[str]
    now_ms: int

    def as_json(self) -> dict[str, Any]:
        """The same as plain data."""
        return {
            name: getattr(self, name) for name in ("rows", "removed", "summary", "counts", "yards", "now_ms")
        }


class Feed:
    """The fleet rows, fresh to within `HELD_S`; for use on one event loop."""

    def __init__(self, sources: Sources, settings: BoardSettings, clock: Clock) -> None:
        self._sources, self._settings, self._clock = sources, settings, clock
        self._lock = asyncio.Lock()
        self._read_at_s = float("-inf")
        self._version = 0
        self._rows: list[FleetRow] = []
        self._sent: dict[System, dict[str, tuple[int, dict[str, Any]]]] = {system: {} for system in System}
        self._removed: dict[str, int] = {}

    async def rows(self) -> list[FleetRow]:
        """Every unit, most urgent first. Raises what the databases raise."""
        async with self._lock:
            if time.monotonic() - self._read_at_s > HELD_S:
                rows = await asyncio.to_thread(self._read)
                self._take(rows)
                self._read_at_s = time.monotonic()
            return self._rows

    async def changes(self, system: System, since: int) -> Changes:
        """What changed after version `since`; 0 gives the whole fleet."""
        rows = await self.rows()
        return Changes(
            version=self._version,
            rows=[data for version, data in self._sent[system].values() if version > since],
            removed=[unit_id for unit_id, version in self._removed.items() if version > since],
            summary=summary(rows),
            counts=state_counts(rows),
            yards=sorted({row.profile.yard for row in rows if row.profile.yard}),
            now_ms=ms_of(self._clock()),
        )

    def expire(self) -> None:
        """Read anew at the next look: something was just changed by hand."""
        self._read_at_s = float("-inf")

    def _read(self) -> list[FleetRow]:
        sources = self._sources
        return fleet_rows(
            sources.profiles(),
            sources.statuses(),
            sources.alarms(),
            sources.links(),
            ms_of(self._clock()),
            self._settings,
        )

    def _take(self, rows: list[FleetRow]) -> None:
        self._version += 1
        before = {row.unit_id: row for row in self._rows}
        changed = [row for row in rows if before.get(row.unit_id) != row]
        self._rows = rows
        for system, sent in self._sent.items():
            for row in changed:
                data = row_json(row, system)
                if row.unit_id not in sent or sent[row.unit_id][1] != data:
                    sent[row.unit_id] = (self._version, data)
        present = {row.unit_id for row in rows}
        for unit_id in [known for known in self._sent[System.SI] if known not in present]:
            self._removed[unit_id] = self._version
            for sent in self._sent.values():
                del sent[unit_id]
        for unit_id in present & self._removed.keys():
            del self._removed[unit_id]
