"""Texts of quantities and instants."""

from __future__ import annotations

import datetime as dt

import pytest

from dashboards import display
from dashboards.display import System

THIN = "\u202f"


@pytest.mark.parametrize(
    ("celsius", "us", "si"),
    # Published trade figures: 82 C = 180 F, 113 C = 235 F; -40 is the same on both scales.
    [(82.2, "180", "82"), (113.0, "235", "113"), (-40.0, "\N{MINUS SIGN}40", "\N{MINUS SIGN}40")],
)
def test_temp(celsius: float, us: str, si: str) -> None:
    assert display.temp(celsius, System.US) == f"{us}{THIN}°F"
    assert display.temp(celsius, System.SI) == f"{si}{THIN}°C"


def test_pressure() -> None:
    # 150 psi = 1034.2 kPa, NIST SP 811 appendix B.8.
    assert display.pressure(1034.2, System.US) == f"150{THIN}psi"
    assert display.pressure(1034.2, System.SI) == f"1,034{THIN}kPa"


def test_water() -> None:
    # One US fluid ounce is 29.57 mL, NIST SP 811 appendix B.8; water at 1 g/mL.
    assert display.water(29.57, System.US) == f"1.0{THIN}fl oz"
    assert display.water_band(20.2, 64.6, System.SI) == f"20 to 65{THIN}g"


def test_unknown_is_a_dash() -> None:
    nan = float("nan")
    texts = (display.temp(nan, System.US), display.water_band(nan, 1.0, System.SI), display.hours(nan))
    assert set(texts) == {display.UNKNOWN}


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(-3, "now"), (4, "now"), (59, f"59{THIN}s ago"), (60, f"1{THIN}min ago"), (7200, f"2{THIN}h ago")],
)
def test_ago(seconds: float, text: str) -> None:
    assert display.ago(seconds) == text


def test_zone_falls_back_to_utc() -> None:
    assert display.zone("Nowhere/At_All") is dt.UTC
    assert display.zone("../etc/passwd") is dt.UTC


def test_instant_is_local() -> None:
    at = dt.datetime(2026, 7, 1, 12, 0, tzinfo=dt.UTC)
    assert display.instant(at, display.zone("America/Denver")) == "2026-07-01 06:00"


def test_ms_round_trip() -> None:
    assert display.ms_of(display.from_ms(1_767_618_005_123)) == 1_767_618_005_123
