"""Reading a log by columns and by lines is the same, and no bytes break it."""

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import csv_rows
from ingest.csv_layout import layout_of
from ingest.parts import Block

NOW_MS = 1_770_000_000_000
LAYOUT = layout_of(b"time,unit,discharge_temp_f,pressure_kpa,pressure_psi,seq,received")

numbers = st.floats(-1e6, 1e6).map(repr) | st.integers(-500, 5000).map(str)
signal = st.one_of(
    numbers, numbers, st.sampled_from(["", "NaN", "n/a", "-", " 7 ", "+3", "1e3", "inf", "1_0", "hot", "0x1"])
)
time = st.one_of(
    st.datetimes().map(lambda at: at.isoformat() + "Z"),
    st.sampled_from(
        [
            "2026-01-05T13:00:05Z",
            "2026-01-05 13:00:05.250+01:00",
            "2026-01-05T13:00:05",
            "2026-06-30T23:59:60Z",
            "2026-01-05",
            "1767618005",
            "1767618005.5",
            "1767618005250",
            "1e15",
            "nan",
            "",
            "noon",
        ]
    ),
)
seq = st.one_of(st.integers(-3, 2**63 + 3).map(str), st.sampled_from(["", "7.0", "7.5", "none", "x"]))
unit = st.one_of(st.sampled_from(["A", "B", " A", '"A"', "NA", "null", "ü7"]), st.text(max_size=5))
line = st.tuples(time, unit, signal, signal, st.just(""), seq, time | st.just("")).map(",".join)


def rows(block: Block) -> list[tuple[object, ...]]:
    """What a block holds, in an order that does not depend on how it was read."""
    found = [
        (
            part.unit_id,
            int(part.observed_at_ms[i]),
            int(part.received_at_ms[i]),
            repr(float(part.discharge_temp_c[i])),
            repr(float(part.pressure_kpa[i])),
            int(part.seq[i]),
            int(part.quality[i]),
        )
        for part in block.parts
        for i in range(len(part))
    ]
    return sorted(found)


def read_line_by_line(text: bytes) -> Block:
    """The same text given to the reader in lines that can only be read one by one."""
    whole = Block([], [])
    for number, one in enumerate(text.split(b"\n"), 2):
        # A neighbour that can't be read keeps the line from being read by columns.
        block = csv_rows.read_block(one + b"\nodd", number, LAYOUT, NOW_MS)
        whole.parts.extend(block.parts)
        whole.bad.extend(bad for bad in block.bad if bad.line == number)
    return whole


@settings(max_examples=500)
@given(lines=st.lists(line, min_size=1, max_size=1) | st.lists(line, max_size=6))
def test_reading_by_columns_equals_reading_by_lines(lines: list[str]) -> None:
    text = "\n".join(lines).encode("utf-8", "surrogatepass")
    together = csv_rows.read_block(text, 2, LAYOUT, NOW_MS)
    single = read_line_by_line(text)
    assert rows(together) == rows(single)
    assert sorted(together.bad) == sorted(single.bad)
    n_lines = sum(bool(one.strip()) for one in text.split(b"\n"))
    assert len(rows(together)) + len(together.bad) == n_lines


@settings(max_examples=200)
@given(
    text=st.binary(max_size=300)
    | st.lists(st.sampled_from([b",", b"\n", b'"', b"1", b"A", b"\x00", b"\r"])).map(b"".join)
)
def test_any_bytes_give_rows_or_bad_lines(text: bytes) -> None:
    block = csv_rows.read_block(text, 1, LAYOUT, NOW_MS)
    n_lines = sum(bool(one.strip()) for one in text.split(b"\n"))
    assert sum(len(part) for part in block.parts) + len(block.bad) == n_lines
    assert all(not math.isinf(value) for part in block.parts for value in part.pressure_kpa.tolist())
