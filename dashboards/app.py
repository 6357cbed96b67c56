"""The board put together: pages, API, guard and static files in one FastAPI app."""

from __future__ import annotations

from pathlib import Path

import nicegui
from fastapi import FastAPI
from nicegui import app as pages_app
from nicegui import ui
from starlette.staticfiles import StaticFiles

from dashboards import access, api, downloads
from dashboards.board import Board
from dashboards.feed import Clock, Feed
from dashboards.pages import alarms, fleet, mail, quarantine, unit
from dashboards.pages.frame import STATIC
from dashboards.settings import BoardSettings
from dashboards.sources import Sources

STATIC_DIR = Path(__file__).parent / "static"
_HEAD = f'<link rel="stylesheet" href="{STATIC}/board.css">'


def build(sources: Sources, settings: BoardSettings, clock: Clock) -> FastAPI:
    """The board over any sources.

    The page library keeps its routes in one place a process: the app built last is the one that is served.

    Raises
    ------
    AccessError
        When others could reach the board without a login.
    """
    access.check_settings(settings)
    board = Board(sources=sources, settings=settings, clock=clock, feed=Feed(sources, settings, clock))
    app = FastAPI(title=settings.title, docs_url=None, redoc_url=None, openapi_url="/api/openapi.json")
    app.mount(STATIC, StaticFiles(directory=STATIC_DIR), name="board-static")
    api.register(app, board)
    downloads.register(app, board)
    access.install(app, settings)
    _pages(app, board)
    return app


def _pages(app: FastAPI, board: Board) -> None:
    # A second app in one process (tests, a restart) must not pile its middleware on that of the first.
    pages_app.middleware_stack = None
    pages_app.user_middleware.clear()
    nicegui.Client.shared_head_html = ""
    ui.add_head_html(_HEAD, shared=True)
    for page in (fleet, unit, alarms, mail, quarantine):
        page.register(board)
    ui.run_with(
        app,
        title=board.settings.title,
        favicon=STATIC_DIR / "mark.svg",
        dark=None,
        language="en-US",
        tailwind=False,
        show_welcome_message=False,
        reconnect_timeout=10.0,
    )
