"""The board in Debian's Chromium, over an invented fleet: what people see, press and are told."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest

from alerts.alarm import AlarmState
from dashboards.addresses import unit_path
from dashboards.app import build
from dashboards.chart_marks import WORK
from dashboards.screenshots import CHROMIUM_FLAGS, ScreenshotError, chromium_path
from dashboards.server import BoardServer
from dashboards.settings import BoardSettings
from dashboards.work import time_field
from ingest.maintenance import Work
from tests.unit.dashboards.invented import HOSTILE, InventedSources, status

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

BLOCKED = "Blocked script execution in 'about:srcdoc'"
"""Said by the browser when it keeps the invented mail's script from running: as it should be."""


class Served:
    """A served board and what it shows."""

    def __init__(self, sources: InventedSources, url: str) -> None:
        self.sources, self.url = sources, url


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    sync_api = pytest.importorskip("playwright.sync_api")
    try:
        path = chromium_path()
    except ScreenshotError as error:
        pytest.skip(str(error))
    with sync_api.sync_playwright() as player:
        found = player.chromium.launch(executable_path=path, args=list(CHROMIUM_FLAGS))
        yield found
        found.close()


@pytest.fixture(scope="module")
def served() -> Iterator[Served]:
    sources = InventedSources(dt.datetime.now(dt.UTC))
    app = build(sources, BoardSettings(port=0), lambda: dt.datetime.now(dt.UTC))
    with BoardServer(app, host="127.0.0.1", port=0) as server:
        yield Served(sources, server.url)


@pytest.fixture
def fleet(served: Served) -> Iterator[InventedSources]:
    """The invented fleet, put back as it was afterwards."""
    sources = served.sources
    kept, standing, known = dict(sources.kept), dict(sources.standing), dict(sources.known)
    yield sources
    sources.kept, sources.standing, sources.known = kept, standing, known
    sources.worked.clear()


@pytest.fixture
def page(browser: Browser, served: Served) -> Iterator[Page]:
    """A page that fails the test on a script error or on any request that leaves this host."""
    context = browser.new_context(base_url=served.url, viewport={"width": 1280, "height": 900})
    opened = context.new_page()
    trouble: list[str] = []
    opened.on("pageerror", lambda error: trouble.append(str(error)))
    opened.on("console", lambda said: trouble.append(said.text) if said.type == "error" else None)
    own = rf"({served.url}|{served.url.replace('http', 'ws', 1)}|data:|blob:|about:)"

    def seen(request: Any) -> None:
        if not re.match(own, request.url):
            trouble.append(f"left this host: {request.url}")

    context.on("request", seen)
    yield opened
    context.close()
    assert [one for one in trouble if not one.startswith(BLOCKED)] == []


def names(page: Page) -> list[str]:
    page.wait_for_selector(".dw-row")
    return page.locator(".dw-row .dw-name").all_inner_texts()


def test_fleet_most_urgent_first(page: Page, fleet: InventedSources) -> None:
    page.goto("/")
    assert names(page)[:4] == ["Rail truck 03", "Rail truck 08", "Rail truck 05", "Rail truck 09"]
    assert "4 trucks need a person today" in page.inner_text(".dw-summary")
    assert "untrusted" in page.locator(".dw-row", has_text="Rail truck 05").inner_text()


def test_fleet_shows_a_new_reading_without_reloading(page: Page, fleet: InventedSources) -> None:
    page.goto("/")
    row = page.locator(".dw-row", has_text="Rail truck 04")
    row.wait_for()
    page.evaluate("window.notReloaded = true")
    fleet.standing["rm-04"] = status(4, dt.datetime.now(dt.UTC), discharge_temp_c=100.0)
    row.get_by_text("212\u202f°F").wait_for(timeout=10_000)
    assert page.evaluate("window.notReloaded") is True


def test_fleet_takes_in_a_truck_that_speaks_for_the_first_time(page: Page, fleet: InventedSources) -> None:
    page.goto("/")
    names(page)
    fleet.standing["rm-77"] = status(77, dt.datetime.now(dt.UTC))
    page.locator(".dw-name", has_text="rm-77").wait_for(timeout=10_000)


