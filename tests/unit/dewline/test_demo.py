from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest

from dewline import demo
from dewline.demo_fleet import TRUCKS, profile_of
from ingest.csv_layout import layout_of
from ingest.csv_rows import read_block
from ingest.payload import decode
from ingest.reading import SIGNALS
from models.fleets import FleetUnit

NOW_MS = 1_767_571_200_000
DAYS = 3


@pytest.fixture(scope="module")
def unit() -> FleetUnit:
    return demo.simulated(TRUCKS[7], now_ms=NOW_MS, days=DAYS, rng=np.random.default_rng(1))


def test_fleet_has_the_promised_kinds() -> None:
    assert len({truck.unit_id for truck in TRUCKS}) == 12
    assert {truck.yard.climate.name for truck in TRUCKS} == {"humid_warm", "temperate", "cold"}
    assert len({profile_of(truck).yard for truck in TRUCKS}) == 3
    assert any(truck.valve_jams_days_before for truck in TRUCKS)
    assert any(truck.wet_port for truck in TRUCKS)
    assert any(truck.operator.exercise_days for truck in TRUCKS)
    assert any(truck.telemetry.get("repeated_frac") for truck in TRUCKS)


def test_simulated_goes_on_after_now(unit: FleetUnit) -> None:
    assert unit.readings.observed_at_ms[0] < NOW_MS - (DAYS - 1) * demo.MS_PER_DAY
    assert unit.readings.observed_at_ms[-1] > NOW_MS + demo.MS_PER_DAY
    late = unit.arrival_at_ms - unit.readings.observed_at_ms[unit.arrival_row]
    assert late.max() > 600_000
    assert len(unit.arrival_row) > len(unit.readings)


def test_simulated_is_the_same_for_the_same_seed(unit: FleetUnit) -> None:
    again = demo.simulated(TRUCKS[7], now_ms=NOW_MS, days=DAYS, rng=np.random.default_rng(1))
    for name in SIGNALS:
        np.testing.assert_array_equal(getattr(unit.readings, name), getattr(again.readings, name))


def test_payload_is_what_the_listener_decodes(unit: FleetUnit) -> None:
    for row in range(0, 2000, 97):
        payload = demo.payload_of(unit.readings, row)
        (reading,) = decode("compressors/truck-08/readings", payload, NOW_MS)
        assert reading.observed_at_ms == unit.readings.observed_at_ms[row]
        for name in SIGNALS:
            np.testing.assert_allclose(getattr(reading, name), getattr(unit.readings, name)[row], atol=5e-4)


def test_log_is_what_the_import_reads(unit: FleetUnit, tmp_path: Path) -> None:
    some = unit.readings[:500]
    demo.write_log(tmp_path / "log.csv", some)
    header, _, rest = (tmp_path / "log.csv").read_bytes().partition(b"\n")
    block = read_block(rest, 2, layout_of(header), NOW_MS)
    assert not block.bad
    (part,) = block.parts
    np.testing.assert_array_equal(part.observed_at_ms, some.observed_at_ms)
    np.testing.assert_allclose(part.discharge_temp_c, some.discharge_temp_c, atol=5e-4)


def test_home_temporary_one_goes_with_the_demo() -> None:
    with demo.demo_home(None, fresh=False) as home:
        assert (home / demo.MARKER).exists()
    assert not home.exists()


def test_home_of_a_demo_is_kept_unless_fresh(tmp_path: Path) -> None:
    with demo.demo_home(tmp_path / "home", fresh=False) as home:
        (home / "readings.db").write_bytes(b"x")
    with (
        pytest.raises(demo.HomeInUse, match=r"dewline serve --home .* shows it, --fresh"),
        demo.demo_home(home, fresh=False),
    ):
        pass
    with demo.demo_home(home, fresh=True):
        assert not (home / "readings.db").exists()


def test_publisher_stops_while_its_next_reading_is_far_away(unit: FleetUnit, tmp_path: Path) -> None:
    from dewline.broker import EmbeddedBroker
    from dewline.settings import load
    from ingest.listener import BrokerAddress, unix_ms
    from tests.conftest import free_port

    port = free_port()
    truck = demo.LiveTruck(
        readings=unit.readings, row=np.array([0]), send_at_ms=np.array([unix_ms() + 3_600_000])
    )
    before = threading.active_count()
    with (
        EmbeddedBroker(bind="127.0.0.1", port=port, client_id="x", topics=()),
        demo.Publisher("truck-08", truck, BrokerAddress(port=port), load(tmp_path)),
    ):
        assert threading.active_count() > before
    assert threading.active_count() == before
