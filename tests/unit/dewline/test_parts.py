from __future__ import annotations

from pathlib import Path

import pytest

from alerts.alarm import Priority
from dashboards.display import System
from dewline import parts
from dewline.settings import Loaded, load


@pytest.fixture
def loaded(tmp_path: Path) -> Loaded:
    (tmp_path / "dewline.toml").write_text(
        """
        [broker]
        host = "broker.example.com"
        port = 8883
        tls = true
        ca_file = "ca.pem"
        [listener]
        prefix = "fleet"
        flush_s = 0.5
        [analysis]
        margin_k = 8
        rh_over = "ice"
        harmful_water_frac = 0.004
        [mail]
        recipients = ["all@example.com"]
        [[mail.routes]]
        yards = ["North Yard"]
        recipients = ["north@example.com"]
        least_priority = "high"
        units = "si"
        [board]
        units = "si"
        """,
        encoding="utf-8",
    )
    return load(tmp_path)


def test_broker_address(loaded: Loaded) -> None:
    address = parts.broker_address(loaded)
    assert (address.host, address.port, address.tls) == ("broker.example.com", 8883, True)
    assert address.ca_file == loaded.home / "ca.pem"
    assert address.username is None


def test_broker_address_embedded(tmp_path: Path) -> None:
    assert parts.broker_address(load(tmp_path)).host == "127.0.0.1"


def test_listener_settings(loaded: Loaded) -> None:
    settings = parts.listener_settings(loaded)
    assert (settings.prefix, settings.flush_s) == ("fleet", 0.5)
    assert settings.topics() == ("fleet/+/readings", "fleet/+/link")


def test_parameters(loaded: Loaded) -> None:
    parameters = parts.parameters(loaded)
    assert (parameters.required_margin_k, parameters.rh_over_water) == (8.0, False)
    assert parameters.harmful_water_fraction == 0.004


def test_parameters_default_to_the_trade_s(tmp_path: Path) -> None:
    """Margin 10 K over the pressure dew point (common practice) and a floor of 65 degC."""
    parameters = parts.parameters(load(tmp_path))
    assert (parameters.required_margin_k, parameters.required_floor_c) == (10.0, 65.0)


def test_alert_settings(loaded: Loaded) -> None:
    alerts = parts.alert_settings(loaded)
    (route,) = alerts.mail.routes
    assert route.yards == {"North Yard"}
    assert route.least_priority is Priority.HIGH
    assert route.recipients[0].units_system == "si"
    assert alerts.mail.default_recipients[0].address == "all@example.com"
    assert alerts.outbox_folder == loaded.home / "outbox"


def test_board_settings(loaded: Loaded) -> None:
    board = parts.board_settings(loaded)
    assert board.system is System.SI
    assert board.harmful_water_frac == 0.004
    assert not board.mail_server
