"""The scorer on small cases worked out by hand, and the truth-makers on made-up hidden states."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import psychrolib
import pytest

from . import hidden, scorer, truth, write_fleet
from .humid_air import dew_point_c, saturation_pa

psychrolib.SetUnitSystem(psychrolib.SI)

NEVER, CYCLING, ICING = "never_reaching_temperature", "short_cycling", "pressure_sensor_icing"


def episode(unit: str, pattern: str, start: str, end: str, *, border: bool = False) -> scorer.Row:
    raw = {
        "unit": unit,
        "pattern": pattern,
        "start": f"2026-02-{start}:00Z",
        "end": f"2026-02-{end}:00Z",
        "decidable_at": f"2026-02-{start}:00Z",
        "kind": "made_up",
        "border": border,
        "wet_runs": [f"2026-02-{start}:00Z", f"2026-02-{end}:00Z"],
        "runs": [f"2026-02-{start}:00Z"],
    }
    return scorer.with_seconds([raw])[0]


def finding(unit: str, pattern: str, start: str, end: str | None, flagged: str) -> scorer.Row:
    raw = {
        "unit": unit,
        "pattern": pattern,
        "start": f"2026-02-{start}:00Z",
        "end": f"2026-02-{end}:00Z" if end else None,
        "first_flagged_at": f"2026-02-{flagged}:00Z",
    }
    return scorer.with_seconds([raw])[0]


def test_score_pattern_counts_split_findings_once_and_each_as_right() -> None:
    cases = [episode("a", ICING, "01T06:00", "01T12:00")]
    said = [
        finding("a", ICING, "01T06:10", "01T07:00", "01T06:20"),
        finding("a", ICING, "01T11:00", None, "01T11:05"),
        finding("b", ICING, "01T06:10", "01T07:00", "01T06:20"),
    ]
    result = scorer.score_pattern(ICING, cases, said, [], 2.0)
    assert (result["found"], result["right"], result["false_alarms"]) == (1, 2, 1)
    assert result["precision"] == pytest.approx(2 / 3)
    assert result["false_alarms_per_unit_month"] == 0.5
    assert result["delays"]["min_from_start"]["median"] == 20.0


@pytest.mark.parametrize(("start", "found"), [("01T12:59", 1), ("01T13:01", 0)])
def test_score_pattern_grace_is_an_hour_for_icing(start: str, found: int) -> None:
    cases = [episode("a", ICING, "01T06:00", "01T12:00")]
    result = scorer.score_pattern(ICING, cases, [finding("a", ICING, start, "01T14:00", start)], [], 1.0)
    assert (result["found"], result["false_alarms"]) == (found, 1 - found)


def test_score_pattern_shows_a_finding_that_stands_early_and_long() -> None:
    cases = [episode("a", ICING, "01T06:00", "01T12:00")]
    said = [finding("a", ICING, "01T00:00", None, "01T00:10")]
    until_s = scorer.seconds("2026-02-02T00:00:00Z")
    result = scorer.score_pattern(ICING, cases, said, [], 1.0, until_s)
    assert (result["right"], result["early"]) == (1, 1)
    assert result["hours_outside_per_unit_month"] == 5.0 + 11.0


def test_score_pattern_border_counts_neither_way() -> None:
    cases = [
        episode("a", NEVER, "01T06:00", "01T07:00", border=True),
        episode("b", NEVER, "01T06:00", "01T07:00", border=True),
    ]
    result = scorer.score_pattern(
        NEVER, cases, [finding("a", NEVER, "01T06:00", "01T07:00", "01T06:20")], [], 1.0
    )
    assert (result["episodes"], result["neutral"], result["false_alarms"]) == (0, 1, 0)
    assert result["recall"] is None
    assert result["precision"] is None


def test_score_pattern_counts_wet_runs_until_the_flag() -> None:
    cases = [episode("a", CYCLING, "03T06:00", "05T06:00")]
    result = scorer.score_pattern(
        CYCLING, cases, [finding("a", CYCLING, "03T06:00", None, "04T06:00")], [], 1.0
    )
    assert result["delays"]["wet_runs"]["median"] == 1.0
    assert result["delays"]["min_from_decidable"]["median"] == 1440.0


def run(start: str, end: str, rows: int = 9) -> scorer.Row:
    raw = {"unit": "a", "start": f"2026-02-01T{start}Z", "end": f"2026-02-01T{end}Z", "rows": rows}
    return scorer.with_seconds([raw])[0]


def test_score_runs_tells_missed_merged_and_invented_apart() -> None:
    true = [
        run("06:00:00", "06:10:00"),
        run("06:12:00", "06:20:00"),
        run("08:00:00", "08:05:00"),
        run("09:00:00", "09:05:00", 1),
    ]
    said = [run("06:00:30", "06:20:10"), run("11:00:00", "11:01:00")]
    result = scorer.score_runs(true, said)
    assert (result["missed"], result["missed_unshown"], result["merged"], result["invented"]) == (1, 1, 1, 1)
    assert result["start_error_s"]["abs"]["n"] == 2
    assert result["start_error_s"]["bias"] == -330.0


def test_score_water_share_within_bounds() -> None:
    true = [{"unit": "a", "date": f"2026-02-0{d}", "grams": 20.0} for d in (1, 2, 3)]
    said = [
        {"unit": "a", "date": "2026-02-01", "grams": 25.0, "low": 10.0, "high": 30.0},
        {"unit": "a", "date": "2026-02-02", "grams": 50.0, "low": 40.0, "high": 60.0},
    ]
    result = scorer.score_water(true, said)
    assert (result["reported"], result["share_within_bounds"], result["harmful_agreed"]) == (2, 0.5, 0.5)
    assert result["share_nearly_within_bounds"] == 0.5
    assert result["error_g"]["bias"] == 17.5


@pytest.mark.external
@pytest.mark.parametrize("t_c", [1.0, 21.0, 50.0, 80.0, 100.0])
def test_saturation_against_ashrae(t_c: float) -> None:
    """ASHRAE Handbook - Fundamentals, chapter 1, as psychrolib computes it; 0.3 %: a three-constant fit."""
    assert saturation_pa(t_c) == pytest.approx(psychrolib.GetSatVapPres(t_c), rel=3e-3)
    assert dew_point_c(np.array([saturation_pa(t_c)]))[0] == pytest.approx(t_c, abs=1e-6)


def course(n: int = 4000) -> hidden.Hidden:
    return hidden.Hidden(
        np.zeros((n, hidden.N_CHANNELS), dtype=np.float32), *(np.zeros(0, np.int64),) * 3, 380.0, 101.3
    )


@pytest.mark.parametrize(("error_kpa", "expected"), [(30.0, None), (80.0, True), (300.0, False)])
def test_icing_truth_by_size_of_error(error_kpa: float, expected: bool | None) -> None:
    made = course()
    made.grid[1000:2000, hidden.ICE] = 2.0
    made.grid[1200:1800, hidden.READING_KPA] = error_kpa
    found = truth.icing(made, np.arange(0, 20_000, 30))
    assert [e["border"] for e in found] == ([] if expected is None else [expected])
    if found:
        assert (found[0]["start_s"], found[0]["end_s"]) == (6000, 9000)


def test_icing_truth_of_a_silent_truck_is_border() -> None:
    made = course()
    made.grid[1000:2000, hidden.ICE] = 2.0
    made.grid[1000:2000, hidden.READING_KPA] = 500.0
    assert [e["border"] for e in truth.icing(made, np.arange(0, 4000, 30))] == [True]


def facts(
    length_min: float, n: int = 8, gain_g: float = 12.0, hot_s: float = 0.0, over_k: float = -20.0
) -> truth.RunFacts:
    """Runs every 10 h that each leave the same water behind and are hot at their end, if at all."""
    start = 36_000 * np.arange(1, n + 1)
    end = start + int(60 * length_min)
    first_hot = np.full(n, 60 * length_min - hot_s if hot_s else np.inf)
    return truth.RunFacts(
        start, end, np.full(n, hot_s), first_hot, np.full(n, -over_k), np.full(n, gain_g), np.ones(n)
    )


def soaked(runs: truth.RunFacts) -> hidden.Hidden:
    """Water that climbs with each run and never leaves."""
    made = course(int(runs.end_s[-1]) // 5 + 5000)
    for at_s, gain in zip(runs.end_s, runs.gain_g, strict=True):
        made.grid[at_s // 5 :, hidden.WATER_G] += gain
        made.grid[at_s // 5 :, hidden.FREE_G] += gain
    return made


@pytest.mark.parametrize(
    ("runs", "expected"),
    [
        (facts(3.0), [False]),
        (facts(15.5), [True]),
        (facts(25.0), []),
        (facts(3.0, hot_s=600.0), []),
        (facts(3.0, gain_g=0.1), []),
        (facts(3.0, n=3, gain_g=40.0), [True]),
        (facts(3.0, n=2, gain_g=80.0), []),
        (facts(3.0, gain_g=5.0), [True]),
    ],
)
def test_short_cycling_truth_by_run_and_water(runs: truth.RunFacts, expected: list[bool]) -> None:
    assert [e["border"] for e in truth.short_cycling(soaked(runs), runs)] == expected


@pytest.mark.parametrize(
    ("length_min", "warm_up_s", "expected"),
    [
        (40.0, 300.0, [False]),
        (40.0, float("inf"), []),
        (16.0, 300.0, [True]),
        (10.0, 60.0, []),
        (40.0, 1190.0, [True]),
    ],
)
def test_never_reaching_truth_needs_a_healthy_twin_that_would(
    length_min: float, warm_up_s: float, expected: list[bool]
) -> None:
    found = truth.never_reaching(facts(length_min), lambda run, horizon_s, full: warm_up_s)
    assert [e["border"] for e in found] == expected


@pytest.mark.parametrize(
    ("hot_s", "over_k", "warm_up_s", "expected"),
    [
        (1200.0, 12.0, 300.0, [True]),
        (1200.0, 12.0, 900.0, []),
        (1800.0, 12.0, 300.0, []),
        (200.0, 1.0, 1300.0, [True]),
        (200.0, 8.0, 1300.0, []),
    ],
)
def test_never_reaching_truth_is_border_when_hot_late_or_barely(
    hot_s: float, over_k: float, warm_up_s: float, expected: list[bool]
) -> None:
    runs = facts(40.0, hot_s=hot_s, over_k=over_k)
    found = truth.never_reaching(runs, lambda run, horizon_s, full: warm_up_s)
    assert [e["border"] for e in found] == expected


@pytest.mark.slow
@pytest.mark.parametrize("simulator", ["1", "2"])
def test_write_fleet_then_score_perfect_and_empty_replays(simulator: str, tmp_path: Path) -> None:
    fleet, perfect, empty = (tmp_path / name for name in ("fleet", "perfect", "empty"))
    args = ["--simulator", simulator, "--seed", "1", "--units", "6", "--days", "24", "--out", str(fleet)]
    assert write_fleet.main(args) == 0
    cases = json.loads((fleet / "truth.json").read_text())
    water = json.loads((fleet / "truth_water.json").read_text())
    said = [{**e, "first_flagged_at": e["decidable_at"], "confidence": 1.0, "evidence": []} for e in cases]
    for folder, findings, runs, days in (
        (perfect, said, json.loads((fleet / "truth_runs.json").read_text()), water),
        (empty, [], [], []),
    ):
        folder.mkdir()
        (folder / "findings.json").write_text(json.dumps(findings))
        (folder / "runs.json").write_text(json.dumps(runs))
        (folder / "water.json").write_text(
            json.dumps([{**w, "low": w["grams"], "high": w["grams"]} for w in days])
        )
    best, worst = scorer.score(fleet, perfect), scorer.score(fleet, empty)
    assert sum(p["episodes"] for p in best["patterns"].values()) > 0
    for pattern in best["patterns"].values():
        assert pattern["found"] == pattern["episodes"]
        assert pattern["false_alarms"] == 0
    assert all(p["found"] == 0 for p in worst["patterns"].values())
    assert best["runs"]["missed"] == best["runs"]["invented"] == 0
    assert worst["runs"]["missed"] > 0
    assert best["water"]["share_within_bounds"] == 1.0
    assert "MISSED" in scorer.render(worst, listing=True)
