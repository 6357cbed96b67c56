"""What every page and API route is handed: the board's parts in one place."""

from __future__ import annotations

from dataclasses import dataclass

from dashboards.feed import Clock, Feed
from dashboards.settings import BoardSettings
from dashboards.sources import Sources


@dataclass(frozen=True, kw_only=True)
class Board:
    """Sources, settings, the clock and the shared fleet feed."""

    sources: Sources
    settings: BoardSettings
    clock: Clock
    feed: Feed
