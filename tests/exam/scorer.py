"""Score a replay against an examination fleet's truth.

`python -m tests.exam.scorer --truth DIR --replay OUT [--list] [--json FILE]` reads `findings.json`,
`runs.json` and `water.json` of the replay. Findings and runs are matched with the truth by the product's own
`models.event_matching`; border episodes count neither way.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from models.event_matching import (
    MONTH_S,
    Occurrence,
    Told,
    delays,
    grace_s,
    hours_outside,
    is_early,
    match,
    match_runs,
)

PATTERNS = ("short_cycling", "never_reaching_temperature", "pressure_sensor_icing")
SHOWN_ROWS = 3
"""A run with fewer readings inside it than this can't be missed."""
SHOWN_S = 60.0
"""Nor can one shorter than this."""
NEARLY_G = 5.0
"""What oil may hold dissolved without anybody calling the sump wet; widens the bounds of daily water. [g]"""

Row = dict[str, Any]


def seconds(text: str | None) -> float:
    """Unix seconds of an RFC 3339 instant; inf for one that is still open."""
    return dt.datetime.fromisoformat(text).timestamp() if text else float("inf")


def with_seconds(rows: Iterable[Row]) -> list[Row]:
    """Rows with `start_s`, `end_s` beside their texts."""
    return [{**row, "start_s": seconds(row["start"]), "end_s": seconds(row.get("end"))} for row in rows]


def spread(values: Sequence[float] | np.ndarray) -> Row:
    """Median, p90, p95 and count; nothing but the count when empty."""
    if not len(values):
        return {"n": 0}
    q = np.percentile(np.asarray(values, dtype=float), [50, 90, 95])
    return {
        "n": len(values),
        "median": round(float(q[0]), 2),
        "p90": round(float(q[1]), 2),
        "p95": round(float(q[2]), 2),
    }


def _occurrence(episode: Row) -> Occurrence:
    moments = {"short_cycling": "wet_runs", "never_reaching_temperature": "runs"}.get(episode["pattern"])
    return Occurrence(
        unit_id=episode["unit"],
        pattern=episode["pattern"],
        start_s=episode["start_s"],
        end_s=episode["end_s"],
        marginal=episode["border"],
        decidable_s=seconds(episode["decidable_at"]),
        moments_s=tuple(seconds(t) for t in episode[moments]) if moments else (),
    )


def _told(finding: Row) -> Told:
    return Told(
        unit_id=finding["unit"],
        pattern=finding["pattern"],
        start_s=finding["start_s"],
        end_s=finding["end_s"],
        flagged_s=seconds(finding["first_flagged_at"]),
    )


def _context(finding: Row, chapters: list[Row]) -> str:
    """What the unit was up to when a finding was flagged."""
    at_s = min(seconds(finding["first_flagged_at"]), finding["end_s"])
    return "+".join(
        dict.fromkeys(
            c["kind"]
            for c in chapters
            if c["unit"] == finding["unit"] and c["start_s"] <= at_s and at_s <= c["end_s"] + 3600
        )
    )


