"""SenML against the examples of RFC 8428, "Sensor Measurement Lists (SenML)", August 2018, section 5.1.

Packs and figures as printed there; they are exact, so the comparison is exact too. The list of section
5.1.4 is the RFC's own resolution of the pack of 5.1.3.
"""

from __future__ import annotations

import pytest

from ingest.senml import Record, is_pack, resolve

pytestmark = pytest.mark.external

NOW_S = 1_767_618_006.0
DEVICE = "urn:dev:ow:10e2073a01080063"


def resolved(pack: list[dict[str, object]]) -> list[Record]:
    assert is_pack(pack)
    records = resolve(pack, NOW_S)
    assert all(isinstance(record, Record) for record in records)
    return [record for record in records if isinstance(record, Record)]


def test_single_datapoint_5_1_1() -> None:
    assert resolved([{"n": DEVICE, "u": "Cel", "v": 23.1}]) == [Record(DEVICE, "Cel", NOW_S, True, 23.1)]


def test_multiple_datapoints_5_1_2() -> None:
    pack: list[dict[str, object]] = [
        {"bn": DEVICE + ":", "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "u": "A", "v": 1.2},
    ]
    assert resolved(pack) == [
        Record(DEVICE + ":voltage", "V", NOW_S, True, 120.1),
        Record(DEVICE + ":current", "A", NOW_S, True, 1.2),
    ]


def test_multiple_datapoints_with_times_5_1_2() -> None:
    # Current at Tue Jun 8 18:01:16.001 UTC 2010 and at each second for the 5 seconds before.
    pack: list[dict[str, object]] = [
        {
            "bn": "urn:dev:ow:10e2073a0108006:",
            "bt": 1.276020076001e09,
            "bu": "A",
            "bver": 5,
            "n": "voltage",
            "u": "V",
            "v": 120.1,
        },
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "t": -4, "v": 1.3},
        {"n": "current", "t": -3, "v": 1.4},
        {"n": "current", "t": -2, "v": 1.5},
        {"n": "current", "t": -1, "v": 1.6},
        {"n": "current", "v": 1.7},
    ]
    records = resolved(pack)
    assert [record.unit for record in records] == ["V", *["A"] * 6]
    assert not any(record.relative for record in records)
    assert [record.time_s for record in records] == [1276020076.001 + t for t in (0, -5, -4, -3, -2, -1, 0)]
    assert [record.value for record in records] == [120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]


def test_multiple_measurements_5_1_3_resolve_as_5_1_4() -> None:
    pack: list[dict[str, object]] = [
        {"bn": DEVICE, "bt": 1.320067464e09, "bu": "%RH", "v": 20},
        {"u": "lon", "v": 24.30621},
        {"u": "lat", "v": 60.07965},
        {"t": 60, "v": 20.3},
        {"u": "lon", "t": 60, "v": 24.30622},
        {"u": "lat", "t": 60, "v": 60.07965},
        {"t": 120, "v": 20.7},
        {"u": "lon", "t": 120, "v": 24.30623},
        {"u": "lat", "t": 120, "v": 60.07966},
        {"u": "%EL", "t": 150, "v": 98},
        {"t": 180, "v": 21.2},
        {"u": "lon", "t": 180, "v": 24.30628},
        {"u": "lat", "t": 180, "v": 60.07967},
    ]
    assert resolved(pack) == [
        Record(DEVICE, unit, time_s, False, value)
        for unit, time_s, value in [
            ("%RH", 1.320067464e09, 20),
            ("lon", 1.320067464e09, 24.30621),
            ("lat", 1.320067464e09, 60.07965),
            ("%RH", 1.320067524e09, 20.3),
            ("lon", 1.320067524e09, 24.30622),
            ("lat", 1.320067524e09, 60.07965),
            ("%RH", 1.320067584e09, 20.7),
            ("lon", 1.320067584e09, 24.30623),
            ("lat", 1.320067584e09, 60.07966),
            ("%EL", 1.320067614e09, 98),
            ("%RH", 1.320067644e09, 21.2),
            ("lon", 1.320067644e09, 24.30628),
            ("lat", 1.320067644e09, 60.07967),
        ]
    ]


def test_multiple_data_types_5_1_5() -> None:
    pack: list[dict[str, object]] = [
        {"bn": DEVICE + ":", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"},
        {"n": "open", "vb": False},
        {"n": "nfc-reader", "vd": "aGkgCg"},
    ]
    assert [record.value for record in resolved(pack)] == [23.1, None, None, None]


def test_collection_of_resources_5_1_6() -> None:
    # The last record takes its base name from the third record and its base time from the first.
    pack: list[dict[str, object]] = [
        {"bn": "2001:db8::2/", "bt": 1.320078429e09, "n": "temperature", "u": "Cel", "v": 25.2},
        {"n": "humidity", "u": "%RH", "v": 30},
        {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
        {"n": "humidity", "u": "%RH", "v": 67},
    ]
    assert resolved(pack) == [
        Record("2001:db8::2/temperature", "Cel", 1320078429.0, False, 25.2),
        Record("2001:db8::2/humidity", "%RH", 1320078429.0, False, 30.0),
        Record("2001:db8::1/temperature", "Cel", 1320078429.0, False, 12.3),
        Record("2001:db8::1/humidity", "%RH", 1320078429.0, False, 67.0),
    ]


def test_setting_an_actuator_5_1_7_opens_with_base_fields_alone() -> None:
    pack: list[dict[str, object]] = [
        {"bn": DEVICE + ":"},
        {"n": "temp", "u": "Cel", "v": 23.1},
        {"n": "heat", "u": "/", "v": 1},
        {"n": "fan", "u": "/", "v": 0},
    ]
    assert [(record.name, record.value) for record in resolved(pack)] == [
        (DEVICE + ":temp", 23.1),
        (DEVICE + ":heat", 1.0),
        (DEVICE + ":fan", 0.0),
    ]
