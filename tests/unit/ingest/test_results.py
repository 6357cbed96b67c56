"""What the engine said, kept and taken back."""

import datetime as dt
import math
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
import sqlalchemy as sa

from ingest.database import open_database
from ingest.finding_versions import FindingVersions
from ingest.results import Checkpoint, Results, Rewind, Said, Watermark

MONDAY = dt.datetime(2026, 1, 5, tzinfo=dt.UTC)
MONDAY_MS = 1_767_571_200_000
HOUR_MS = 3_600_000


class Run(msgspec.Struct, frozen=True, kw_only=True):
    unit_id: str
    start_at: dt.datetime
    end_at: dt.datetime | None
    peak_temp_c: float = 80.0


class Finding(Run, frozen=True, kw_only=True):
    finding_id: str
    pattern: str = "short_cycling"
    evidence: tuple[Run, ...] = ()
    first_flagged_at: dt.datetime = MONDAY


class WaterDay(msgspec.Struct, frozen=True, kw_only=True):
    unit_id: str
    date: dt.date
    grams: float
    low: float
    high: float


class Status(msgspec.Struct, frozen=True, kw_only=True):
    unit_id: str
    observed_at: dt.datetime
    water_g: float
    run: Run | None


@pytest.fixture
def results(tmp_path: Path) -> Iterator[Results]:
    engine = open_database(f"sqlite:///{tmp_path / 'operations.db'}")
    yield Results(engine)
    engine.dispose()


def run(hour: float, end: float | None = None, unit_id: str = "A", peak_temp_c: float = 80.0) -> Run:
    end_at = None if end is None else MONDAY + dt.timedelta(hours=end)
    return Run(
        unit_id=unit_id,
        start_at=MONDAY + dt.timedelta(hours=hour),
        end_at=end_at,
        peak_temp_c=peak_temp_c,
    )


def finding(finding_id: str, end: float | None = None, unit_id: str = "A") -> Finding:
    base = run(1, end, unit_id)
    return Finding(
        finding_id=finding_id, unit_id=unit_id, start_at=base.start_at, end_at=base.end_at, evidence=(base,)
    )


def water_day(day: int, grams: float, unit_id: str = "A") -> WaterDay:
    return WaterDay(unit_id=unit_id, date=dt.date(2026, 1, day), grams=grams, low=0.0, high=2 * grams)


def test_runs_come_back_in_order_and_replace_their_key(results: Results) -> None:
    results.save(run_records=[run(5), run(1, 2), run(1, 2, "B")])
    results.save(run_records=[run(5, 6, peak_temp_c=91.0)])
    assert results.runs(Run, "A") == [run(1, 2), run(5, 6, peak_temp_c=91.0)]
    assert len(results.runs(Run)) == 3


def test_runs_of_a_range_are_those_that_touch_it(results: Results) -> None:
    results.save(run_records=[run(1, 2), run(3, 5), run(6, 7), run(8)])
    start_ms, end_ms = MONDAY_MS + 4 * HOUR_MS, MONDAY_MS + 6 * HOUR_MS
    assert results.runs(Run, "A", start_ms, end_ms) == [run(3, 5)]
    assert results.runs(Run, "A", start_ms) == [run(3, 5), run(6, 7), run(8)]


def test_instants_keep_their_millisecond(results: Results) -> None:
    late = [MONDAY + dt.timedelta(milliseconds=ms) for ms in (1, 333, 999)]
    results.save(run_records=[Run(unit_id="A", start_at=at, end_at=None) for at in late])
    for ms in (1, 333, 999):
        results.rewind("A", MONDAY_MS + ms, runs_from_ms=MONDAY_MS + ms + 1)
        assert len(results.runs(Run, "A")) == min(3, (1, 333, 999).index(ms) + 1)
        results.save(run_records=[Run(unit_id="A", start_at=at, end_at=None) for at in late])


def test_findings_by_unit_and_standing(results: Results) -> None:
    results.save(finding_records=[finding("f1", 3), finding("f2"), finding("f3", unit_id="B")])
    assert [f.finding_id for f in results.findings(Finding)] == ["f1", "f2", "f3"]
    assert results.findings(Finding, "A", standing_only=True) == [finding("f2")]


def test_water_days_by_range(results: Results) -> None:
    results.save(
        day_records=[water_day(6, 12.5), water_day(5, 3.25), water_day(7, 1.0), water_day(5, 9.0, "B")]
    )
    results.save(day_records=[water_day(6, 13.5)])
    assert results.water_days(WaterDay, "A") == [water_day(5, 3.25), water_day(6, 13.5), water_day(7, 1.0)]
    only = results.water_days(WaterDay, "A", dt.date(2026, 1, 6), dt.date(2026, 1, 7))
    assert only == [water_day(6, 13.5)]


