"""What only the embedded store promises: conflicts kept aside, faults told apart, nothing lost by SIGKILL."""

import math
import re
import resource
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import ingest
from ingest.reading import Reading, Readings
from ingest.store import EmbeddedStore, StoreError


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    store = EmbeddedStore(tmp_path / "new folder" / "readings.db", busy_timeout_s=0.1)
    yield store
    store.close()


def reading(at_ms: int, temp_c: float = 20.0, pressure_kpa: float = math.nan, seq: int = -1) -> Reading:
    return Reading(
        unit_id="A",
        observed_at_ms=at_ms,
        received_at_ms=at_ms,
        discharge_temp_c=temp_c,
        pressure_kpa=pressure_kpa,
        seq=seq,
    )


def test_a_read_leaves_no_snapshot_that_holds_up_the_log(tmp_path: Path) -> None:
    """Connections are kept for the next read; one with a snapshot would let the log grow for ever."""
    store = EmbeddedStore(tmp_path / "readings.db")
    for start in (0, 5000):
        rows = range(start, start + 5000)
        store.append([Reading(unit_id="A", observed_at_ms=at, received_at_ms=at) for at in rows])
        assert len(store.read("A")) == start + 5000
        busy, _, _ = store._writer.rows("PRAGMA wal_checkpoint(TRUNCATE)")[0]
        assert busy == 0
    assert len(store._idle) == 1
    store.close()


def test_conflicts_hold_what_contradicts_the_row_kept(store: EmbeddedStore) -> None:
    store.append([reading(1, 20.0), reading(2, 20.0)])
    for _ in range(2):
        store.append([reading(1, 20.0), reading(2, 21.0), reading(2, 20.0, 900.0)])
        store.append_columns(Readings.from_rows("A", [reading(2, 21.0)]))
    kept_aside = {(r.observed_at_ms, r.discharge_temp_c, str(r.pressure_kpa)) for r in store.conflicts()}
    assert kept_aside == {(2, 21.0, "nan"), (2, 20.0, "900.0")}
    assert len(store.conflicts()) == 2
    assert len(store.conflicts(limit=1)) == 1


def test_conflicts_leave_out_repeats_that_say_no_more(store: EmbeddedStore) -> None:
    store.append([reading(1, 20.0, 900.0)])
    store.append([reading(1, 20.0), reading(1, 20.0 + 1e-9, 900.0), reading(1, math.nan, math.nan, seq=7)])
    assert store.conflicts() == []


def test_conflicts_within_one_batch_are_kept_too(store: EmbeddedStore) -> None:
    assert store.append([reading(1, 20.0), reading(1, 21.0)]) == 1
    assert [r.discharge_temp_c for r in store.conflicts()] == [21.0]


def test_no_other_sqlite_is_used_on_the_file() -> None:
    """Two copies of SQLite in one process undo each other's locks; `database.py` has files of its own."""
    root = Path(ingest.__file__).parent.parent
    folders = ("ingest", "models", "alerts", "dashboards", "dewline")
    users = {
        path.relative_to(root).as_posix()
        for folder in folders
        for path in (root / folder).rglob("*.py")
        if re.search(
            r"^\s*(import|from) (aiosqlite|apsw|pysqlite3|sqlite3)\b", path.read_text(), re.MULTILINE
        )
    }
    assert users == {"ingest/database.py"}