def test_a_truck_without_temperature_is_unknown_not_stopped(page: Page, fleet: InventedSources) -> None:
    nan = float("nan")
    blind = {"discharge_temp_c": nan, "required_temp_c": nan, "water_g": 0.0, "water_high_g": 0.0}
    fleet.standing["rm-07"] = status(7, dt.datetime.now(dt.UTC), **blind)
    page.goto("/")
    row = page.locator(".dw-row", has_text="Rail truck 07")
    row.locator(".dw-state", has_text="unknown").wait_for()
    assert "stopped" not in row.inner_text()
    assert "0.0" not in row.inner_text()
    page.goto("/units/rm-07")
    page.get_by_text("◇ unknown").wait_for()
    page.get_by_text("Take it to be running and under pressure").wait_for()
    assert "0.0\u202ffl oz" not in page.inner_text(".dw-tiles")


def test_dry_out_is_perhaps_when_the_bound_is_harmful(page: Page, fleet: InventedSources) -> None:
    now = dt.datetime.now(dt.UTC)
    fleet.standing["rm-07"] = status(7, now, water_g=0.0, water_low_g=0.0, water_high_g=64.0, dry_out_min=0.0)
    page.goto("/units/rm-07")
    page.select_option("select[aria-label=Units]", "si")
    page.get_by_text("perhaps: up to 64\u202fg could be held").wait_for()
    page.get_by_text("a harmful amount of water can't be ruled out").wait_for()
    page.get_by_text("uncertain, up to 64\u202fg").wait_for()


def test_fleet_by_keyboard(page: Page, fleet: InventedSources) -> None:
    page.goto("/")
    names(page)
    page.keyboard.press("j")
    page.keyboard.press("j")
    assert page.locator(".dw-row.here .dw-name").inner_text() == "Rail truck 08"
    page.keyboard.press("k")
    assert page.locator(".dw-row.here .dw-name").inner_text() == "Rail truck 03"
    page.keyboard.press("?")
    page.locator(".dw-help").wait_for()
    page.keyboard.press("/")
    page.keyboard.type("frosthollow running")
    assert names(page) == ["Rail truck 08", "Rail truck 02"]
    assert "q=frosthollow" in page.url
    page.keyboard.press("Enter")
    page.wait_for_url("**/units/rm-08")


def test_fleet_filter_by_yard_and_nothing_found(page: Page, fleet: InventedSources) -> None:
    page.goto("/?yard=Oldbridge")
    assert set(names(page)) == {f"Rail truck {n:02d}" for n in (1, 4, 7, 10)}
    page.fill(".dw-search", "no such thing")
    page.get_by_text("No truck matches.").wait_for()
    page.get_by_text("Show all 13").click()
    assert len(names(page)) == 13


def test_units_and_theme_are_remembered(page: Page, fleet: InventedSources) -> None:
    page.goto("/")
    page.select_option("select[aria-label=Units]", "si")
    page.locator(".dw-row", has_text="kPa").first.wait_for()
    page.select_option("select[aria-label=Theme]", "dark")
    page.wait_for_selector("body.body--dark")
    page.goto("/units/rm-03")
    page.wait_for_selector("body.body--dark")
    assert "47\u202fg" in page.inner_text(".dw-tiles")


def test_hostile_unit_name_is_text(page: Page, fleet: InventedSources) -> None:
    page.goto("/")
    page.locator(".dw-row", has_text="rm/13").click()
    page.wait_for_selector("main h1")
    assert page.inner_text("main h1") == HOSTILE
    assert page.locator("main h1 b").count() == 0
    assert page.url.endswith(unit_path(HOSTILE))


def test_unit_page_draws_and_its_range_is_in_the_address(page: Page, fleet: InventedSources) -> None:
    page.goto("/units/rm-03")
    page.wait_for_selector(".dw-chart canvas")
    page.get_by_role("link", name="7 days").click()
    page.wait_for_url("**/units/rm-03?range=7d")
    page.wait_for_selector(".dw-chart canvas")
    assert page.locator(".dw-table tbody tr").count() >= 6
    assert "47 g of water" in page.inner_text(".dw-advice")
    assert "as told above" in page.inner_text(".dw-findings")
    assert "America/Chicago" in page.inner_text("main")


