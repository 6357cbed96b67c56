"""A board that goes away, or whose database does, says so in the browser instead of looking current."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from dashboards.app import build
from dashboards.screenshots import CHROMIUM_FLAGS, ScreenshotError, chromium_path
from dashboards.server import BoardServer
from dashboards.settings import BoardSettings
from tests.unit.dashboards.invented import InventedSources

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser


@pytest.fixture
def page() -> Iterator[Page]:
    sync_api = pytest.importorskip("playwright.sync_api")
    try:
        path = chromium_path()
    except ScreenshotError as error:
        pytest.skip(str(error))
    with sync_api.sync_playwright() as player:
        browser = player.chromium.launch(executable_path=path, args=list(CHROMIUM_FLAGS))
        yield browser.new_page()
        browser.close()


def served(sources: InventedSources) -> BoardServer:
    app = build(sources, BoardSettings(port=0), lambda: dt.datetime.now(dt.UTC))
    return BoardServer(app, host="127.0.0.1", port=0)


def test_board_that_went_away(page: Page) -> None:
    with served(InventedSources(dt.datetime.now(dt.UTC))) as server:
        page.goto(server.url)
        page.wait_for_selector(".dw-row")
    page.get_by_text("Not current: the board has not answered for").wait_for(timeout=20_000)


def test_database_that_went_away_and_came_back(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    sources = InventedSources(dt.datetime.now(dt.UTC))

    def broken() -> None:
        raise OSError("disk gone")

    with served(sources) as server:
        page.goto(server.url)
        page.wait_for_selector(".dw-row")
        with monkeypatch.context() as patched:
            patched.setattr(sources, "statuses", broken)
            page.get_by_text("Not current: OSError: disk gone").wait_for()
        page.locator(".dw-trouble").wait_for(state="detached")
