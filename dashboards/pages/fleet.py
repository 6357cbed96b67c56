"""The fleet page: every unit, most urgent first, kept current while it is looked at."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from nicegui import ui
from nicegui.element import Element

from dashboards.board import Board
from dashboards.pages.frame import fault, framed, visit

PERIOD_S = 0.5
"""How often a browser is told what changed. [s]"""


class FleetList(Element, component="../static/fleet.js"):
    """The list in the browser: takes rows, filters, sorts, ticks and listens to keys by itself."""

    def __init__(self, first: dict[str, Any]) -> None:
        super().__init__()
        self._props["first"] = first

    def patch(self, changes: dict[str, Any]) -> None:
        """Hand over what changed."""
        self.run_method("patch", changes)

    def trouble(self, text: str) -> None:
        """Say above the list that it is not current, and why."""
        self.run_method("setTrouble", text)


def register(board: Board) -> None:
    """Put the page at ``/``."""

    @ui.page("/", title="Fleet")
    async def fleet_page(request: Request) -> None:
        here = visit(board, request)
        with framed(here, "/", "Fleet"):
            try:
                changes = await board.feed.changes(here.system, 0)
            except Exception as error:
                fault(error, "Reading the fleet")
                return
            listing = FleetList(changes.as_json())
            seen = changes.version

            async def push() -> None:
                nonlocal seen
                try:
                    newer = await board.feed.changes(here.system, seen)
                except Exception as error:
                    listing.trouble(f"Not current: {type(error).__name__}: {error}"[:300])
                    return
                seen = newer.version
                listing.patch(newer.as_json())

            ui.timer(PERIOD_S, push)
