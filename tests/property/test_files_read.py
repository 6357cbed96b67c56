"""Whatever the bytes: a file is read, or its faults are told; nothing else is raised."""

import json
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import json_lines
from ingest.fleet_file import COLUMNS, FleetFileError, read_fleet_csv

NOW_MS = 1_770_000_000_000

cell = st.text(max_size=8) | st.sampled_from(
    ["", "80", "-1", "1e999", "nan", "yes", "NO", "UTC", "Europe/Oslo", "/etc", "..", "\x00", '"', "A", "a/b"]
)
fleet_text = st.tuples(
    st.lists(st.sampled_from([*COLUMNS, "colour", ""]), max_size=6),
    st.lists(st.lists(cell, max_size=6), max_size=6),
).map(lambda table: "\n".join(",".join(cells) for cells in [["unit", *table[0]], *table[1]]))


@settings(max_examples=300)
@given(content=st.binary(max_size=100) | fleet_text.map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_any_fleet_file_gives_profiles_or_faults(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "fleet.csv"
        path.write_bytes(content)
        try:
            units = [profile.unit_id for profile in read_fleet_csv(path)]
        except FleetFileError as error:
            n_told = len(error.faults)
        else:
            n_told = len(set(units)) if len(set(units)) == len(units) else 0
    assert n_told > 0


plain = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6)
value = st.recursive(
    plain,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["ts", "hours", "pressure_kpa", "seq", "n", "v", "bn"]), inner, max_size=4
        )
    ),
    max_leaves=8,
)
topic = st.sampled_from(["compressors/A/readings", "compressors//readings", "else"]) | st.text(max_size=6)
log_line = st.fixed_dictionaries(
    {"topic": topic | plain, "payload": value | value.map(json.dumps)}, optional={"received": plain}
).map(lambda line: json.dumps(line).encode())


@settings(max_examples=500)
@given(lines=st.lists(log_line | st.binary(max_size=40), max_size=4))
def test_any_json_lines_give_readings_or_bad_lines(lines: list[bytes]) -> None:
    text = b"\n".join(lines)
    block = json_lines.read_block(text, 1, NOW_MS)
    n_lines = sum(bool(line.strip()) for line in text.split(b"\n"))
    assert sum(len(part) for part in block.parts) + len(block.bad) >= n_lines
    assert all(1 <= bad.line <= text.count(b"\n") + 1 and bad.reason for bad in block.bad)
