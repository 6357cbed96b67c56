from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

from dewline.replay import Span, SpanError, finding_row, water_row, write_json
from models.records import Evidence, Finding, Pattern, WaterDay

AT = dt.datetime(2026, 1, 5, 13, 0, 5, tzinfo=dt.UTC)


def test_finding_row_has_the_promised_keys(tmp_path: Path) -> None:
    finding = Finding(
        finding_id="f",
        unit_id="A7",
        pattern=Pattern.SHORT_CYCLING,
        start_at=AT,
        end_at=None,
        first_flagged_at=AT,
        confidence=0.9,
        evidence=(Evidence(text="4 wet runs in 7 days", name="wet_runs", value=float("nan")),),
        run_start_at=None,
    )
    write_json(tmp_path / "findings.json", [finding_row(finding)])
    (row,) = json.loads((tmp_path / "findings.json").read_text(encoding="utf-8"))
    assert list(row) == ["unit", "pattern", "start", "end", "first_flagged_at", "confidence", "evidence"]
    assert row["start"] == "2026-01-05T13:00:05Z"
    assert row["end"] is None
    assert row["evidence"][0]["value"] is None


def test_water_row(tmp_path: Path) -> None:
    day = WaterDay(unit_id="A7", date=AT.date(), grams=12.5, low=3.0, high=float("nan"))
    write_json(tmp_path / "water.json", [water_row(day)])
    (row,) = json.loads((tmp_path / "water.json").read_text(encoding="utf-8"))
    assert row == {"unit": "A7", "date": "2026-01-05", "grams": 12.5, "low": 3.0, "high": None}


def test_write_json_rounds_numbers_and_nothing_else(tmp_path: Path) -> None:
    evidence = Evidence(text="0.123456", name="x", value=-1e-9)
    write_json(tmp_path / "x.json", [{"tiny": 5.7e-40, "g": 12.34567, "n": 7, "at": AT, "in": (evidence,)}])
    text = (tmp_path / "x.json").read_text(encoding="utf-8")
    (row,) = json.loads(text)
    assert row == {
        "tiny": 0.0,
        "g": 12.3457,
        "n": 7,
        "at": "2026-01-05T13:00:05Z",
        "in": [{"text": "0.123456", "name": "x", "value": 0.0}],
    }
    assert "-0.0" not in text


def test_write_json_leaves_no_part_behind(tmp_path: Path) -> None:
    write_json(tmp_path / "runs.json", [])
    assert [path.name for path in tmp_path.iterdir()] == ["runs.json"]
    assert json.loads((tmp_path / "runs.json").read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("text", ["2026-01-05", "2026-01-05T00:00:00Z", "2026-01-04T18:00:00-06:00"])
def test_span_same_instant_however_written(text: str) -> None:
    assert Span.of(text, None).start_ms == 1_767_571_200_000


def test_span_wrong_way_round() -> None:
    with pytest.raises(SpanError, match="not after"):
        Span.of("2026-01-05", "2026-01-05")


def test_span_no_instant() -> None:
    with pytest.raises(SpanError, match="yesterday"):
        Span.of("yesterday", None)
