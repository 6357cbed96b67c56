"""Decoding of messages, against what the wire format says by word and example."""

from __future__ import annotations

import gzip
import json
import math
from typing import Any

import pytest

from ingest.payload import Decoded, Limits, PayloadError, decode, decode_row, unit_of
from ingest.quality import Quality

TOPIC = "compressors/A7/readings"
RECEIVED_AT_MS = 1_767_618_006_000
OBSERVED_AT_MS = 1_767_618_005_000
"""2026-01-05T13:00:05Z, by GNU date -d."""
ROW: dict[str, Any] = {
    "ts": "2026-01-05T13:00:05Z",
    "discharge_temp_c": 82.1,
    "pressure_kpa": 980,
    "hours": 412.35,
    "ambient_rh_pct": 63,
    "ambient_temp_c": 4.5,
    "seq": 118,
}


def decoded(payload: Any, **options: Any) -> Decoded:
    text = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return decode(TOPIC, text, RECEIVED_AT_MS, **options)


def test_decode_of_the_documented_row() -> None:
    (reading,) = decoded(ROW)
    assert reading.unit_id == "A7"
    assert reading.observed_at_ms == OBSERVED_AT_MS
    assert reading.received_at_ms == RECEIVED_AT_MS
    assert reading.discharge_temp_c == 82.1
    assert reading.pressure_kpa == 980.0
    assert reading.hours == 412.35
    assert reading.ambient_rh_pct == 63.0
    assert reading.ambient_temp_c == 4.5
    assert reading.seq == 118
    assert reading.quality == Quality.GOOD


@pytest.mark.parametrize(
    "ts",
    [
        "2026-01-05T13:00:05Z",
        "2026-01-05t13:00:05z",
        "2026-01-05T14:00:05+01:00",
        "2026-01-05T13:00:05.000Z",
        1_767_618_005,
        1_767_618_005.0,
        1_767_618_005_000,
        "1767618005",
        "1767618005000",
    ],
)
def test_every_spelling_of_one_instant(ts: object) -> None:
    assert decoded(ROW | {"ts": ts})[0].observed_at_ms == OBSERVED_AT_MS


def test_leap_second() -> None:
    # RFC 3339 section 5.8 has 1990-12-31T23:59:60Z as an example; POSIX time has no such second, and the
    # one after it is 662688000 (GNU date -d 1991-01-01T00:00:00Z +%s).
    assert decoded(ROW | {"ts": "1990-12-31T23:59:60Z"})[0].observed_at_ms == 662_688_000_000


@pytest.mark.parametrize(
    # RFC 3339 section 5.8, its examples with fractions and offsets; seconds by GNU date.
    ("ts", "at_ms"),
    [("1985-04-12T23:20:50.52Z", 482_196_050_520), ("1996-12-19T16:39:57-08:00", 851_042_397_000)],
)
def test_rfc_3339_examples(ts: str, at_ms: int) -> None:
    reading = decoded(ROW | {"ts": ts})[0]
    assert reading.observed_at_ms == at_ms
    assert reading.quality == Quality.CLOCK_WRONG


@pytest.mark.parametrize(
    "ts", ["2026-01-05T13:00:05", "yesterday", "2026-13-05T13:00:05Z", True, [], 1e18, "inf"]
)
def test_time_that_is_none(ts: object) -> None:
    with pytest.raises(PayloadError, match="ts is"):
        decoded(ROW | {"ts": ts})


@pytest.mark.parametrize("row", [{k: v for k, v in ROW.items() if k != "ts"}, ROW | {"ts": None}])
def test_missing_time_is_the_time_of_receipt_and_flagged(row: dict[str, Any]) -> None:
    (reading,) = decoded(row)
    assert reading.observed_at_ms == RECEIVED_AT_MS
    assert reading.quality == Quality.RECEIVED_TIME_USED


def test_rows_without_time_in_one_message_keep_their_order_and_all_survive() -> None:
    rows = [{"discharge_temp_c": value} for value in (50.0, 51.0, 52.0)]
    readings = decoded(rows)
    assert [reading.discharge_temp_c for reading in readings] == [50.0, 51.0, 52.0]
    instants = [reading.observed_at_ms for reading in readings]
    assert instants == sorted(set(instants))
    assert instants[-1] == RECEIVED_AT_MS


def test_other_units_of_measure() -> None:
    # 180 degF is 82.22 degC; 150 psi is 1034.214 kPa (NIST SP 811).
    (reading,) = decoded(
        {"ts": ROW["ts"], "discharge_temp_f": 180, "pressure_psi": 150, "ambient_temp_f": 32}
    )
    assert reading.discharge_temp_c == pytest.approx(82.2222, abs=1e-4)
    assert reading.pressure_kpa == pytest.approx(1034.214, abs=1e-3)
    assert reading.ambient_temp_c == pytest.approx(0.0, abs=1e-12)
    assert math.isnan(reading.hours)


