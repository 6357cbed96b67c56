"""SIGKILL for `dewline serve` and for the broker: all that was acknowledged is in the store once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.listener import unix_ms
from ingest.store import EmbeddedStore
from tests.conftest import Mosquitto, wait_until
from tests.end_to_end.service import Modem, Service

UNIT = "truck-k"
STEP_MS = 10_000
WITHIN_S = 60.0
pytestmark = [pytest.mark.broker, pytest.mark.slow]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker that writes its queues to disk after every change, not every half an hour."""
    folder = tmp_path / "broker"
    folder.mkdir()
    running = Mosquitto(folder, extra="autosave_on_changes true\nautosave_interval 1\n")
    running.start()
    yield running
    running.stop()


@pytest.fixture
def service(tmp_path: Path, broker: Mosquitto) -> Iterator[Service]:
    running = Service(
        tmp_path / "home", {"DEWLINE_BROKER_HOST": broker.host, "DEWLINE_BROKER_PORT": str(broker.port)}
    )
    running.start()
    # Until it has subscribed for the first time, nobody has asked the broker to keep anything.
    wait_until(lambda: _session_is_known(tmp_path), "the broker knows the listener's session")
    yield running
    running.stop()


def payloads(start_ms: int, n: int) -> list[bytes]:
    """Numbered readings, ten seconds apart."""
    return [
        b'{"ts": %d, "discharge_temp_c": 21.5, "pressure_kpa": 0, "hours": 100, "seq": %d}'
        % (start_ms + i * STEP_MS, i)
        for i in range(n)
    ]


def stored(service: Service) -> list[int]:
    """Instants of the unit's stored rows. [Unix ms]"""
    store = EmbeddedStore(service.home / "readings.db")
    try:
        return [int(at_ms) for at_ms in store.read(UNIT, None, None).observed_at_ms]
    finally:
        store.close()


def test_serve_killed_while_readings_pour_in(service: Service, broker: Mosquitto) -> None:
    n = 3000
    start_ms = unix_ms() // 1000 * 1000 - n * STEP_MS
    wanted = [start_ms + i * STEP_MS for i in range(n)]
    modem = Modem(UNIT, broker.port)
    modem.send(payloads(start_ms, n))
    wait_until(lambda: len(stored(service)) > 100, "some readings are stored", WITHIN_S)
    service.kill()
    service.start()
    wait_until(lambda: modem.n_unacknowledged() == 0, "the broker has everything", WITHIN_S)
    modem.close()
    wait_until(lambda: len(stored(service)) >= n, "everything acknowledged is stored", WITHIN_S)
    assert stored(service) == wanted


def test_broker_killed_while_it_holds_readings_for_a_dead_serve(
    service: Service, broker: Mosquitto, tmp_path: Path
) -> None:
    n = 400
    start_ms = unix_ms() // 1000 * 1000 - n * STEP_MS
    service.kill()
    modem = Modem(UNIT, broker.port)
    modem.send(payloads(start_ms, n))
    wait_until(lambda: modem.n_unacknowledged() == 0, "the broker has everything", WITHIN_S)
    last = f'"seq": {n - 1}}}'.encode()
    wait_until(lambda: last in (tmp_path / "broker" / "mosquitto.db").read_bytes(), "it is on its disk")
    broker.stop(kill=True)
    broker.start()
    service.start()
    wait_until(lambda: len(stored(service)) >= n, "everything acknowledged is stored", WITHIN_S)
    modem.close()
    assert stored(service) == [start_ms + i * STEP_MS for i in range(n)]


def _session_is_known(tmp_path: Path) -> bool:
    kept = tmp_path / "broker" / "mosquitto.db"
    return kept.exists() and b"compressors/+/readings" in kept.read_bytes()