HOLDER = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN IMMEDIATE")
print("held", flush=True)
sys.stdin.readline()
"""


def test_append_to_a_locked_file_says_so_and_works_afterwards(store: EmbeddedStore, tmp_path: Path) -> None:
    # Another process, because two copies of SQLite in one undo each other's locks.
    path = tmp_path / "new folder" / "readings.db"
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        holder.stdout.readline()
        with pytest.raises(StoreError, match=r"readings\.db: could not append: .*database is locked"):
            store.append([reading(1)])
        assert store.count() == 0
        holder.communicate(b"\n")
    assert store.append([reading(1)]) == 1


def test_append_to_a_full_disk_keeps_all_of_the_batch_or_none(store: EmbeddedStore, tmp_path: Path) -> None:
    store.append([reading(0)])
    log = tmp_path / "new folder" / "readings.db-wal"
    rows = [reading(at_ms) for at_ms in range(1, 20_000)]
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (log.stat().st_size + 50_000, limits[1]))
    try:
        with pytest.raises(StoreError, match="could not append"):
            store.append(rows)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert store.read("A").observed_at_ms.tolist() == [0]
    assert store.append(rows) == len(rows)


def test_append_of_a_number_beyond_64_bits_keeps_nothing_of_the_batch(store: EmbeddedStore) -> None:
    with pytest.raises(StoreError, match="more than 64 bits"):
        store.append([reading(1), reading(2**63)])
    assert store.units() == []
    assert store.append([reading(1)]) == 1


def test_opening_what_is_no_store_says_so(tmp_path: Path) -> None:
    junk = tmp_path / "junk.db"
    junk.write_bytes(b"something else entirely" * 100)
    with pytest.raises(StoreError, match=r"junk\.db: could not open: .*not a database"):
        EmbeddedStore(junk)
    with pytest.raises(StoreError, match="could not make its folder"):
        EmbeddedStore(junk / "readings.db")


def test_opening_a_newer_schema_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 999")
    connection.close()
    with pytest.raises(StoreError, match="schema version 999, this Dewline reads up to 1"):
        EmbeddedStore(path)


def test_using_a_closed_store_is_a_store_error(store: EmbeddedStore) -> None:
    store.close()
    with pytest.raises(StoreError, match="closed"):
        store.append([reading(1)])
    with pytest.raises(StoreError, match="closed"):
        store.count()


def test_back_up_copies_everything_and_never_overwrites(store: EmbeddedStore, tmp_path: Path) -> None:
    store.append([reading(1), reading(1, 99.0), reading(2)])
    target = tmp_path / "it's a copy.db"
    store.back_up(target)
    store.append([reading(3)])
    copy = EmbeddedStore(target)
    assert copy.read("A").observed_at_ms.tolist() == [1, 2]
    assert [r.discharge_temp_c for r in copy.conflicts()] == [99.0]
    assert copy.append([reading(2), reading(4)]) == 1
    copy.close()
    with pytest.raises(StoreError, match="could not back up"):
        store.back_up(target)


def test_every_commit_is_synced_to_disk(store: EmbeddedStore) -> None:
    assert store._writer.rows("PRAGMA synchronous") == [(2,)]
    assert store._writer.rows("PRAGMA journal_mode") == [("wal",)]


WRITER = """
import sys
from pathlib import Path
from ingest.reading import Reading
from ingest.store import EmbeddedStore
store = EmbeddedStore(Path(sys.argv[1]))
for batch in range(1_000_000):
    store.append([
        Reading(unit_id=f"u{n % 3}", observed_at_ms=batch * 20 + n, received_at_ms=0, seq=batch)
        for n in range(20)
    ])
    print(batch, flush=True)
"""


@pytest.mark.parametrize("n_acknowledged", [1, 25, 140])
def test_sigkill_loses_nothing_that_was_acknowledged(tmp_path: Path, n_acknowledged: int) -> None:
    path = tmp_path / "readings.db"
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        for _ in range(n_acknowledged):
            child.stdout.readline()
        child.kill()
        rest = child.stdout.read().split("\n")
    assert child.returncode == -signal.SIGKILL
    # A last line without its end was cut off by the kill, so nobody took it for an acknowledgement.
    n_batches = n_acknowledged + len(rest) - 1
    store = EmbeddedStore(path)
    kept = sorted(at for unit_id in store.units() for at in store.read(unit_id).observed_at_ms.tolist())
    store.close()
    assert kept[: n_batches * 20] == list(range(n_batches * 20))
    assert len(kept) % 20 == 0, "a batch is kept whole or not at all"
