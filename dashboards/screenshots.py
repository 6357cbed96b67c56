"""Pictures of the board's pages, taken with a real browser, for documentation and review."""

from __future__ import annotations

import re
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboards.preferences import THEME_COOKIE

if TYPE_CHECKING:
    from playwright.sync_api import Browser

CHROMIUM_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PAGES = ("/", "/alarms", "/mail", "/quarantine")
WIDTHS_PX = (1280, 390)
THEMES = ("light", "dark")
HEIGHT_PX = 900
SETTLE_MS = 1200
"""Time for charts to finish drawing. [ms]"""


class ScreenshotError(RuntimeError):
    """No browser to take pictures with; the message says what to install."""


def chromium_path() -> str:
    """Path of the system's Chromium. ScreenshotError: there is none."""
    for name in ("chromium", "chromium-browser"):
        if found := shutil.which(name):
            return found
    raise ScreenshotError("no chromium on the PATH: install the package chromium")


def take(
    base_url: str,
    out_dir: Path,
    pages: Sequence[str] = PAGES,
    widths: Sequence[int] = WIDTHS_PX,
    themes: Sequence[str] = THEMES,
) -> list[Path]:
    """Take one picture of each page, width and theme.

    Parameters
    ----------
    base_url : str
        Where the board answers, without login.
    out_dir : Path
        Made when missing; pictures are named ``<page>-<width>-<theme>.png``.
    pages, widths, themes
        Paths on the board; widths [px]; "light" or "dark".

    Returns
    -------
    list of Path
        The pictures in the order they were taken.

    Raises
    ------
    ScreenshotError
        When playwright or Chromium is missing, or a page does not answer with 200.
    """
    try:
        from playwright.sync_api import sync_playwright
    except ImportError as error:
        raise ScreenshotError("playwright is not installed: install dewline with its extra 'test'") from error
    out_dir.mkdir(parents=True, exist_ok=True)
    taken: list[Path] = []
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=chromium_path(), args=list(CHROMIUM_FLAGS))
        try:
            for theme in themes:
                for width in widths:
                    taken += _with_size(browser, base_url, out_dir, pages, width, theme)
        finally:
            browser.close()
    return taken


def _with_size(
    browser: Browser, base_url: str, out_dir: Path, pages: Sequence[str], width: int, theme: str
) -> list[Path]:
    scheme: Any = theme
    context = browser.new_context(
        viewport={"width": width, "height": HEIGHT_PX}, color_scheme=scheme, reduced_motion="reduce"
    )
    context.add_cookies([{"name": THEME_COOKIE, "value": theme, "url": base_url}])
    taken = []
    try:
        for path in pages:
            page = context.new_page()
            answer = page.goto(base_url.rstrip("/") + path, wait_until="load")
            if answer is None or answer.status != 200:
                raise ScreenshotError(
                    f"{path!r} answered {answer.status if answer else 'nothing'}, expected 200"
                )
            page.wait_for_selector("main.dw-main > *")
            page.wait_for_selector(".dw-loading", state="detached")
            # A picture of the whole page is taken from the top: rows below the fold must be drawn for it too.
            page.add_style_tag(content="* { content-visibility: visible !important }")
            page.wait_for_timeout(SETTLE_MS)
            target = out_dir / f"{picture_name(path)}-{width}-{theme}.png"
            page.screenshot(path=target, full_page=True)
            taken.append(target)
            page.close()
    finally:
        context.close()
    return taken


def picture_name(path: str) -> str:
    """File name of a page's picture, without size and suffix."""
    return re.sub(r"[^A-Za-z0-9]+", "-", path).strip("-") or "fleet"
