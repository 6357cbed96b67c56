"""`dewline serve` as delivered: embedded broker, clean stop, and one clear line when it can't start."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from ingest.listener import unix_ms
from ingest.store import EmbeddedStore
from tests.conftest import free_port, wait_until
from tests.end_to_end.service import Modem, Service

pytestmark = pytest.mark.slow


def test_embedded_broker_takes_a_reading_and_everything_stops_on_a_signal(tmp_path: Path) -> None:
    port = free_port()
    service = Service(tmp_path / "home", {"DEWLINE_BROKER_PORT": str(port)})
    service.start()
    try:
        modem = Modem("truck-e", port)
        at_ms = unix_ms()
        modem.send([b'{"ts": %d, "discharge_temp_c": 40.5, "pressure_kpa": 700}' % at_ms])
        wait_until(
            lambda: any(
                one["unit"] == "truck-e" and one["status"] for one in service.get("/api/fleet")["units"]
            ),
            "the board shows the truck",
            30.0,
        )
        modem.close()
    finally:
        code = service.stop(signal.SIGINT)
    assert code == 0
    assert "Traceback" not in service.log.read_text()
    store = EmbeddedStore(service.home / "readings.db")
    assert store.read("truck-e", None, None).observed_at_ms.tolist() == [at_ms]
    store.close()


@pytest.mark.parametrize("taken", ["DEWLINE_BOARD_PORT", "DEWLINE_BROKER_PORT"])
def test_port_in_use_is_told_in_one_line(tmp_path: Path, taken: str) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        ports = {"DEWLINE_BOARD_PORT": str(free_port()), "DEWLINE_BROKER_PORT": str(free_port())}
        ports[taken] = str(other.getsockname()[1])
        done = subprocess.run(
            [sys.executable, "-m", "dewline", "--quiet", "--home", str(tmp_path), "serve"],
            env=os.environ | ports,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
    assert done.returncode == 1
    assert ports[taken] in done.stderr
    key = taken.removeprefix("DEWLINE_").lower().replace("_", ".")
    assert f"choose another with {key}" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
