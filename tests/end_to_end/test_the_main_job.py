"""Trucks publish to a real broker; what comes of it is looked for where a person would: mail and board."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import expect, sync_playwright

from dashboards.screenshots import CHROMIUM_FLAGS
from dewline import demo
from dewline.demo_fleet import TRUCKS
from ingest.listener import unix_ms
from tests.conftest import Mosquitto, wait_until
from tests.end_to_end.service import Inbox, Modem, Service, smtp_server

TRUCK = next(truck for truck in TRUCKS if truck.valve_jams_days_before is not None)
DAYS = 3
A_MESSAGE = 200
WITHIN_S = 60.0
pytestmark = [pytest.mark.broker, pytest.mark.slow]


@pytest.fixture
def inbox() -> Iterator[tuple[Inbox, int]]:
    with smtp_server() as served:
        yield served


@pytest.fixture
def service(tmp_path: Path, mosquitto: Mosquitto, inbox: tuple[Inbox, int]) -> Iterator[Service]:
    running = Service(
        tmp_path / "home",
        {
            "DEWLINE_BROKER_HOST": mosquitto.host,
            "DEWLINE_BROKER_PORT": str(mosquitto.port),
            "DEWLINE_MAIL_SMTP_HOST": "127.0.0.1",
            "DEWLINE_MAIL_SMTP_PORT": str(inbox[1]),
            "DEWLINE_MAIL_SECURITY": "none",
            "DEWLINE_MAIL_RECIPIENTS": json.dumps(["service@yard.example"]),
        },
    )
    running.start()
    subscribed = "dewline-listener"
    wait_until(lambda: subscribed in mosquitto.log(), "the listener is connected")
    yield running
    running.stop()


def history() -> list[bytes]:
    """Three days of a truck whose thermal valve is stuck open, as its modem sends them after an outage."""
    now_ms = unix_ms()
    unit = demo.simulated(TRUCK, now_ms=now_ms, days=DAYS, rng=np.random.default_rng(5))
    rows = unit.arrival_row[unit.arrival_at_ms <= now_ms].tolist()
    readings = [demo.payload_of(unit.readings, row) for row in rows]
    return [
        b"[" + b",".join(readings[at : at + A_MESSAGE]) + b"]" for at in range(0, len(readings), A_MESSAGE)
    ]


@pytest.mark.browser
def test_a_truck_that_never_gets_hot_becomes_an_alarm_a_mail_and_a_line_on_the_board(
    service: Service, mosquitto: Mosquitto, inbox: tuple[Inbox, int]
) -> None:
    messages = history()
    modem = Modem(TRUCK.unit_id, mosquitto.port)
    modem.send(messages)
    wait_until(lambda: modem.n_unacknowledged() == 0, "the broker has everything", WITHIN_S)
    modem.close()
    unit = f"/api/units/{TRUCK.unit_id}"

    wait_until(
        lambda: any(one["unit"] == TRUCK.unit_id for one in service.get("/api/fleet")["units"]),
        "the truck is known",
        WITHIN_S,
    )
    wait_until(lambda: service.get(f"{unit}/runs"), "a run is found", WITHIN_S)
    wait_until(
        lambda: "never_reaching_temperature" in {one["pattern"] for one in service.get(f"{unit}/findings")},
        "the pattern is found",
        WITHIN_S,
    )
    wait_until(lambda: inbox[0].mails, "the mail arrives", WITHIN_S)
    mail = next(one for one in inbox[0].mails if TRUCK.unit_id in one["Subject"])
    assert inbox[0].recipients[0] == "service@yard.example"
    text = mail.get_body(("plain",))
    assert text is not None
    # The caution that every advice must carry: an iced or failed sensor can read 0 with full pressure inside.
    assert "second" in text.get_content().lower()
    _seen_in_a_browser(service)


def _seen_in_a_browser(service: Service) -> None:
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("needs Debian's chromium")
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=chromium, args=list(CHROMIUM_FLAGS))
        try:
            page = browser.new_page()
            page.goto(service.url)
            expect(page.get_by_text(TRUCK.unit_id).first).to_be_visible(timeout=30_000)
            page.goto(f"{service.url}/alarms")
            expect(page.get_by_text(TRUCK.unit_id).first).to_be_visible(timeout=30_000)
            expect(page.get_by_text("temperature").first).to_be_visible()
        finally:
            browser.close()
