"""Import of log files: every accepted spelling, bad lines kept aside, nothing lost, nothing twice."""

import datetime as dt
import gzip
import json
import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.database import open_database
from ingest.logfiles import ImportReport, LogFileError, import_paths
from ingest.quality import Quality
from ingest.quarantine import Quarantine
from ingest.store import EmbeddedStore

NOW_MS = 1_770_000_000_000
T0 = dt.datetime(2026, 1, 5, 13, 0, 5, tzinfo=dt.UTC)
T0_MS = 1_767_618_005_000


class Bench:
    """A store and a quarantine to import into."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = EmbeddedStore(folder / "data" / "readings.db")
        self.engine = open_database(f"sqlite:///{folder / 'data' / 'operations.db'}")
        self.quarantine = Quarantine(self.engine)

    def file(self, name: str, content: str | bytes) -> Path:
        path = self.folder / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    def run(self, *paths: Path, **options: bool) -> ImportReport:
        return import_paths(paths, self.store, self.quarantine, received_at_ms=NOW_MS, **options)

    def csv(self, content: str | bytes, name: str = "log.csv") -> ImportReport:
        return self.run(self.file(name, content))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    yield bench
    bench.store.close()
    bench.engine.dispose()


def csv_text(n_rows: int, header: str = "time,unit,discharge_temp_c,seq") -> list[str]:
    """Lines of a log of units A and B by turns, one row a second."""
    times = (T0 + dt.timedelta(seconds=place) for place in range(n_rows))
    return [header] + [
        f"{at:%Y-%m-%dT%H:%M:%SZ},{'AB'[place % 2]},{20 + place / 10},{place}"
        for place, at in enumerate(times)
    ]


def test_import_paths_reads_csv_rows_of_many_units(bench: Bench) -> None:
    report = bench.csv(
        "time,unit,discharge_temp_c,pressure_kpa,hours,ambient_rh_pct,ambient_temp_c,seq,received\n"
        "2026-01-05T13:00:15Z,B,82.1,980,412.35,63,4.5,118,2026-01-05T13:00:17.250Z\n"
        "2026-01-05T13:00:05Z,A,20,,,,,,\n"
    )
    latest = bench.store.latest("B")
    assert latest is not None
    assert (latest.observed_at_ms, latest.received_at_ms) == (T0_MS + 10_000, T0_MS + 12_250)
    assert (latest.discharge_temp_c, latest.pressure_kpa, latest.hours) == (82.1, 980.0, 412.35)
    assert (latest.ambient_rh_pct, latest.ambient_temp_c, latest.seq, latest.quality) == (63.0, 4.5, 118, 0)
    other = bench.store.latest("A")
    assert other is not None
    assert (other.observed_at_ms, other.received_at_ms, other.seq) == (T0_MS, T0_MS, -1)
    assert math.isnan(other.pressure_kpa)
    assert (report.rows_read, report.rows_new, report.rows_repeated, report.rows_quarantined) == (2, 2, 0, 0)
    assert report.units == {"A": 1, "B": 1}
    assert (report.first_at_ms, report.last_at_ms) == (T0_MS, T0_MS + 10_000)


# Fahrenheit: 212 degF is 100 degC, the boiling point of water at one standard atmosphere on both scales.
# 100 psi = 689.4757 kPa and 1 bar = 100 kPa: NIST SP 811 (2008), appendix B.8.
def test_import_paths_converts_other_units_of_measure(bench: Bench) -> None:
    bench.csv("ts,unit,discharge_temp_f,pressure_psi\n2026-01-05T13:00:05Z,A,212,100\n", "psi.csv")
    bench.csv("ts,unit,discharge_temp_f,pressure_bar\n2026-01-05T13:00:05Z,B,32,7\n", "bar.csv")
    a, b = bench.store.latest("A"), bench.store.latest("B")
    assert a is not None
    assert b is not None
    assert a.discharge_temp_c == pytest.approx(100.0, abs=1e-9)
    assert a.pressure_kpa == pytest.approx(689.4757, abs=5e-5)
    assert b.discharge_temp_c == pytest.approx(0.0, abs=1e-9)
    assert b.pressure_kpa == pytest.approx(700.0, abs=1e-9)


# One instant in the notations of RFC 3339 section 5.8 and of epochs; Python's datetime is the reference.
@pytest.mark.parametrize(
    ("text", "assumed_utc"),
    [
        ("2026-01-05T13:00:05Z", False),
        ("2026-01-05T13:00:05.000Z", False),
        ("2026-01-05T13:00:05.000000Z", False),
        ("2026-01-05T07:00:05-06:00", False),
        ("2026-01-05 13:00:05Z", False),
        ("2026-01-05T13:00:05", True),
        ("2026-01-05 13:00:05", True),
        (str(T0.timestamp()), False),
        (str(int(T0.timestamp())), False),
        (str(T0_MS), False),
        (" 2026-01-05T13:00:05Z ", False),
    ],
)
@pytest.mark.parametrize("odd_neighbour", [False, True], ids=["by columns", "by lines"])
def test_import_paths_reads_every_notation_of_time(
    bench: Bench, text: str, assumed_utc: bool, odd_neighbour: bool
) -> None:
    odd = "2026-01-05T13:00:05Z,B,hot\n" if odd_neighbour else ""
    report = bench.csv(f"time,unit,hours\n{text},A,1\n{odd}")
    span = bench.store.span("A")
    assert span == (round(T0.timestamp() * 1000),) * 2
    assert report.rows_assumed_utc == assumed_utc
    assert report.rows_quarantined == odd_neighbour


def test_import_paths_twice_changes_nothing(bench: Bench) -> None:
    path = bench.file("log.csv", "\n".join(csv_text(100)))
    assert bench.run(path).rows_new == 100
    again = bench.run(path)
    assert (again.rows_new, again.rows_repeated) == (0, 100)
    assert bench.store.count() == 100


@pytest.mark.parametrize("name", ["log.csv", "log.jsonl"])
def test_import_paths_twice_keeps_each_bad_line_once(bench: Bench, name: str) -> None:
    csv = "time,unit,hours\nnonsense,A,1\nnonsense,A,1\n2026-01-05T13:00:05Z,A,1\n"
    path = bench.file(name, csv if name == "log.csv" else "{1\n{1\n")
    for _ in range(2):
        assert bench.run(path).rows_quarantined == 2
    assert sorted(entry.topic for entry in bench.quarantine.recent()) == [
        f"{name}:{line}" for line in ((2, 3) if name == "log.csv" else (1, 2))
    ]


def test_import_paths_keeps_bad_lines_with_file_line_and_text(bench: Bench) -> None:
    lines = csv_text(3000)
    bad = {
        5: (b"2026-01-05T13:00:05Z,A,hot,1", "discharge_temp_c is 'hot', expected a number"),
        6: (b"2026-01-05T13:00:05Z,A,20", "3 cells, expected 4 as in the first line"),
        1400: (b"yesterday,A,20,1", "ts is 'yesterday', expected RFC 3339"),
        1401: (b",A,20,1", "time is '', expected RFC 3339"),
        2000: (b"2026-01-05T13:00:05Z,,20,1", "unit is '', expected 1 to 128 printable"),
        2001: (b"2026-01-05T13:00:05Z,a/b,20,1", "unit is 'a/b', expected 1 to 128 printable"),
        2500: (b"2026-01-05T13:00:05Z,A,inf,1", "discharge_temp_c is 'inf', expected a finite number"),
        2501: (b"2026-01-05T13:00:05Z,A,20,-7", "seq is '-7', expected a whole number"),
        2502: (b"2026-01-05,A,20,1", "ts is '2026-01-05', expected RFC 3339"),
        2900: (b"2026-01-05T13:00:05Z,\xff\xfe,20,1", "not a line of UTF-8 CSV"),
        2901: (b'2026-01-05T13:00:05Z,"A,20,1', "not a line of UTF-8 CSV"),
        2902: (b"\x00\x00\x00\x00", "1 cells, expected 4"),
        3001: (b"2026-01-05T13:0", "1 cells, expected 4"),
    }
    raw = [line.encode() for line in lines]
    for number, (text, _) in bad.items():
        raw[number - 1] = text
    report = bench.csv(b"\r\n".join(raw))
    assert report.rows_quarantined == len(bad) == bench.quarantine.count()
    assert report.rows_new == bench.store.count() == 3000 - len(bad)
    for entry in bench.quarantine.recent(100):
        name, _, number = entry.topic.partition(":")
        text, reason = bad[int(number)]
        assert name == "log.csv"
        assert entry.payload == text
        assert reason in entry.reason, number


def test_good_rows_read_by_lines_equal_those_read_by_columns(bench: Bench) -> None:
    header = "time,unit,discharge_temp_f,pressure_psi,hours,seq,received"
    rows = [
        f"2026-01-05T13:00:{second:02d}.{second:03d}Z,A,{180.37 + second},{141.3 + second},{412.35},{value},"
        f"{'' if second % 2 else '2026-01-05T14:00:00Z'}"
        for second, value in enumerate(["1", "", "3.0", "NaN", "5", "null", "7"])
    ]
    bench.csv("\n".join([header, *rows]))
    bench.csv("\n".join([header, *(row.replace(",A,", ",B,") for row in rows), "x,B,x,x,x,x,x"]), "odd.csv")
    a, b = bench.store.read("A"), bench.store.read("B")
    assert len(a) == len(b) == len(rows)
    assert a.seq.tolist() == b.seq.tolist() == [1, -1, 3, -1, 5, -1, 7]
    for name in ("observed_at_ms", "received_at_ms", "discharge_temp_c", "pressure_kpa", "hours", "quality"):
        assert getattr(a, name).tolist() == getattr(b, name).tolist(), name


def test_import_paths_flags_what_can_not_be_right_and_keeps_it(bench: Bench) -> None:
    bench.csv(
        "time,unit,discharge_temp_c\n2026-01-05T13:00:05Z,A,412\n1970-01-01T00:00:07Z,A,20\n2031-01-01T00:00:00Z,A,20\n"
    )
    assert bench.store.read("A").quality.tolist() == [
        Quality.CLOCK_WRONG,
        Quality.DISCHARGE_TEMP_OUT_OF_RANGE,
        Quality.CLOCK_WRONG,
    ]


def test_import_paths_keeps_a_contradicting_repeat_aside(bench: Bench) -> None:
    report = bench.csv(
        "time,unit,hours\n" + "".join(f"2026-01-05T13:00:05Z,A,{hours}\n" for hours in (1, 2, 1))
    )
    assert (report.rows_new, report.rows_repeated, report.rows_contradicting) == (1, 2, 1)
    assert bench.store.read("A").hours.tolist() == [1.0]
    assert [r.hours for r in bench.store.conflicts()] == [2.0]
    (entry,) = bench.quarantine.recent()
    assert entry.reason == (
        "contradicts the reading of unit 'A' that came first for 2026-01-05 13:00:05 UTC:"
        " hours 1 is kept, this says 2"
    )
    assert b'"hours":2.0' in entry.payload


def test_a_contradiction_imported_again_stays_one_entry(bench: Bench) -> None:
    for hours in (1, 2, 2, 1):
        bench.csv(f"time,unit,hours\n2026-01-05T13:00:05Z,A,{hours}\n")
    assert bench.quarantine.count() == 1


@pytest.mark.parametrize("compress", [bytes, gzip.compress], ids=["plain", "gzip"])
def test_import_paths_tells_kinds_by_content(bench: Bench, compress: type[bytes]) -> None:
    line = {"topic": "compressors/J/readings", "payload": {"ts": T0_MS, "hours": 1}}
    csv_path = bench.file("one.dat", compress(b"\xef\xbb\xbf" + "\n".join(csv_text(4)).encode()))
    json_path = bench.file("two.dat", compress(b"\xef\xbb\xbf" + json.dumps(line).encode()))
    report = bench.run(csv_path, json_path)
    assert report.units == {"A": 2, "B": 2, "J": 1}
    assert report.rows_quarantined == 0


def test_import_paths_reads_several_gzip_members_in_a_row(bench: Bench) -> None:
    lines = "\n".join(csv_text(10)) + "\n"
    half = len(lines) // 2
    bench.csv(gzip.compress(lines[:half].encode()) + gzip.compress(lines[half:].encode()))
    assert bench.store.count() == 10


def test_import_paths_keeps_what_comes_before_a_cut_in_gzip(bench: Bench) -> None:
    whole = gzip.compress("\n".join(csv_text(5000)).encode())
    report = bench.csv(whole[: len(whole) * 3 // 4], "cut.csv.gz")
    assert 1000 < report.rows_new < 5000
    (entry,) = bench.quarantine.recent()
    assert "cut off" in entry.reason
    assert entry.topic == f"cut.csv.gz:{report.rows_new + 2}"


def test_import_paths_reads_json_lines(bench: Bench) -> None:
    topic = "compressors/J/readings"
    ts = "2026-01-05T13:00:05Z"
    lines = [
        {"topic": topic, "received": "2026-01-05T13:00:09Z", "payload": {"ts": ts, "pressure_kpa": 980}},
        {"topic": topic, "received": T0_MS + 5000, "payload": json.dumps({"ts": T0_MS + 1000, "hours": 2})},
        {"topic": topic, "payload": [{"ts": T0_MS + 2000, "hours": 2}, {"ts": T0_MS + 3000, "hours": 2}]},
        {"topic": topic, "received": T0_MS + 9000, "payload": {"hours": 3}},
    ]
    report = bench.csv("\n\n".join(json.dumps(line) for line in lines), "log.jsonl")
    read = bench.store.read("J")
    assert (read.observed_at_ms - T0_MS).tolist() == [0, 1000, 2000, 3000, 9000]
    assert (read.received_at_ms - T0_MS).tolist() == [4000, 5000, 2000, 3000, 9000]
    assert read.quality.tolist() == [0, 0, 0, 0, Quality.RECEIVED_TIME_USED]
    assert (report.rows_read, report.rows_new) == (5, 5)


def test_import_paths_reads_readings_that_name_their_unit(bench: Bench) -> None:
    lines = [
        {"unit": "J", "ts": "2026-01-05T13:00:05Z", "received": "2026-01-05T13:00:09Z", "pressure_kpa": 980},
        {"unit_id": "J", "time": T0_MS + 1000, "pressure_bar": 7, "seq": 3, "operator": "somebody"},
        {"unit": "a/b", "ts": T0_MS, "hours": 1},
        {"unit": "J", "topic": "compressors/J/readings", "hours": 1},
        {"unit": 7, "ts": T0_MS, "hours": 1},
    ]
    report = bench.csv("\n".join(json.dumps(line) for line in lines), "log.jsonl")
    read = bench.store.read("J")
    assert (read.observed_at_ms - T0_MS).tolist() == [0, 1000]
    assert (read.received_at_ms - T0_MS).tolist() == [4000, 1000]
    assert read.pressure_kpa.tolist() == [980.0, 700.0]
    assert report.rows_quarantined == 3
    reasons = {entry.topic: entry.reason for entry in bench.quarantine.recent()}
    assert "unit is 'a/b', expected 1 to 128 printable" in reasons["log.jsonl:3"]
    assert "expected topic and payload, or a reading with its unit" in reasons["log.jsonl:4"]
    assert "unit" in reasons["log.jsonl:5"]


def test_import_paths_keeps_bad_json_lines(bench: Bench) -> None:
    good = {
        "topic": "compressors/J/readings",
        "payload": [{"ts": T0_MS, "hours": 2}, {"ts": T0_MS, "hours": "x"}],
    }
    bad = ["{", '{"topic": "other/J/readings", "payload": {}}', '{"payload": {"hours": 1}}', "[1]", '"x"']
    report = bench.csv("\n".join([json.dumps(good), *bad]), "log.jsonl")
    assert (report.rows_read, report.rows_new, report.rows_quarantined) == (7, 1, 6)
    assert sorted(entry.topic for entry in bench.quarantine.recent()) == [
        f"log.jsonl:{line}" for line in (1, 2, 3, 4, 5, 6)
    ]


def test_import_paths_walks_folders_and_takes_logs_only(bench: Bench) -> None:
    bench.file("logs/b.csv", "time,unit,hours\n2026-01-05T13:00:05Z,A,1\n")
    bench.file("logs/a.CSV.GZ", gzip.compress(b"time,unit,hours\n2026-01-05T13:00:06Z,A,1\n"))
    bench.file("logs/empty.csv", "")
    bench.file("logs/notes.txt", "nothing to see")
    bench.file("logs/.hidden.csv", "nothing to see")
    bench.file("logs/other.csv", "a,b\n1,2\n")
    report = bench.run(bench.folder / "logs", bench.folder / "logs" / "b.csv")
    assert report.rows_read == 2
    assert [path.name for path in report.files_passed_over] == [
        ".hidden.csv",
        "empty.csv",
        "notes.txt",
        "other.csv",
    ]


def test_import_paths_says_where_it_found_no_logs(bench: Bench) -> None:
    bench.file("logs/notes.txt", "nothing to see")
    with pytest.raises(LogFileError, match=r"no logs found in .*logs$"):
        bench.run(bench.folder / "logs")
    with pytest.raises(LogFileError, match=r"no logs found in .*empty\.csv$"):
        bench.csv("", "empty.csv")


def test_import_paths_reports_the_first_faults_with_file_and_line(bench: Bench) -> None:
    report = bench.csv("time,unit,hours\n" + "2026-01-05T13:00:05Z,A,x\n" * 7)
    assert report.first_faults == [f"log.csv:{n}: hours is 'x', expected a number" for n in range(2, 7)]
    assert report.rows_quarantined == 7


def test_import_paths_refuses_files_before_reading_any(bench: Bench) -> None:
    good = bench.file("good.csv", "time,unit,hours\n2026-01-05T13:00:05Z,A,1\n")
    with pytest.raises(LogFileError, match="expected each name once") as caught:
        bench.run(
            good, bench.file("a.csv", "date,truck,temp\n1,2,3\n"), bench.file("b.csv", "time,unit\n1,2\n")
        )
    first, second = caught.value.faults
    assert "a.csv: columns are 'date', 'truck', 'temp', expected" in first
    assert "b.csv: columns are 'time', 'unit', expected" in second
    with pytest.raises(LogFileError, match=r"missing\.csv: neither a file nor a folder"):
        bench.run(good, bench.folder / "missing.csv")
    assert bench.store.count() == 0


@pytest.mark.parametrize("header", ["time,ts,unit,hours", "time,unit,unit_id,hours", "time,unit,hours,hours"])
def test_import_paths_refuses_columns_that_stand_there_twice(bench: Bench, header: str) -> None:
    with pytest.raises(LogFileError, match="expected each name once"):
        bench.csv(f"{header}\n1,2,3,4\n")


def test_import_paths_tolerates_spaces_capitals_quotes_and_more_columns(bench: Bench) -> None:
    report = bench.csv(
        'Time , "Unit",Hours,operator,\n2026-01-05T13:00:05Z, A , 1.5 ,somebody,\n'
        '"2026-01-05T13:00:06Z", "A", "2",,\n'
    )
    assert bench.store.read("A").hours.tolist() == [1.5, 2.0]
    assert report.ignored_columns == {"operator", "column 5"}


def test_import_paths_dry_run_writes_nothing(bench: Bench) -> None:
    bench.csv("\n".join(csv_text(10)))
    path = bench.file("more.csv", "\n".join([*csv_text(20), "bad,line"]))
    report = bench.run(path, dry_run=True)
    assert (report.rows_read, report.rows_new, report.rows_repeated, report.rows_quarantined) == (
        21,
        10,
        10,
        1,
    )
    assert bench.store.count() == 10
    assert bench.quarantine.count() == 0


def test_import_paths_reports_progress_to_the_last_byte(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.log_text.read_blocks.__defaults__", (1000,))
    paths = [bench.file(f"{name}.csv", "\n".join(csv_text(200))) for name in "ab"]
    seen: list[tuple[int, int, int]] = []
    report = import_paths(
        paths,
        bench.store,
        bench.quarantine,
        received_at_ms=NOW_MS,
        on_progress=lambda done, total, rows: seen.append((done, total, rows)),
    )
    total = sum(path.stat().st_size for path in paths)
    assert len(seen) > 4
    assert seen == sorted(seen)
    assert seen[-1] == (total, total, 400)
    assert (report.rows_new, report.rows_repeated) == (200, 200)
    assert report.rows_quarantined == 0
