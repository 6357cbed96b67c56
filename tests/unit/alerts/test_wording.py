"""Numbers, times and names as readers see them. Fixed points: NIST SP 811 (2008), appendix B, from memory."""

from __future__ import annotations

import datetime as dt

import pytest

from alerts import wording
from models.records import Evidence
from tests.unit.alerts.conftest import NOON


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (wording.temperature(100.0, "us"), "212 °F"),
        (wording.temperature(82.2, "si"), "82 °C"),
        (wording.temperature_difference(10.0, "us"), "18 °F"),
        (wording.pressure(1034.2136, "us"), "150 psi"),
        (wording.pressure(1034.2136, "si"), "1034 kPa"),
        (wording.water(29.5735, "us"), "1.0 fl oz"),
        (wording.water(71.4, "si"), "71 g"),
    ],
)
def test_number_in_the_readers_unit(shown, expected):
    assert shown == expected


@pytest.mark.parametrize(
    "worded", [wording.temperature, wording.temperature_difference, wording.pressure, wording.water]
)
@pytest.mark.parametrize("system", ["us", "si"])
def test_nan_is_said_to_be_not_known(worded, system):
    assert worded(float("nan"), system) == "not known"


def test_evidence_for_us_readers_gives_its_number_again():
    fact = Evidence(text="peak 65 °C", name="peak_temp_c", value=65.0)
    assert wording.evidence_line(fact, "us") == "peak 65 °C (149 °F)"
    assert wording.evidence_line(fact, "si") == "peak 65 °C"
    sentence = Evidence(text="It holds 71 g.", name="water_g", value=71.0)
    assert wording.evidence_line(sentence, "us") == "It holds 71 g (2.4 fl oz)."
    both = Evidence(text="The air is at 5 °C (41 °F).", name="ambient_c", value=5.0)
    assert wording.evidence_line(both, "us") == both.text
    assert wording.evidence_line(Evidence(text="9 runs", name="wet_runs", value=9.0), "us") == "9 runs"


@pytest.mark.parametrize(
    ("hostile", "plain"),
    [
        ("Truck 7", "Truck 7"),
        ("a\r\nBcc: evil@x.example", "a Bcc: evil@x.example"),
        ("a\x00b\x1b[31mc", "a b [31mc"),
        ("safe\u202egnp.exe", "safe gnp.exe"),
        ("one\u2028two\u2029three\x85four", "one two three four"),
        ("  spaces\t\tgalore  ", "spaces galore"),
        ("\ud800", ""),
        ("x" * 100, "x" * 59 + "…"),
    ],
)
def test_one_line_of_a_hostile_name(hostile, plain):
    assert wording.one_line(hostile) == plain


def test_local_time_of_the_yard_summer_and_winter():
    assert wording.local_time(NOON, "America/Chicago", "us") == "Wed Jan 14, 6:00 AM CST"
    july = dt.datetime(2026, 7, 1, 17, 5, tzinfo=dt.UTC)
    assert wording.local_time(july, "America/Chicago", "us") == "Wed Jul 1, 12:05 PM CDT"
    assert wording.local_time(july, "Europe/Oslo", "si") == "Wed 1 Jul, 19:05 CEST"


@pytest.mark.parametrize("tz", ["Nowhere/At_All", "", "../../etc/passwd", "/etc/localtime"])
def test_time_zone_that_is_none_falls_back_to_utc(tz):
    assert wording.local_time(NOON, tz, "si") == "Wed 14 Jan, 12:00 UTC"


@pytest.mark.parametrize(
    ("span", "expected"),
    [
        (dt.timedelta(minutes=119), "119 min"),
        (dt.timedelta(hours=2), "2 h"),
        (dt.timedelta(days=3), "3 days"),
        (dt.timedelta(seconds=-5), "0 min"),
    ],
)
def test_duration_in_its_largest_unit(span, expected):
    assert wording.duration(span) == expected