def test_one_signal_under_two_names() -> None:
    row = {"ts": ROW["ts"], "pressure_kpa": 1034.2}
    assert decoded(row | {"pressure_psi": 150.0})[0].pressure_kpa == 1034.2
    with pytest.raises(PayloadError, match=r"pressure_kpa is given twice: 1034\.2 and, as pressure_psi, 965"):
        decoded(row | {"pressure_psi": 140.0})


@pytest.mark.parametrize("value", [None, "NaN", "nan", "", "N/A"])
def test_value_that_was_not_reported(value: object) -> None:
    reading = decoded(ROW | {"pressure_kpa": value})[0]
    assert math.isnan(reading.pressure_kpa)
    assert reading.discharge_temp_c == 82.1


def test_bare_nan_as_some_libraries_write_it() -> None:
    reading = decoded(b'{"ts": 1767618005, "pressure_kpa": NaN, "hours": 3.5}')[0]
    assert math.isnan(reading.pressure_kpa)
    assert reading.hours == 3.5
    readings = decoded(b'[{"ts": 1767618005, "pressure_kpa": NaN}, {"ts": 1767618006, "pressure_kpa": 7}]')
    assert readings[1].pressure_kpa == 7.0


@pytest.mark.parametrize("value", [True, "high", [1], {}, "1_0", "inf", "1e400"])
def test_value_that_is_no_number(value: object) -> None:
    with pytest.raises(PayloadError, match="pressure_kpa is"):
        decoded(ROW | {"pressure_kpa": value})


def test_unknown_keys_are_ignored() -> None:
    assert decoded(ROW | {"oil_level_pct": 71, "nested": {"a": [1]}})[0].discharge_temp_c == 82.1


@pytest.mark.parametrize("row", [{}, {"ts": ROW["ts"]}, {"ts": ROW["ts"], "discharge_temp": 80}])
def test_row_without_a_known_signal(row: dict[str, Any]) -> None:
    with pytest.raises(PayloadError, match="no known signal"):
        decoded(row)


@pytest.mark.parametrize("key", ["unit", "unit_id"])
def test_unit_in_the_payload(key: str) -> None:
    assert decoded(ROW | {key: "A7"})[0].unit_id == "A7"
    with pytest.raises(PayloadError, match=f"{key} is 'B2' in a message of unit 'A7'"):
        decoded(ROW | {key: "B2"})


def test_bad_rows_do_not_take_the_good_ones_with_them() -> None:
    bad = {"ts": "never", "hours": 3}
    found = decoded([ROW, bad, 7, ROW | {"ts": OBSERVED_AT_MS + 10_000}])
    assert [reading.observed_at_ms for reading in found] == [OBSERVED_AT_MS, OBSERVED_AT_MS + 10_000]
    assert [json.loads(reject.payload) for reject in found.rejects] == [bad, 7]
    assert "ts is 'never'" in found.rejects[0].reason
    with pytest.raises(PayloadError, match="ts is 'never'"):
        decoded(found.rejects[0].payload)


def test_number_beyond_range_spoils_only_its_row() -> None:
    found = decoded(b'[{"ts": 1767618005, "hours": 1e999}, {"ts": 1767618006, "hours": 4}]')
    assert [reading.hours for reading in found] == [4.0]
    assert len(found.rejects) == 1


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "^empty payload$"),
        (b" \n", "^empty payload$"),
        (b"garbage", "^payload starts with 'garbage', expected a JSON object or array$"),
        (b"82.1", "expected a JSON object or array"),
        (b'"text"', "expected a JSON object or array"),
        (b"[]", "no rows"),
        (b'{"ts": 1', "JSON"),
        (b"[" * 100_000, "JSON"),
        (b'[{"ts": "x", "hours": 1}, {"hours": "y"}]', "and 1 more row\\)"),
        (b"\x1f\x8b broken", "gzip data is broken"),
        (gzip.compress(json.dumps(ROW).encode())[:-9], "gzip data is cut off"),
        (b"{}", "^no known signal: an empty object$"),
        (b'{"hours": true}', "hours is true, expected a number"),
        (b'{"hours": {"at": null}}', 'hours is {"at": null}, expected a number'),
        (b'{"a": 1, "b": 2}', "no known signal among the keys 'a', 'b'$"),
        (b"\xff\xfe", "expected a JSON object or array"),
    ],
)
def test_message_that_cannot_be_used(payload: bytes, reason: str) -> None:
    with pytest.raises(PayloadError, match=reason):
        decoded(payload)


def test_gzip_is_known_by_its_content() -> None:
    text = json.dumps([ROW]).encode()
    assert decoded(gzip.compress(text)) == decoded(text)
    # RFC 1952 section 2.2: a file may hold several members, one after the other.
    assert decoded(gzip.compress(text[:20]) + gzip.compress(text[20:])) == decoded(text)


def test_gzip_bomb_stops_at_the_limit() -> None:
    bomb = gzip.compress(b" " * 5_000_000)
    with pytest.raises(PayloadError, match="more than the limit of 1000000 bytes"):
        decoded(bomb, limits=Limits(inflated_bytes=1_000_000))


