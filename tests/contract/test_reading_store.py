"""Every store of readings keeps the same promises: one suite over all of them.

A new store joins by adding itself to the fixture `open_store`.
"""

import math
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec
import numpy as np
import pytest

from ingest.reading import COLUMNS, SIGNALS, Reading, Readings
from ingest.store import EmbeddedStore, ReadingStore

Opener = Callable[[], ReadingStore]


@pytest.fixture(params=["embedded"])
def open_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Opener]:
    """Opens the same store again at every call."""
    opened: list[ReadingStore] = []

    def opener() -> ReadingStore:
        opened.append(EmbeddedStore(tmp_path / "readings.db"))
        return opened[-1]

    yield opener
    for store in opened:
        store.close()


@pytest.fixture
def store(open_store: Opener) -> ReadingStore:
    return open_store()


def reading(at_ms: int, temp_c: float = 20.0, unit_id: str = "A") -> Reading:
    return Reading(unit_id=unit_id, observed_at_ms=at_ms, received_at_ms=at_ms + 5, discharge_temp_c=temp_c)


def columns(*rows: Reading) -> Readings:
    return Readings.from_rows(rows[0].unit_id, rows)


def assert_same(left: Readings, right: Readings) -> None:
    assert left.unit_id == right.unit_id
    for name in COLUMNS:
        assert getattr(left, name).dtype == getattr(right, name).dtype, name
        np.testing.assert_array_equal(getattr(left, name), getattr(right, name), err_msg=name)


def test_append_gives_back_every_field(store: ReadingStore) -> None:
    full = Reading(
        unit_id="truck 7/ü'%",
        observed_at_ms=1_767_571_200_123,
        received_at_ms=1_767_571_201_456,
        discharge_temp_c=82.1,
        pressure_kpa=980.0,
        hours=412.35,
        ambient_rh_pct=63.0,
        ambient_temp_c=-4.5,
        seq=118,
        quality=5,
    )
    assert store.append([full]) == 1
    assert_same(store.read(full.unit_id), columns(full))
    assert store.latest(full.unit_id) == full


def test_a_signal_not_reported_comes_back_as_nan(store: ReadingStore) -> None:
    store.append([reading(1, math.nan), reading(2, math.inf), reading(3, -math.inf)])
    read = store.read("A")
    assert np.isnan(read.discharge_temp_c).all()
    assert np.isnan(read.pressure_kpa).all()
    latest = store.latest("A")
    assert latest is not None
    assert math.isnan(latest.discharge_temp_c)


def test_a_signal_reported_late_in_a_long_history_is_read_as_a_number(store: ReadingStore) -> None:
    rows = [reading(at_ms, math.nan) for at_ms in range(5000)]
    rows.append(reading(5000, 20.5))
    assert store.append_columns(columns(*rows)) == 5001
    assert store.read("A").discharge_temp_c[-1] == 20.5


def test_append_twice_changes_nothing(store: ReadingStore) -> None:
    rows = [reading(at_ms) for at_ms in (1, 2, 3)]
    assert store.append(rows) == 3
    assert store.append(rows) == 0
    assert store.append_columns(columns(*rows, reading(4))) == 1
    assert store.count() == 4


def test_count_of_a_part(store: ReadingStore) -> None:
    rows = [*(reading(at_ms) for at_ms in (1, 2, 3, 4)), reading(3, unit_id="B")]
    store.append([*rows, msgspec.structs.replace(reading(5), quality=6)])
    assert store.count(start_ms=3) == 4
    assert store.count("A", start_ms=2, end_ms=4) == 2
    assert store.count("A", start_ms=2, without=2) == 3
    assert store.count("no such unit", start_ms=2) == 0


def test_append_columns_takes_parts_of_many_units(store: ReadingStore) -> None:
    parts = [
        columns(reading(1), reading(2)),
        columns(reading(1, unit_id="B")),
        columns(reading(2), reading(3)),
    ]
    assert store.append_columns(*parts, Readings.from_rows("C", ())) == 4
    assert store.append_columns() == 0
    assert store.read("A").observed_at_ms.tolist() == [1, 2, 3]
    assert store.units() == ["A", "B"]


def test_append_columns_of_more_rows_than_one_transaction_holds(store: ReadingStore) -> None:
    times = np.arange(250_001, dtype=np.int64)
    one = np.ones(len(times))
    signals = dict.fromkeys(SIGNALS, one)
    many = Readings(
        unit_id="A", observed_at_ms=times, received_at_ms=times, seq=times, quality=times % 3, **signals
    )
    assert store.append_columns(columns(reading(7, unit_id="B")), many) == 250_002
    assert_same(store.read("A"), many)
    assert len(store.read("B")) == 1