def score_pattern(
    pattern: str,
    truth: list[Row],
    findings: list[Row],
    chapters: list[Row],
    months: float,
    until_s: float = float("inf"),
) -> Row:
    """Event scores of one pattern; `truth` and `findings` carry `start_s`, `end_s`."""
    grace = grace_s(pattern)
    truth = [e for e in truth if e["pattern"] == pattern]
    findings = [f for f in findings if f["pattern"] == pattern]
    occurrences, told = [_occurrence(e) for e in truth], [_told(f) for f in findings]
    met = match(occurrences, told, grace)
    sure = [e for e in truth if not e["border"]]
    kinds_all = Counter(e["kind"] for e in sure)
    kinds_found = Counter(truth[i]["kind"] for i in met.first_told)
    late: dict[str, list[float]] = defaultdict(list)
    for i, j in met.first_told.items():
        for name, value in delays(occurrences[i], told[j].flagged_s).items():
            late[name].append(value)
    early, outside_h = 0, 0.0
    for j, places in met.meets.items():
        mine = [occurrences[i] for i in places]
        early += is_early(told[j], mine, grace)
        outside_h += hours_outside(told[j], mine, grace, until_s) if mine else 0.0
    missed, wrong = [truth[i] for i in met.missed], [findings[j] for j in met.wrong]
    right, neutral = met.right, met.neutral
    found = len(sure) - len(missed)
    judged = len(right) + len(wrong)
    return {
        "episodes": len(sure),
        "border": len(truth) - len(sure),
        "found": found,
        "recall": found / len(sure) if sure else None,
        "findings": len(findings),
        "right": len(right),
        "neutral": len(neutral),
        "false_alarms": len(wrong),
        "precision": len(right) / judged if judged else None,
        "false_alarms_per_unit_month": len(wrong) / months if months else None,
        "early": early,
        "hours_outside_per_unit_month": outside_h / months if months else None,
        "recall_by_kind": {k: f"{kinds_found[k]}/{n}" for k, n in sorted(kinds_all.items())},
        "delays": {name: spread(values) for name, values in late.items()},
        "missed": [
            {k: e.get(k) for k in ("unit", "kind", "start", "end", "severity", "form")} for e in missed
        ],
        "wrong": [
            {
                **{
                    k: f.get(k)
                    for k in ("unit", "start", "end", "first_flagged_at", "confidence", "evidence")
                },
                "during": _context(f, chapters),
            }
            for f in wrong
        ],
    }


def _of_unit(rows: list[Row]) -> dict[str, list[Row]]:
    by_unit: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by_unit[row["unit"]].append(row)
    return by_unit


def score_runs(truth: list[Row], runs: list[Row]) -> Row:
    """Run detection: each true run against the found run that covers most of it."""
    start_error, end_error, missed, invented = [], [], [], []
    short_missed = split = merged = 0
    true_of, found_of = _of_unit(truth), _of_unit(runs)
    for unit in sorted(true_of | found_of):
        true, found = true_of[unit], found_of[unit]
        met = match_runs(_spans_s(true), _spans_s(found))
        split, merged = split + met.split, merged + met.merged
        invented += [{k: found[j].get(k) for k in ("unit", "start", "end")} for j in met.invented]
        for t, j in zip(true, met.best, strict=True):
            shown = t["rows"] >= SHOWN_ROWS and t["end_s"] - t["start_s"] >= SHOWN_S
            if j >= 0 and shown and np.isfinite(found[j]["end_s"]):
                start_error.append(found[j]["start_s"] - t["start_s"])
                end_error.append(found[j]["end_s"] - t["end_s"])
            elif j < 0 and shown:
                missed.append({k: t[k] for k in ("unit", "start", "end", "rows")})
            elif j < 0:
                short_missed += 1
    return {
        "true_runs": len(truth),
        "found_runs": len(runs),
        "missed": len(missed),
        "missed_unshown": short_missed,
        "invented": len(invented),
        "split": split,
        "merged": merged,
        "start_error_s": {"bias": _median(start_error), "abs": spread(np.abs(start_error))},
        "end_error_s": {"bias": _median(end_error), "abs": spread(np.abs(end_error))},
        "missed_list": missed,
        "invented_list": invented,
    }


def _spans_s(rows: list[Row]) -> np.ndarray:
    return np.array([(row["start_s"], row["end_s"]) for row in rows], dtype=float).reshape(-1, 2)


def _median(values: Sequence[float]) -> float | None:
    return round(float(np.median(values)), 2) if len(values) else None


def score_water(truth: list[Row], water: list[Row]) -> Row:
    """Daily retained water: error of the estimate, and how often its bounds hold the truth."""
    said = {(w["unit"], w["date"]): w for w in water}
    pairs = [(t["grams"], said[t["unit"], t["date"]]) for t in truth if (t["unit"], t["date"]) in said]
    if not pairs:
        return {"days": len(truth), "reported": 0}
    true_g = np.array([t for t, _ in pairs])
    grams, low, high = (np.array([w[k] for _, w in pairs], dtype=float) for k in ("grams", "low", "high"))
    inside = (true_g >= low - 1e-9) & (true_g <= high + 1e-9)
    nearly = (true_g >= low - NEARLY_G) & (true_g <= high + NEARLY_G)
    wet = true_g > 10.0
    return {
        "days": len(truth),
        "reported": len(pairs),
        "error_g": {"bias": _median(grams - true_g), "abs": spread(np.abs(grams - true_g))},
        "wet_days": int(wet.sum()),
        "wet_day_ratio": spread((grams / np.maximum(true_g, 1e-9))[wet]),
        "share_within_bounds": round(float(inside.mean()), 3),
        "share_nearly_within_bounds": round(float(nearly.mean()), 3),
        "share_within_bounds_wet": round(float(inside[wet].mean()), 3) if wet.any() else None,
        "bounds_width_g": spread(high - low),
        "harmful_agreed": round(float(np.mean((grams > 41.5) == (true_g > 41.5))), 3),
    }


