"""Order, chunking and repetition of what is appended do not change what a store holds."""

import itertools
import math
import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.reading import COLUMNS, Reading, Readings
from ingest.store import EmbeddedStore

values = st.floats(allow_infinity=False, width=64)
unit_ids = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=8)


@st.composite
def readings(draw: st.DrawFn) -> list[Reading]:
    """Readings of a few units, no key twice."""
    names = draw(st.lists(unit_ids, min_size=1, max_size=3, unique=True))
    keys = draw(
        st.lists(
            st.tuples(st.sampled_from(names), st.integers(-(2**62), 2**62)),
            min_size=1,
            max_size=40,
            unique=True,
        )
    )
    return [
        Reading(
            unit_id=unit_id,
            observed_at_ms=at_ms,
            received_at_ms=draw(st.integers(0, 2**62)),
            discharge_temp_c=draw(values),
            pressure_kpa=draw(values),
            hours=draw(values),
            ambient_temp_c=draw(st.just(math.nan) | values),
            seq=draw(st.integers(-1, 2**32)),
            quality=draw(st.integers(0, 2**16)),
        )
        for unit_id, at_ms in keys
    ]


@settings(max_examples=60)
@given(rows=readings(), data=st.data())
def test_any_order_chunking_and_repetition_reads_back_as_the_sorted_set(
    rows: list[Reading], data: st.DataObject
) -> None:
    repeats = data.draw(st.lists(st.sampled_from(rows), max_size=20), label="repeats")
    sent = data.draw(st.permutations(rows + repeats), label="sent")
    cuts = data.draw(st.lists(st.integers(0, len(sent)), max_size=6).map(sorted), label="cuts")
    with tempfile.TemporaryDirectory() as folder:
        store = EmbeddedStore(Path(folder) / "readings.db")
        n_new = 0
        for start, end in itertools.pairwise([0, *cuts, len(sent)]):
            if data.draw(st.booleans(), label="by columns"):
                for unit_id in {row.unit_id for row in sent[start:end]}:
                    n_new += store.append_columns(
                        Readings.from_rows(
                            unit_id, [row for row in sent[start:end] if row.unit_id == unit_id]
                        )
                    )
            else:
                n_new += store.append(sent[start:end])
        units = sorted({row.unit_id for row in rows})
        assert n_new == store.count() == len(rows)
        assert store.units() == units
        assert store.conflicts() == []
        for unit_id in units:
            expected = Readings.from_rows(unit_id, [row for row in rows if row.unit_id == unit_id])
            read = store.read(unit_id)
            for name in COLUMNS:
                np.testing.assert_array_equal(getattr(read, name), getattr(expected, name))
            times = [at for part in store.chunks(unit_id, rows=7) for at in part.observed_at_ms.tolist()]
            assert times == expected.observed_at_ms.tolist()
        store.close()
