"""The board over the real databases, engine results and alarm desk: what they hold is what is shown."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import sqlalchemy as sa

from alerts.alarm import AlarmState
from alerts.desk import AlarmDesk, AlertSettings
from alerts.routing import MailSettings
from dashboards.addresses import segment
from dashboards.app import build
from dashboards.live_sources import LiveSources
from dashboards.server import BoardServer
from dashboards.settings import BoardSettings
from ingest import database as tables
from ingest.database import open_database
from ingest.profile import UnitProfile
from ingest.reading import Reading
from ingest.register import Register
from ingest.results import Results
from ingest.store import EmbeddedStore
from models.records import Pattern
from models.trace import Trace
from tests.unit.dashboards import invented

UNIT = "rm-03"


class InventedAnalyst:
    """Stands for the analyst: the board asks it for nothing but traces."""

    def trace(self, unit_id: str, start_ms: int, end_ms: int) -> Trace:
        return invented.trace(unit_id, start_ms, end_ms)


class Yard:
    """A running system on disk with one truck that has an alarm."""

    def __init__(self, folder: Path, now: dt.datetime) -> None:
        self.now = now
        self.database = open_database(f"sqlite:///{folder / 'operations.db'}")
        self.store = EmbeddedStore(folder / "readings.db")
        self.register = Register(self.database)
        self.results = Results(self.database)
        self.desk = AlarmDesk(
            self.database,
            self.register,
            AlertSettings(mail=MailSettings()),
            lambda *_: None,
            lambda: dt.datetime.now(dt.UTC),
        )
        self.sources = LiveSources(
            database=self.database,
            store=self.store,
            register=self.register,
            desk=self.desk,
            analyst=InventedAnalyst(),
            on_work=lambda _: None,
        )

    def fill(self) -> None:
        now_ms = round(self.now.timestamp() * 1000)
        self.register.put(UnitProfile(unit_id=UNIT, label="Rail truck 03", yard="Pinemarsh"), now_ms)
        self.store.append(
            [
                Reading(
                    unit_id=UNIT,
                    observed_at_ms=now_ms - 10_000 * back,
                    received_at_ms=now_ms,
                    discharge_temp_c=50.0,
                )
                for back in range(100)
            ]
        )
        self.results.save(status=invented.status(3, self.now))
        self.results.save(run_records=invented.runs(3, self.now))
        finding = invented.finding(3, Pattern.SHORT_CYCLING, self.now)
        self.results.save(finding_records=[finding])
        self.desk.consider([finding])
        with self.database.begin() as connection:
            connection.execute(
                sa.insert(tables.quarantine).values(
                    received_at_ms=now_ms, topic="compressors/x/readings", reason="not JSON", payload=b"\xff{"
                )
            )

    def close(self) -> None:
        self.store.close()
        self.database.dispose()


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    made = Yard(tmp_path, dt.datetime.now(dt.UTC))
    yield made
    made.close()


@pytest.fixture
def board(yard: Yard) -> Iterator[httpx.Client]:
    app = build(yard.sources, BoardSettings(port=0), lambda: dt.datetime.now(dt.UTC))
    with (
        BoardServer(app, host="127.0.0.1", port=0) as server,
        httpx.Client(base_url=server.url, timeout=30) as client,
    ):
        yield client


def test_an_empty_system_shows_empty_pages(board: httpx.Client) -> None:
    assert board.get("/readyz").json() == {"ready": True}
    assert board.get("/api/fleet").json() == {"summary": "No truck has spoken yet.", "units": []}
    for path in ("/", "/alarms", "/mail", "/quarantine"):
        assert "did not work" not in board.get(path).text


def test_what_the_system_holds_is_shown(board: httpx.Client, yard: Yard) -> None:
    yard.fill()
    fleet = board.get("/api/fleet").json()
    assert [(one["unit"], one["need"]) for one in fleet["units"]] == [(UNIT, "alarm")]
    assert len(board.get(f"/api/units/{UNIT}/runs", params={"start_ms": 0}).json()) == 10
    assert board.get(f"/api/units/{UNIT}/findings").json()[0]["pattern"] == "short_cycling"
    assert board.get(f"/api/units/{UNIT}/trace").json()["n_readings"] == 100
    assert "not JSON" in board.get("/quarantine").text
    assert "Rail truck 03" in board.get(f"/units/{UNIT}").text


def test_an_acknowledgement_reaches_the_desk(board: httpx.Client, yard: Yard) -> None:
    yard.fill()
    (alarm,) = board.get("/api/alarms").json()
    assert alarm["cautions"]
    assert alarm["response"]
    board.post(f"/api/alarms/{alarm['alarm_id']}/acknowledge", json={"by": "Yard desk"}).raise_for_status()
    kept = yard.desk.alarm(alarm["alarm_id"])
    assert kept is not None
    assert (kept.state, kept.acknowledged_by) == (AlarmState.ACKNOWLEDGED, "Yard desk")
    again = board.post(f"/api/alarms/{alarm['alarm_id']}/acknowledge", json={"by": "Yard desk"})
    assert again.status_code == 409
    assert "acknowledged" in again.json()["detail"]


def test_shelving_and_back(yard: Yard) -> None:
    yard.fill()
    (alarm,) = yard.sources.alarms()
    until = dt.datetime.now(dt.UTC) + dt.timedelta(hours=4)
    yard.sources.shelve(alarm.alarm_id, "Yard desk", "waiting for parts", until)
    shelved = yard.sources.alarm(alarm.alarm_id)
    assert shelved is not None
    assert (shelved.state, shelved.shelved_until) == (AlarmState.SHELVED, until)
    yard.sources.unshelve(alarm.alarm_id, "Yard desk")
    assert yard.sources.alarms()[0].state is AlarmState.UNACKNOWLEDGED


def test_the_mail_of_an_alarm_can_be_read_and_downloaded(board: httpx.Client, yard: Yard) -> None:
    yard.fill()
    (mail,) = yard.sources.mails(10)
    page = board.get("/mail").text
    assert 'sandbox=""' in page.replace("\\", "")
    eml = board.get(f"/mail/{segment(mail.message_id)}.eml")
    assert eml.status_code == 200
    assert mail.message_id.encode() in eml.content