def test_status_keeps_what_is_not_known_as_nan(results: Results) -> None:
    unknown = math.nan
    status = Status(unit_id="A", observed_at=MONDAY, water_g=unknown, run=run(1, peak_temp_c=unknown))
    results.save(status=status)
    results.save(status=Status(unit_id="B", observed_at=MONDAY, water_g=4.0, run=None))
    read = results.status(Status, "A")
    assert read is not None
    assert math.isnan(read.water_g)
    assert read.run is not None
    assert math.isnan(read.run.peak_temp_c)
    assert read.run.end_at is None
    assert [s.unit_id for s in results.statuses(Status)] == ["A", "B"]
    assert results.status(Status, "C") is None


def test_nan_inside_evidence_comes_back(results: Results) -> None:
    inner = run(1, peak_temp_c=math.nan)
    results.save(finding_records=[msgspec.structs.replace(finding("f1"), evidence=(inner,))])
    (read,) = results.findings(Finding)
    assert math.isnan(read.evidence[0].peak_temp_c)


def test_checkpoints_before_an_instant(results: Results) -> None:
    for at_ms in (10, 30, 20):
        results.save(checkpoint=Checkpoint("A", at_ms, bytes([at_ms])))
    results.save(checkpoint=Checkpoint("B", 25, b"other"))
    assert results.checkpoint_before("A", 30) == (20, b"\x14")
    assert results.checkpoint_before("A") == (30, b"\x1e")
    assert results.checkpoint_before("A", 10) is None
    results.save(checkpoint=Checkpoint("A", 40, b"new"), checkpoint_instants_ms=[10, 40])
    assert results.checkpoint_instants("A") == [10, 40]
    assert results.checkpoint_instants("B") == [25]


def test_rewind_takes_back_runs_days_and_checkpoints_but_no_finding(results: Results) -> None:
    at_ms = MONDAY_MS + 5 * HOUR_MS
    results.save(run_records=[run(4, 6), run(5, 6), run(7), run(5, 6, "B")])
    results.save(day_records=[water_day(5, 1.0), water_day(6, 2.0), water_day(6, 2.0, "B")])
    for checkpoint_ms in (at_ms - 1, at_ms, at_ms + 1):
        results.save(checkpoint=Checkpoint("A", checkpoint_ms, b""))
    results.save(finding_records=[finding("f1"), finding("f2", 6)])
    results.rewind("A", at_ms - 1, runs_from_ms=at_ms)
    assert results.runs(Run) == [run(4, 6), run(5, 6, "B")]
    assert results.water_days(WaterDay, "A") == [water_day(5, 1.0)]
    assert results.water_days(WaterDay, "B") == [water_day(6, 2.0, "B")]
    assert results.checkpoint_before("A") == (at_ms - 1, b"")
    assert results.findings(Finding) == [finding("f1"), finding("f2", 6)]


def test_rewind_to_the_start_leaves_neither_run_nor_day_nor_checkpoint(results: Results) -> None:
    results.save(run_records=[run(4, 6), run(5, 6, "B")])
    results.save(day_records=[water_day(5, 1.0)])
    results.save(checkpoint=Checkpoint("A", -5, b""))
    results.rewind("A", None, runs_from_ms=None)
    assert results.runs(Run) == [run(5, 6, "B")]
    assert results.water_days(WaterDay, "A") == []
    assert results.checkpoint_before("A") is None


def test_rewind_to_before_the_first_run_had_ended_takes_back_every_run(results: Results) -> None:
    """A run in hand may be dated otherwise, or turn out to have been none."""
    results.save(run_records=[run(4, 6)])
    results.rewind("A", MONDAY_MS + 5 * HOUR_MS, runs_from_ms=None)
    assert results.runs(Run) == []


def flagged(finding_id: str, at_ms: int, end: float | None = None) -> Finding:
    at = MONDAY + dt.timedelta(milliseconds=at_ms - MONDAY_MS)
    return msgspec.structs.replace(finding(finding_id, end), first_flagged_at=at)