@pytest.mark.parametrize(
    ("payload", "limits", "reason"),
    [
        (ROW, Limits(payload_bytes=10), "above the limit of 10"),
        ([ROW, ROW], Limits(rows=1), "2 rows is above the limit of 1"),
        ({f"key{i}": 0 for i in range(9)}, Limits(keys=8), "9 keys, above the limit of 8"),
        (ROW | {"deep": [[[[1]]]]}, Limits(depth=3), "deeper than 3"),
    ],
)
def test_limits(payload: Any, limits: Limits, reason: str) -> None:
    with pytest.raises(PayloadError, match=reason):
        decoded(payload, limits=limits)


@pytest.mark.parametrize(
    "topic",
    [
        "compressors/A7",
        "compressors//readings",
        "compressors/A/7/readings",
        "other/A7/readings",
        "",
        "readings",
        "compressors/" + "x" * 129 + "/readings",
        "compressors/A\x007/readings",
    ],
)
def test_topic_of_another_kind(topic: str) -> None:
    with pytest.raises(PayloadError, match="topic"):
        unit_of(topic)


def test_prefix_may_have_levels() -> None:
    assert unit_of("fleet/north/A7/readings", "fleet/north") == "A7"
    assert unit_of("compressors/A7/link", leaf="link") == "A7"


def test_decode_row_takes_text_as_log_files_hold_it() -> None:
    row = {
        "time": "2026-01-05T13:00:05Z",
        "unit": "A7",
        "discharge_temp_c": "82.1",
        "hours": "",
        "seq": "118",
    }
    reading = decode_row(row, "A7", RECEIVED_AT_MS)
    assert reading.observed_at_ms == OBSERVED_AT_MS
    assert reading.discharge_temp_c == 82.1
    assert math.isnan(reading.hours)
    assert reading.seq == 118


@pytest.mark.parametrize("seq", [-1, 1.5, "x", 2**63])
def test_seq_that_is_no_counter(seq: object) -> None:
    with pytest.raises(PayloadError, match="seq is"):
        decoded(ROW | {"seq": seq})


def test_senml_pack_becomes_rows_by_time() -> None:
    # 980 kPa and 353.15 K (80 degC), sent in the registry's units with a base time.
    pack = [
        {
            "bn": "urn:dev:ow:10e2073a01080063:",
            "bt": 1_767_618_000,
            "n": "discharge_temp",
            "u": "K",
            "v": 353.15,
        },
        {"n": "pressure", "u": "Pa", "v": 980_000},
        {"n": "hours", "u": "s", "v": 7_200},
        {"n": "label", "vs": "left side"},
        {"n": "discharge_temp", "u": "Cel", "t": 10, "v": 81},
        {"n": "seq", "t": 10, "v": 5},
    ]
    first, second = decoded(pack)
    assert first.observed_at_ms == 1_767_618_000_000
    assert first.discharge_temp_c == pytest.approx(80.0)
    assert first.pressure_kpa == pytest.approx(980.0)
    assert first.hours == pytest.approx(2.0)
    assert second.observed_at_ms == 1_767_618_010_000
    assert second.seq == 5
    assert math.isnan(second.pressure_kpa)
    assert first.quality == second.quality == Quality.GOOD


def test_senml_house_names_need_no_unit() -> None:
    (reading,) = decoded([{"bn": "A7/", "n": "pressure_psi", "t": 1_767_618_005, "v": 150}])
    assert reading.pressure_kpa == pytest.approx(1034.214, abs=1e-3)


def test_senml_relative_times_count_from_receipt_and_are_flagged() -> None:
    readings = decoded([{"n": "hours", "u": "h", "v": 1, "t": -5}, {"n": "hours", "u": "h", "v": 2}])
    assert [reading.observed_at_ms for reading in readings] == [RECEIVED_AT_MS - 5_000, RECEIVED_AT_MS]
    assert all(reading.quality & Quality.RECEIVED_TIME_USED for reading in readings)


def test_senml_faults_keep_the_other_records() -> None:
    at = 1_767_618_005
    found = decoded(
        [
            {"bt": at, "n": "hours", "u": "h", "v": 1},
            {"n": "pressure", "u": "Cel", "v": 20},
            {"n": "discharge_temp", "v": 80},
            {"n": "B2/pressure", "u": "Pa", "v": 1000},
            {"n": "no good name", "u": "h", "v": 3},
        ]
    )
    assert [reading.hours for reading in found] == [1.0]
    assert [reject.reason.split(",")[0] for reject in found.rejects] == [
        "SenML unit 'Cel' of 'pressure' is no known unit of pressure",
        "SenML record 'discharge_temp' has no unit",
        "SenML name 'B2/pressure' in a message of unit 'A7'",
        "SenML name 'no good name' is empty or has characters that the standard rules out",
    ]
    assert json.loads(found.rejects[0].payload) == [{"n": "pressure", "u": "Cel", "t": at, "v": 20}]


def test_senml_pack_of_other_things() -> None:
    with pytest.raises(PayloadError, match="no known signal"):
        decoded([{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}])
