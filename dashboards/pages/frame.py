"""The frame round every page: head, navigation, preferences, safety words, foot."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from fastapi import Request
from nicegui import ui

from dashboards.board import Board
from dashboards.cautions import CAUTIONS, SHORT_CAUTION
from dashboards.display import System, markup
from dashboards.preferences import DARK, NAME_COOKIE, Preferences, preferences

log = logging.getLogger(__name__)

PAGES = (("/", "Fleet"), ("/alarms", "Alarms"), ("/mail", "Mail"), ("/quarantine", "Quarantine"))
STATIC = "/board-static"


@dataclass(frozen=True)
class Visit:
    """One page being looked at: who looks, how they want to see it."""

    board: Board
    preferences: Preferences
    login: str
    """Name of the person logged in; empty when the board runs without login."""

    @property
    def system(self) -> System:
        """Units to show."""
        return self.preferences.system

    @property
    def name(self) -> str:
        """Name to put under an acknowledgement."""
        return self.login or self.preferences.name


def visit(board: Board, request: Request) -> Visit:
    """The visit behind a request."""
    login = str(request.scope.get("dewline_login", ""))
    return Visit(board, preferences(request.cookies, board.settings.system), login)


@contextmanager
def framed(here: Visit, path: str, title: str, *, advises: bool = True) -> Iterator[None]:
    """Everything around a page's own content; `path` marks the place in the navigation."""
    ui.page_title(f"{title} · {here.board.settings.title}")
    ui.dark_mode(DARK[here.preferences.theme])
    with ui.element("div").classes("dw-page"):
        ui.html('<a class="dw-skip" href="#content">Skip to content</a>', sanitize=False)
        _head(here, path)
        with ui.element("main").classes("dw-main").props('id="content" tabindex="-1"'):
            yield
        if advises:
            _safety()


def _head(here: Visit, path: str) -> None:
    with ui.element("header").classes("dw-head"):
        with ui.link(target="/").classes("dw-brand").props('aria-label="Fleet page"'):
            ui.html(MARK, sanitize=False)
            ui.label(here.board.settings.title)
        with ui.element("nav").classes("dw-nav").props('aria-label="Pages"'):
            for target, name in PAGES:
                link = ui.link(name, target)
                if target == path:
                    link.props('aria-current="page"')
        with ui.element("div").classes("dw-tools"):
            _choice("units", "Units", here.system, (("us", "°F psi"), ("si", "°C kPa")))
            _choice(
                "theme",
                "Theme",
                here.preferences.theme,
                (("auto", "Auto"), ("light", "Light"), ("dark", "Dark")),
            )
            if here.login:
                with ui.element("form").props('method="post" action="/logout"'):
                    ui.html('<button class="dw-button dw-small">Log out</button>', sanitize=False)


def _choice(name: str, label: str, value: str, options: tuple[tuple[str, str], ...]) -> None:
    """A plain select whose choice is kept in a cookie and shown by loading the page anew."""
    items = "".join(
        f'<option value="{key}"{" selected" if key == value else ""}>{text}</option>' for key, text in options
    )
    script = (
        f"document.cookie='dewline_{name}='+this.value+';path=/;max-age=31536000;SameSite=Lax';"
        "location.reload()"
    )
    ui.html(
        f'<select class="dw-select" aria-label="{label}" title="{label}" onchange="{script}">'
        f"{items}</select>",
        sanitize=False,
    )


def _safety() -> None:
    with ui.element("details").classes("dw-safety").props('aria-label="Safety"'):
        with ui.element("summary"):
            ui.html('<span class="dw-safety-word">Caution</span>', sanitize=False)
            ui.label(SHORT_CAUTION)
        with ui.element("ul"):
            for text in CAUTIONS:
                with ui.element("li"):
                    ui.label(text)


def button(text: str, on_click: Callable[..., Any], *, primary: bool = False) -> ui.button:
    """A button in the board's own colours."""
    made = ui.button(text, on_click=on_click, color=None).props("no-caps unelevated")
    return made.classes("dw-button primary" if primary else "dw-button")


def remember_name(name: str) -> None:
    """Keep a cleaned name in this browser, to be offered again."""
    kept = quote(name, safe="")
    ui.run_javascript(f"document.cookie='{NAME_COOKIE}={kept};path=/;max-age=31536000;SameSite=Lax'")


def heading(text: str) -> None:
    """The page's first heading."""
    ui.html(f"<h1>{markup(text)}</h1>", sanitize=False)


def empty(title: str, text: str) -> None:
    """What stands where there is nothing to list: why, and what would change that."""
    with ui.element("div").classes("dw-empty"):
        ui.label(title).classes("dw-empty-title")
        ui.label(text)


def fault(error: Exception, doing: str) -> None:
    """An error in place of content: what did not work, and that the page can be tried again."""
    log.exception("%s", doing, exc_info=error)
    with ui.element("div").classes("dw-empty dw-fault").props('role="alert"'):
        ui.label(f"{doing} did not work.").classes("dw-empty-title")
        ui.label(f"{type(error).__name__}: {error}"[:300])
        button("Try again", ui.navigate.reload)


MARK = (
    '<svg class="dw-mark" viewBox="0 0 24 24" aria-hidden="true">'
    '<path d="M12 2.5c3.6 4.5 6 7.6 6 11a6 6 0 0 1-12 '
    '0c0-3.4 2.4-6.5 6-11z" fill="none" stroke="currentColor" stroke-width="1.8"/>'
    '<path d="M3 15.5h18" stroke="currentColor" stroke-width="1.8"/></svg>'
)
