"""Drains and oil changes as people record them."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from ingest.database import open_database
from ingest.maintenance import EARLIEST_MS, Maintenance, MaintenanceError, Work

NOW_MS = 1_767_700_000_000


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[sa.Engine]:
    engine = open_database(f"sqlite:///{tmp_path / 'operations.db'}")
    yield engine
    engine.dispose()


def test_work_comes_back_in_the_order_it_was_done(engine: sa.Engine) -> None:
    kept = Maintenance(engine)
    later = kept.record("A", Work.OIL_CHANGE, NOW_MS - 10, by="yard", now_ms=NOW_MS)
    earlier = kept.record("A", Work.DRAIN, NOW_MS - 20, by="office", now_ms=NOW_MS + 5)
    kept.record("B", Work.DRAIN, NOW_MS - 15, by="yard", now_ms=NOW_MS)
    assert kept.of("A") == [earlier, later]
    assert (earlier.recorded_by, earlier.recorded_at_ms) == ("office", NOW_MS + 5)


def test_recording_the_same_work_again_changes_nothing(engine: sa.Engine) -> None:
    kept = Maintenance(engine)
    first = kept.record("A", Work.DRAIN, NOW_MS, by="yard", now_ms=NOW_MS)
    assert kept.record("A", Work.DRAIN, NOW_MS, by="office", now_ms=NOW_MS + 9) == first
    assert kept.of("A") == [first]


def test_what_is_taken_back_stays_on_record_and_can_be_recorded_anew(engine: sa.Engine) -> None:
    kept = Maintenance(engine)
    wrong = kept.record("A", Work.DRAIN, NOW_MS, by="yard", now_ms=NOW_MS)
    assert kept.take_back(wrong.service_id, by="office", now_ms=NOW_MS + 7)
    assert not kept.take_back(wrong.service_id, by="office", now_ms=NOW_MS + 8)
    assert not kept.take_back(999, by="office", now_ms=NOW_MS + 8)
    assert kept.of("A") == []
    (shown,) = kept.of("A", taken_back=True)
    assert (shown.taken_back_at_ms, shown.taken_back_by) == (NOW_MS + 7, "office")
    again = kept.record("A", Work.DRAIN, NOW_MS, by="yard", now_ms=NOW_MS + 9)
    assert kept.of("A") == [again]


@pytest.mark.parametrize("done_at_ms", [NOW_MS + 1, EARLIEST_MS - 1, -1])
def test_work_to_come_or_long_before_the_machine_is_refused(engine: sa.Engine, done_at_ms: int) -> None:
    with pytest.raises(MaintenanceError, match="from 2000 until now"):
        Maintenance(engine).record("A", Work.DRAIN, done_at_ms, by="yard", now_ms=NOW_MS)
    assert Maintenance(engine).of("A") == []