def test_the_first_row_of_an_instant_stays(store: ReadingStore) -> None:
    assert store.append([reading(1, 20.0), reading(1, 99.0)]) == 1
    assert store.append([reading(1, 98.0)]) == 0
    assert store.append_columns(columns(reading(1, 97.0))) == 0
    assert_same(store.read("A"), columns(reading(1, 20.0)))


def test_rows_come_back_in_order_of_time_however_they_came(store: ReadingStore) -> None:
    store.append([reading(30), reading(10, unit_id="B"), reading(20)])
    store.append_columns(columns(reading(10), reading(25)))
    assert store.read("A").observed_at_ms.tolist() == [10, 20, 25, 30]
    assert store.units() == ["A", "B"]


def test_a_range_has_its_start_and_not_its_end(store: ReadingStore) -> None:
    store.append([reading(at_ms) for at_ms in (10, 20, 30)])
    assert store.read("A", 10, 30).observed_at_ms.tolist() == [10, 20]
    assert store.read("A", start_ms=20).observed_at_ms.tolist() == [20, 30]
    assert store.read("A", end_ms=20).observed_at_ms.tolist() == [10]
    assert len(store.read("A", 11, 20)) == 0
    assert len(store.read("A", 30, 10)) == 0


def test_times_before_1970_are_times_too(store: ReadingStore) -> None:
    store.append([reading(-5), reading(0)])
    assert store.read("A", end_ms=0).observed_at_ms.tolist() == [-5]
    assert store.span("A") == (-5, 0)


@pytest.mark.parametrize("rows", [1, 2, 3, 7, 8])
def test_chunks_are_the_same_rows_in_pieces(store: ReadingStore, rows: int) -> None:
    store.append([reading(at_ms) for at_ms in range(0, 70, 10)])
    parts = list(store.chunks("A", 10, 60, rows=rows))
    assert [len(part) <= rows for part in parts] == [True] * len(parts)
    assert all(len(part) for part in parts)
    assert [at for part in parts for at in part.observed_at_ms.tolist()] == [10, 20, 30, 40, 50]


def test_an_unknown_unit_has_nothing(store: ReadingStore) -> None:
    assert len(store.read("nobody")) == 0
    assert list(store.chunks("nobody")) == []
    assert store.latest("nobody") is None
    assert store.span("nobody") is None
    assert store.units() == []
    assert store.count() == 0


def test_appending_nothing_makes_no_unit(store: ReadingStore) -> None:
    assert store.append([]) == 0
    assert store.append_columns(Readings.from_rows("A", ())) == 0
    assert store.units() == []


def test_units_that_differ_little_stay_apart(store: ReadingStore) -> None:
    names = ["a", "A", "a ", "ä", "a\u0308", "a=1,b", 'a"', "a\\"]
    store.append([reading(1, float(place), name) for place, name in enumerate(names)])
    assert store.units() == sorted(names)
    assert [store.read(name).discharge_temp_c.tolist() for name in names] == [
        [float(place)] for place in range(len(names))
    ]


def test_rows_are_there_after_reopening_and_close_may_be_called_twice(open_store: Opener) -> None:
    first = open_store()
    first.append([reading(1)])
    first.close()
    first.close()
    assert open_store().count() == 1


def test_two_openings_see_each_other(open_store: Opener) -> None:
    left, right = open_store(), open_store()
    assert len(right.read("A")) == 0
    left.append([reading(1)])
    assert right.append([reading(1), reading(2), reading(1, unit_id="B")]) == 2
    assert left.units() == ["A", "B"]
    assert left.read("A").observed_at_ms.tolist() == [1, 2]


def test_threads_write_and_read_at_once(store: ReadingStore) -> None:
    faults: list[BaseException] = []
    new = [0] * 4

    def write(worker: int) -> None:
        # Neighbours write the same instants: each must be counted as new exactly once.
        for start in range(0, 400, 20):
            new[worker] += store.append(
                [reading(at, unit_id=f"u{worker % 2}") for at in range(start, start + 20)]
            )

    def read() -> None:
        for _ in range(50):
            for unit_id in store.units():
                times = store.read(unit_id).observed_at_ms
                assert (np.diff(times) > 0).all()
                store.latest(unit_id)

    def guarded(work: Callable[[], None]) -> None:
        try:
            work()
        except BaseException as error:
            faults.append(error)

    works: list[Callable[[], None]] = [read, read, *(lambda w=w: write(w) for w in range(4))]
    threads = [threading.Thread(target=guarded, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [str(f) for f in faults] == []
    assert sum(new) == store.count() == 800