def score(truth_dir: Path, replay_dir: Path) -> Row:
    """Every score of a replay."""

    def rows(folder: Path, name: str) -> list[Row]:
        loaded: list[Row] = json.loads((folder / name).read_text(encoding="utf-8"))
        return loaded

    truth = with_seconds(rows(truth_dir, "truth.json"))
    chapters = with_seconds(rows(truth_dir, "truth_chapters.json"))
    findings = with_seconds(rows(replay_dir, "findings.json"))
    true_runs = with_seconds(rows(truth_dir, "truth_runs.json"))
    true_water = rows(truth_dir, "truth_water.json")
    months = len(true_water) * 86_400 / MONTH_S
    until_s = max(seconds(w["date"] + "T00:00:00Z") for w in true_water) + 86_400
    out: Row = {"unit_months": round(months, 2), "patterns": {}}
    for pattern in PATTERNS:
        out["patterns"][pattern] = score_pattern(pattern, truth, findings, chapters, months, until_s)
    out["other_findings"] = dict(Counter(f["pattern"] for f in findings if f["pattern"] not in PATTERNS))
    out["runs"] = score_runs(true_runs, with_seconds(rows(replay_dir, "runs.json")))
    out["water"] = score_water(true_water, rows(replay_dir, "water.json"))
    return out


def render(result: Row, listing: bool) -> str:
    """The scores as text; with a listing of every miss and false alarm when asked."""
    lines = [f"{result['unit_months']} unit-months"]
    for pattern, s in result["patterns"].items():
        recall, precision = (
            f"{100 * s[k]:.1f} %" if s[k] is not None else "-" for k in ("recall", "precision")
        )
        lines += [
            (
                f"\n{pattern}: recall {recall} ({s['found']}/{s['episodes']}, {s['border']} border), "
                f"precision {precision} ({s['right']} right, {s['false_alarms']} false, "
                f"{s['neutral']} neutral), "
                f"{s['false_alarms_per_unit_month'] or 0:.3f} false alarms per unit-month"
            ),
            (
                f"  flagged early {s['early']}, standing outside its episodes "
                f"{s['hours_outside_per_unit_month'] or 0:.1f} h per unit-month"
            ),
            "  recall by kind: " + ", ".join(f"{k} {v}" for k, v in s["recall_by_kind"].items()),
            "  delay: " + "; ".join(f"{k} {v}" for k, v in s["delays"].items()),
        ]
        if listing:
            lines += [f"  MISSED {json.dumps(e)}" for e in s["missed"]]
            lines += [f"  FALSE {json.dumps(f)}" for f in s["wrong"]]
    for part in ("runs", "water"):
        shown = {k: v for k, v in result[part].items() if not k.endswith("_list")}
        lines.append(f"\n{part}: " + json.dumps(shown))
    if listing:
        lines += [f"  MISSED RUN {json.dumps(r)}" for r in result["runs"]["missed_list"]]
        lines += [f"  INVENTED RUN {json.dumps(r)}" for r in result["runs"]["invented_list"]]
    if result["other_findings"]:
        lines.append(f"\nother findings, not scored: {json.dumps(result['other_findings'])}")
    return "\n".join(lines)


def main(argv: list[str] | None = None) -> int:
    """Print the scores."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--truth", type=Path, required=True)
    words.add_argument("--replay", type=Path, required=True)
    words.add_argument("--list", action="store_true")
    words.add_argument("--json", type=Path)
    chosen = words.parse_args(argv)
    result = score(chosen.truth, chosen.replay)
    sys.stdout.write(render(result, chosen.list) + "\n")
    if chosen.json:
        chosen.json.write_text(json.dumps(result, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
