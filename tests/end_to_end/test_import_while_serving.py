"""History imported by another process while `dewline serve` runs and is already past it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from dewline import demo
from dewline.demo_fleet import TRUCKS
from ingest.listener import unix_ms
from tests.conftest import free_port, wait_until
from tests.end_to_end.service import Modem, Service

pytestmark = pytest.mark.slow
TRUCK = TRUCKS[1]
DAYS = 3
WITHIN_S = 90.0
"""The notes of an import are looked for twice a minute."""


def test_imported_past_is_folded_in(tmp_path: Path) -> None:
    broker_port = free_port()
    service = Service(tmp_path / "home", {"DEWLINE_BROKER_PORT": str(broker_port)})
    service.start()
    try:
        modem = Modem(TRUCK.unit_id, broker_port)
        modem.send([b'{"ts": %d, "discharge_temp_c": 20.5, "pressure_kpa": 0}' % unix_ms()])
        wait_until(lambda: _has_status(service), "the truck has a standing", WITHIN_S)
        modem.close()
        assert service.get(f"/api/units/{TRUCK.unit_id}/runs") == []
        unit = demo.simulated(
            TRUCK, now_ms=unix_ms() - demo.MS_PER_DAY, days=DAYS, rng=np.random.default_rng(3)
        )
        past = unit.readings[unit.readings.observed_at_ms < unix_ms() - demo.MS_PER_DAY]
        demo.write_log(tmp_path / "past.csv", past)
        subprocess.run(
            [sys.executable, "-m", "dewline", "import", str(tmp_path / "past.csv")],
            env=os.environ | {"DEWLINE_HOME": str(service.home)},
            check=True,
            timeout=120,
        )
        wait_until(
            lambda: service.get(f"/api/units/{TRUCK.unit_id}/runs"), "its past runs are found", WITHIN_S
        )
        wait_until(
            lambda: not list((service.home / "imported").glob("*.json")), "the note is done with", WITHIN_S
        )
    finally:
        assert service.stop() == 0


def _has_status(service: Service) -> bool:
    return any(one["unit"] == TRUCK.unit_id and one["status"] for one in service.get("/api/fleet")["units"])