def test_a_rewind_leaves_unsaid_what_was_flagged_before_it_and_opens_what_stood(results: Results) -> None:
    at_ms = MONDAY_MS + 5 * HOUR_MS
    kept, stood, gone = flagged("f1", at_ms), flagged("f2", at_ms - 1, 6), flagged("f3", at_ms + 1)
    other = msgspec.structs.replace(gone, unit_id="B")
    results.save(unsaid_records=[kept, stood, gone, other])
    open_again = msgspec.structs.replace(stood, end_at=None)
    results.rewind("A", at_ms, runs_from_ms=at_ms, standing=[open_again], in_hand=Rewind(at_ms, "late_data"))
    assert sorted(results.unsaid(Finding, "A"), key=lambda one: one.finding_id) == [kept, open_again]
    assert results.unsaid(Finding, "B") == [other]
    assert results.findings(Finding) == []
    assert results.rewind_in_hand("A") == Rewind(at_ms, "late_data")
    assert results.rewind_in_hand("B") is None
    results.rewind("A", None, runs_from_ms=None, in_hand=Rewind(None, None))
    assert results.unsaid(Finding, "A") == []
    assert results.rewind_in_hand("A") == Rewind(None, None)


def test_what_is_said_ends_the_rewind_in_the_same_transaction(results: Results) -> None:
    results.save(unsaid_records=[finding("f1"), finding("f2", unit_id="B")])
    results.rewind("A", MONDAY_MS + HOUR_MS, runs_from_ms=None, in_hand=Rewind(7, None))
    said = Said("A", [(finding("f1"), "first")], 9)
    bad = msgspec.structs.replace(water_day(6, 1.0), grams=None)
    with pytest.raises(sa.exc.IntegrityError, match="grams"):
        results.save(finding_records=[finding("f1")], day_records=[bad], said=said)
    versions = FindingVersions(results._engine)
    assert results.rewind_in_hand("A") == Rewind(7, None)
    assert results.unsaid(Finding, "A") == [finding("f1")]
    assert versions.of_unit(Finding, "A") == results.findings(Finding) == []
    results.save(finding_records=[finding("f1")], said=said)
    assert results.rewind_in_hand("A") is None
    assert results.unsaid(Finding, "A") == []
    assert results.unsaid(Finding, "B") == [finding("f2", unit_id="B")]
    assert [one.finding for one in versions.of_unit(Finding, "A")] == results.findings(Finding)


def test_only_what_comes_again_from_the_readings_does_not_wait_for_the_disk(results: Results) -> None:
    """The next user of the connection writes alarms and mails, which nothing would bring back."""
    seen = []

    class Late(msgspec.Struct, frozen=True, kw_only=True):
        unit_id: str = "A"
        start_at: dt.datetime = MONDAY

        @property
        def end_at(self) -> dt.datetime | None:
            return None

    def synchronous() -> int:
        with results._engine.connect() as connection:
            return connection.exec_driver_sql("PRAGMA synchronous").scalar_one()

    full = synchronous()
    sa.event.listen(
        results._engine,
        "before_cursor_execute",
        lambda connection, *_: seen.append(
            connection.connection.driver_connection.execute("PRAGMA synchronous").fetchone()[0]
        ),
    )
    results.save(run_records=[Late()])
    assert seen
    assert max(seen) < full == 2
    seen.clear()
    results.save(finding_records=[finding("f1")], said=Said("A", [(finding("f1"), "first")], 5))
    assert min(seen) == full
    assert synchronous() == full
    with pytest.raises(sa.exc.SQLAlchemyError):
        results.save(day_records=[msgspec.structs.replace(water_day(5, 1.0), grams=None)])
    assert synchronous() == full


def test_a_watermark_goes_with_the_standing(results: Results) -> None:
    assert results.watermark("A") is None
    status = Status(unit_id="A", observed_at=MONDAY, water_g=4.0, run=None)
    for mark in (
        Watermark(MONDAY_MS, MONDAY_MS + 7, 3),
        Watermark(MONDAY_MS, MONDAY_MS + 7, 3, "made", ()),
        Watermark(MONDAY_MS, MONDAY_MS + 7, 3, "made", ((5, "drain"), (5, "oil_change"))),
    ):
        results.save(status=status, watermark=mark)
        assert results.watermark("A") == mark


def test_saving_nothing_is_nothing(results: Results) -> None:
    results.save(run_records=[])
    results.save(finding_records=iter(()))
    assert results.runs(Run) == []


def test_a_record_that_is_too_short_is_refused(results: Results) -> None:
    results.save(run_records=[run(1)])
    with pytest.raises(msgspec.ValidationError, match="missing required field `date`"):
        results.runs(WaterDay)


def test_a_batch_is_kept_whole_or_not_at_all(results: Results) -> None:
    bad = msgspec.structs.replace(water_day(6, 1.0), grams=None)
    with pytest.raises(sa.exc.IntegrityError, match="grams"):
        results.save(day_records=[water_day(5, 1.0), bad])
    assert results.water_days(WaterDay, "A") == []
