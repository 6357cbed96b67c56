"""Whatever the bytes: readings in house units, or `PayloadError`, and never anything else."""

from __future__ import annotations

import contextlib
import gzip
import json
from typing import Any

import msgspec
from hypothesis import example, given
from hypothesis import strategies as st

from ingest.payload import Decoded, Limits, PayloadError, decode
from ingest.reading import SIGNALS
from ingest.senml import LABELS
from ingest.units_of_measure import SENML_UNITS, STEMS, WIRE_NAMES

RECEIVED_AT_MS = 1_767_618_006_000
INT64 = 2**63
SMALL = Limits(payload_bytes=20_000, inflated_bytes=50_000, rows=50)

scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(
        ["2026-01-05T13:00:05Z", "NaN", "", 1_767_618_005, 10**400, "1e999", "9999-12-31T23:59:60Z"]
    )
)
values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3)
)
keys = st.sampled_from([*WIRE_NAMES, "ts", "time", "unit", "seq", *LABELS, "v_"]) | st.text(max_size=8)
rows = st.dictionaries(keys, values, max_size=8)
records = st.fixed_dictionaries(
    {},
    optional={
        "n": st.sampled_from([*STEMS, *WIRE_NAMES, "seq", "A7/hours", "B2:pressure"]) | scalars,
        "bn": st.sampled_from(["A7/", "urn:dev:mac:0024befffe804ff1/"]) | scalars,
        "u": st.sampled_from([*SENML_UNITS]) | scalars,
        "bu": st.sampled_from([*SENML_UNITS]) | scalars,
        "v": scalars,
        "bv": scalars,
        "t": scalars,
        "bt": scalars,
        "vs": scalars,
        "bver": scalars,
    },
)
messages: st.SearchStrategy[Any] = rows | st.lists(rows, max_size=4) | st.lists(records, max_size=5) | values


def check(payload: bytes) -> None:
    reason = ""
    try:
        found = decode("compressors/A7/readings", payload, RECEIVED_AT_MS, limits=SMALL)
    except PayloadError as error:
        found, reason = Decoded(), error.reason
    assert bool(found) != bool(reason)
    assert "\n" not in reason
    for reading in found:
        assert reading.unit_id == "A7"
        assert -INT64 <= reading.observed_at_ms < INT64
        assert -1 <= reading.seq < INT64
        assert all(
            abs(value) < float("inf") or value != value for value in map(reading.__getattribute__, SIGNALS)
        )
    for reject in found.rejects:
        assert reject.reason


@given(st.binary(max_size=300))
@example(b'{"a":"\\ud800"}')
@example(b'"\xff"')
@example(b"[" * 15_000)
@example(b'[{"NaN":' + b"[" * 15_000)
@example(b"1" * 6_000)
@example(b'{"NaN": ' + b"1" * 6_000 + b"}")
def test_any_bytes(payload: bytes) -> None:
    check(payload)


@given(messages)
def test_any_json(message: Any) -> None:
    check(json.dumps(message).encode())


@given(st.binary(max_size=200), st.integers(0, 300))
def test_any_bytes_gzipped_and_cut(payload: bytes, length: int) -> None:
    check(gzip.compress(b"[" + payload)[:length])


@given(st.text(max_size=60), st.binary(max_size=20))
def test_any_topic(topic: str, payload: bytes) -> None:
    with contextlib.suppress(PayloadError):
        assert decode(topic, payload, RECEIVED_AT_MS)


@given(
    st.fixed_dictionaries(
        {"ts": st.integers(1_600_000_000_000, 1_767_618_005_000)},
        optional={name: st.floats(-1e6, 1e6) for name in SIGNALS} | {"seq": st.integers(0, 2**31)},
    ).filter(lambda row: any(name in row for name in SIGNALS))
)
def test_plain_rows_mean_the_same_on_the_short_and_the_long_way(row: dict[str, Any]) -> None:
    (short,) = decode("compressors/A7/readings", json.dumps(row).encode(), RECEIVED_AT_MS)
    (long,) = decode("compressors/A7/readings", json.dumps(row | {"more": 1}).encode(), RECEIVED_AT_MS)
    # By value: one way keeps the sign of a zero and the other does not, and nobody can tell them apart.
    for name, value in msgspec.structs.asdict(short).items():
        other = getattr(long, name)
        assert value == other or (value != value and other != other), name
    for name in SIGNALS:
        assert name not in row or getattr(short, name) == row[name]