def test_chart_follows_new_readings_and_keeps_the_zoom(
    page: Page, fleet: InventedSources, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboards.pages.unit.CHART_REFRESH_S", 0.5)
    # An hour behind, since a range never follows readings into the future.
    monkeypatch.setattr(fleet, "now", fleet.now - dt.timedelta(hours=1))
    page.goto("/units/rm-03?range=24h")
    page.wait_for_selector(".dw-chart canvas")
    chart = int((page.get_attribute(".dw-chart", "id") or "c0")[1:])
    option = f"getElement({chart}).chart.getOption()"
    page.wait_for_function(f"getElement({chart}).chart && {option}.xAxis[0].max")
    before = page.evaluate(f"{option}.xAxis[0].max")
    page.evaluate(f"getElement({chart}).chart.dispatchAction({{type: 'dataZoom', start: 25, end: 75}})")
    monkeypatch.setattr(fleet, "now", fleet.now + dt.timedelta(hours=1))
    page.wait_for_function(f"{option}.xAxis[0].max === {before} + 3600000")
    assert page.evaluate(f"[{option}.dataZoom[0].start, {option}.dataZoom[0].end]") == [25, 75]


def test_unit_page_goes_to_the_zoomed_stretch(page: Page, fleet: InventedSources) -> None:
    page.goto("/units/rm-03?range=7d")
    page.wait_for_selector(".dw-chart canvas")
    page.get_by_role("button", name="Show the zoomed stretch").click()
    page.wait_for_url(re.compile(r"\?from=20\d\d-.*&to=20\d\d-"))
    page.wait_for_selector(".dw-chart canvas")


def test_custom_range_is_typed_in_24_hours(page: Page, fleet: InventedSources) -> None:
    page.goto("/units/rm-03?range=7d")
    page.wait_for_selector(".dw-chart canvas")
    start, end = page.locator('input[name="from"]'), page.locator('input[name="to"]')
    assert re.fullmatch(r"20\d\d-\d\d-\d\d \d\d:\d\d", start.input_value())
    start.fill("1:00 pm")
    page.get_by_role("button", name="Show", exact=True).click()
    assert start.evaluate("(one) => one.validity.patternMismatch")
    day = fleet.now - dt.timedelta(days=2)
    start.fill(f"{day:%Y-%m-%d} 13:00")
    end.fill(f"{day:%Y-%m-%d} 17:30")
    page.get_by_role("button", name="Show", exact=True).click()
    page.wait_for_url(re.compile(r"from=.*13%3A00&to=.*17%3A30"))
    page.wait_for_selector(".dw-chart canvas")
    assert page.locator('input[name="to"]').input_value().endswith("17:30")


def test_unit_page_says_what_range_it_cannot_read(page: Page, fleet: InventedSources) -> None:
    page.goto("/units/rm-03?from=yesterday")
    page.get_by_text("That range can't be shown.").wait_for()


def test_unknown_unit(page: Page, fleet: InventedSources) -> None:
    page.goto("/units/no-such")
    page.get_by_text("No unit is called 'no-such'.").wait_for()


def test_acknowledge_undo_and_shelve(page: Page, fleet: InventedSources) -> None:
    page.goto("/alarms")
    first = page.locator("#short_cycling-03")
    first.get_by_role("button", name="Acknowledge").click()
    page.get_by_text("Say who you are first").wait_for()
    page.get_by_label("Your name, for the log").fill("Yard desk")
    first.get_by_role("button", name="Acknowledge").click()
    page.get_by_role("button", name="Undo").wait_for()
    page.get_by_text("Say who you are first").wait_for(state="detached", timeout=2_000)
    assert fleet.kept["short_cycling-03"].state is AlarmState.ACKNOWLEDGED
    assert fleet.kept["short_cycling-03"].acknowledged_by == "Yard desk"
    page.get_by_role("button", name="Undo").click()
    page.locator("#short_cycling-03.is-unacknowledged").wait_for()
    page.locator("#short_cycling-03").get_by_role("button", name="Shelve").click()
    page.get_by_label("Why (goes into the log)").fill("waiting for parts")
    page.locator(".dw-dialog").get_by_role("button", name="Shelve").click()
    page.locator("#short_cycling-03.is-shelved").wait_for()
    assert fleet.kept["short_cycling-03"].cover_reason == "waiting for parts"
    page.reload()
    assert page.get_by_label("Your name, for the log").input_value() == "Yard desk"


def test_mail_is_shown_where_it_can_do_nothing(page: Page, fleet: InventedSources) -> None:
    page.goto("/mail")
    frame = page.frame_locator("iframe.dw-mail-frame")
    frame.get_by_role("heading", name="Rail truck 03").wait_for()
    assert page.get_attribute("iframe.dw-mail-frame", "sandbox") == ""
    assert page.url.endswith("/mail")
    with page.expect_download() as download:
        page.get_by_text("Download .eml").click()
    assert download.value.suggested_filename == "dewline-message.eml"


def test_quarantine_shows_reason_and_message_as_text(page: Page, fleet: InventedSources) -> None:
    page.goto("/quarantine")
    assert page.title().startswith("Quarantine")
    assert page.locator('.dw-nav a[aria-current="page"]').inner_text() == "Quarantine"
    assert "kept aside" not in page.inner_text("body").lower()
    page.get_by_text("is outside -40..250 degC").wait_for()
    page.get_by_text("The message", exact=True).click()
    page.get_by_text('"note": "<img src=x>"').wait_for()


@pytest.mark.parametrize("path", ["/", "/units/rm-03", "/alarms", "/mail"])
def test_caution_stands_on_every_advising_page(page: Page, fleet: InventedSources, path: str) -> None:
    page.goto(path)
    text = page.locator(".dw-safety summary").inner_text()
    for words in (
        "can read 0 with full pressure",
        "second gauge",
        "lock out",
        "local codes",
        "starts or stops",
    ):
        assert words in text


@pytest.mark.parametrize("path", ["/", "/units/rm-03?range=7d", "/alarms", "/mail", "/quarantine"])
def test_phone_width_needs_no_sideways_scrolling(page: Page, fleet: InventedSources, path: str) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(path)
    page.wait_for_selector(".dw-row, .dw-chart canvas, .dw-alarm, .dw-mail-frame, .dw-finding")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_work_on_the_sump_is_recorded_by_keyboard_and_taken_back(page: Page, fleet: InventedSources) -> None:
    page.goto("/units/rm-04")
    page.wait_for_selector(".dw-chart canvas")
    chart = int((page.get_attribute(".dw-chart", "id") or "c0")[1:])
    drawn = f"getElement({chart}).chart.getOption().series.map((one) => one.name)"
    assert WORK not in page.evaluate(drawn)
    page.get_by_role("button", name="Record a drain or an oil change…").press("Enter")
    dialog = page.locator(".dw-dialog")
    dialog.get_by_text("regulated waste").wait_for()
    dialog.get_by_role("radio", name="Oil change").press("Space")
    when = dialog.get_by_label("When it was done", exact=False)
    when.fill("2099-01-01 08:00")
    when.press("Enter")
    dialog.get_by_text("still to come").wait_for()
    assert fleet.worked == {}
    done = time_field(fleet.now - dt.timedelta(hours=5), ZoneInfo(fleet.known["rm-04"].tz))
    when.fill(done)
    when.press("Enter")
    dialog.get_by_text("Your name goes with the record.").wait_for()
    dialog.get_by_label("Your name", exact=False).fill("Bay 2")
    dialog.get_by_role("button", name="Record").press("Enter")
    entry = page.locator(".dw-work-list li")
    entry.get_by_text(f"Oil change · {done}").wait_for()
    assert [(one.work, one.recorded_by) for one in fleet.worked["rm-04"]] == [(Work.OIL_CHANGE, "Bay 2")]
    page.wait_for_function(f"{drawn}.includes({WORK!r})")
    page.get_by_role("button", name="Undo: Oil change", exact=False).press("Enter")
    page.get_by_role("button", name="Take back").press("Enter")
    entry.get_by_text("taken back").wait_for()
    page.wait_for_function(f"!{drawn}.includes({WORK!r})")
    assert page.get_by_role("button", name="Undo: Oil change", exact=False).count() == 0
