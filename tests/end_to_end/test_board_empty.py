"""The board before anything has arrived, when a database does not answer, and its start and stop."""

from __future__ import annotations

import datetime as dt
import socket
import threading

import httpx
import pytest

from dashboards.app import build
from dashboards.server import BoardServer, serve
from dashboards.settings import BoardSettings
from tests.unit.dashboards.invented import InventedSources


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("/alarms", "No alarm is open."),
        ("/mail", "No mail yet."),
        ("/quarantine", "The quarantine is empty."),
        ("/units/rm-01", "No unit is called"),
        ("/", "No truck has spoken yet."),
    ],
)
def test_empty_pages_say_why(path: str, said: str) -> None:
    app = build(InventedSources(n_trucks=0), BoardSettings(port=0), lambda: dt.datetime.now(dt.UTC))
    with BoardServer(app, host="127.0.0.1", port=0) as server:
        answer = httpx.get(server.url + path)
    assert answer.status_code == 200
    assert said in answer.text


@pytest.mark.parametrize(
    ("path", "method"),
    [("/", "statuses"), ("/alarms", "alarms"), ("/mail", "mails"), ("/quarantine", "quarantined")],
)
def test_a_database_that_does_not_answer_is_said_on_the_page(
    path: str, method: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    sources = InventedSources()

    def broken(*_: object) -> None:
        raise OSError("disk gone")

    monkeypatch.setattr(sources, method, broken)
    app = build(sources, BoardSettings(port=0), lambda: dt.datetime.now(dt.UTC))
    with BoardServer(app, host="127.0.0.1", port=0) as server:
        answer = httpx.get(server.url + path)
    assert "did not work" in answer.text
    assert "disk gone" in answer.text


def test_taken_port_is_named() -> None:
    app = build(InventedSources(), BoardSettings(port=0), lambda: dt.datetime.now(dt.UTC))
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(OSError, match=rf"board address 127\.0\.0\.1:{port}: "):
            BoardServer(app, host="127.0.0.1", port=port).start()


def test_serve_ends_when_asked() -> None:
    app = build(InventedSources(), BoardSettings(port=0), lambda: dt.datetime.now(dt.UTC))
    stop = threading.Event()
    serving = threading.Thread(
        target=serve, args=(app,), kwargs={"host": "127.0.0.1", "port": 0, "stop_event": stop}
    )
    serving.start()
    stop.set()
    serving.join(timeout=30)
    assert not serving.is_alive()
