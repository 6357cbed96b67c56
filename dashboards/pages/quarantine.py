"""Messages that could not be used, each with the reason: nothing that arrives is lost."""

from __future__ import annotations

import asyncio

from fastapi import Request
from nicegui import ui

from dashboards import display
from dashboards.board import Board
from dashboards.pages.frame import empty, fault, framed, heading, visit
from dashboards.sources import QuarantineView

LISTED = 200


def register(board: Board) -> None:
    """Put the page at ``/quarantine``."""

    @ui.page("/quarantine", title="Quarantine")
    async def quarantine_page(request: Request) -> None:
        here = visit(board, request)
        with framed(here, "/quarantine", "Quarantine", advises=False):
            heading("Quarantine")
            try:
                kept = await asyncio.to_thread(board.sources.quarantined, LISTED)
                count = await asyncio.to_thread(board.sources.quarantine_count)
            except Exception as error:
                fault(error, "Reading the quarantine")
                return
            if not kept:
                empty(
                    "The quarantine is empty.", "A message that can't be used is kept here with the reason."
                )
                return
            shown = f"The newest {len(kept)} of {count:,}." if count > len(kept) else f"{count:,} in all."
            ui.label(f"{shown} Times are UTC.").classes("dw-sub")
            with ui.element("div").classes("dw-findings"):
                for one in kept:
                    _message(one)


def _message(one: QuarantineView) -> None:
    with ui.element("section").classes("dw-finding"):
        ui.label(one.reason).classes("dw-alarm-title")
        ui.label(f"{display.instant(one.received_at, display.zone('UTC'))} · {one.topic}").classes("dw-sub")
        with ui.element("details"):
            with ui.element("summary"):
                ui.label("The message").classes("dw-inline")
            with ui.element("pre").classes("dw-mail-text"):
                ui.label(one.payload)
