"""The board behind a login, in Debian's Chromium."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import pytest

from dashboards import access
from dashboards.app import build
from dashboards.screenshots import CHROMIUM_FLAGS, ScreenshotError, chromium_path
from dashboards.server import BoardServer
from dashboards.settings import BoardSettings
from tests.unit.dashboards.invented import InventedSources, status

pytestmark = pytest.mark.browser

PASSWORD = "invented passphrase"


@pytest.fixture
def served() -> Iterator[tuple[InventedSources, str]]:
    sources = InventedSources(dt.datetime.now(dt.UTC))
    settings = BoardSettings(port=0, logins={"yard": access.hash_password(PASSWORD)})
    app = build(sources, settings, lambda: dt.datetime.now(dt.UTC))
    with BoardServer(app, host="127.0.0.1", port=0) as server:
        yield sources, server.url


def test_log_in_look_acknowledge_log_out(served: tuple[InventedSources, str]) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    sources, url = served
    try:
        path = chromium_path()
    except ScreenshotError as error:
        pytest.skip(str(error))
    with sync_api.sync_playwright() as player:
        browser = player.chromium.launch(executable_path=path, args=list(CHROMIUM_FLAGS))
        page = browser.new_page(base_url=url)
        page.goto("/alarms")
        page.get_by_label("Name").fill("yard")
        page.get_by_label("Password").fill("wrong passphrase")
        page.get_by_role("button", name="Log in").click()
        page.get_by_text("do not fit").wait_for()
        page.get_by_label("Name").fill("yard")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Log in").click()
        page.wait_for_url("**/alarms")
        page.get_by_text("Acknowledging as yard").wait_for()
        page.locator("#short_cycling-03").get_by_role("button", name="Acknowledge").click()
        page.locator("#short_cycling-03.is-acknowledged").wait_for()
        assert sources.kept["short_cycling-03"].acknowledged_by == "yard"
        page.goto("/")
        row = page.locator(".dw-row", has_text="Rail truck 04")
        row.wait_for()
        sources.standing["rm-04"] = status(4, dt.datetime.now(dt.UTC), discharge_temp_c=100.0)
        row.get_by_text("212\u202f°F").wait_for()
        page.get_by_role("button", name="Log out").click()
        page.wait_for_url("**/login")
        page.goto("/")
        page.wait_for_url("**/login?next=**")
        browser.close()
