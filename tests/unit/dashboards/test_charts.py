"""Chart options and colours."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import asdict, replace
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import numpy as np
import pytest

from dashboards import charts
from dashboards.app import STATIC_DIR
from dashboards.chart_marks import WORK
from dashboards.chart_series import wall_ms
from dashboards.display import System, ms_of
from dashboards.lines import unit_lines
from dashboards.palette import DARK, LIGHT, Palette
from dashboards.sources import WorkView
from ingest.maintenance import Work
from models.records import Pattern
from tests.unit.dashboards import invented
from tests.unit.dashboards.invented import NOW, NOW_MS

TZ = ZoneInfo("America/Chicago")
WEEK_MS = 7 * 86_400_000


def options(system: System = System.SI, **changes: Any) -> dict[str, Any]:
    lines = unit_lines(invented.trace("rm-03", NOW_MS - WEEK_MS, NOW_MS), NOW_MS - WEEK_MS, NOW_MS)
    wanted: dict[str, Any] = {
        "runs": invented.runs(3),
        "findings": [invented.finding(3, Pattern.SHORT_CYCLING)],
        "system": system,
        "tz": TZ,
        "palette": LIGHT,
        "harmful_g": 41.5,
        "now": NOW,
    }
    return charts.unit_chart(lines, **(wanted | changes))


def series(chart: dict[str, Any], name: str) -> list[dict[str, Any]]:
    return [one for one in chart["series"] if one["name"] == name]


def test_unit_chart_is_plain_json() -> None:
    assert msgspec.json.encode(options())


def test_unit_chart_converts_units() -> None:
    peak_c = max(y for _, y in series(options(), "Discharge")[0]["data"])
    peak_f = max(y for _, y in series(options(System.US), "Discharge")[0]["data"])
    assert peak_f == pytest.approx(peak_c * 9 / 5 + 32, abs=0.15)


def test_a_reading_without_neighbours_is_drawn_as_a_point() -> None:
    # Three readings, each an hour from the next, then two that a line joins.
    at_ms = NOW_MS - np.array([300, 240, 180, 11, 10], dtype=np.int64) * 60_000
    few = invented.trace("rm-03", NOW_MS - 50_000, NOW_MS)
    few = replace(few, readings=replace(few.readings, observed_at_ms=at_ms))
    lines = unit_lines(few, NOW_MS - WEEK_MS, NOW_MS)
    chart = charts.unit_chart(lines, [], [], system=System.SI, tz=TZ, palette=LIGHT, harmful_g=41.5, now=NOW)
    points = series(chart, "Discharge")[0]["data"]
    assert [one["symbol"] for one in points if isinstance(one, dict)] == ["circle"] * 3
    assert len([one for one in points if isinstance(one, list) and one[1] is not None]) == 2


def test_runs_are_shaded_in_every_pane_and_told_apart_by_shape() -> None:
    chart = options()
    dried = series(chart, "Run: dried out")
    assert [one["xAxisIndex"] for one in dried] == [0, 1, 2]
    assert len({len(one["markArea"]["data"]) for one in dried}) == 1
    names = ("Run: dried out", "Run: water as before", "Run: added water")
    assert len({series(chart, name)[0]["symbol"] for name in names}) == 3
    assert {entry["name"] for entry in chart["legend"]["data"]} >= set(names)


def test_a_run_that_lasts_is_shaded_up_to_now() -> None:
    lasting = msgspec.structs.replace(invented.runs(3)[-1], end_at=None)
    area = [
        s["markArea"]["data"] for s in options(runs=[lasting])["series"] if s.get("markArea", {}).get("data")
    ]
    # 15:30 UTC is 09:30 in Chicago in February (UTC-6).
    assert area[0][0][1]["xAxis"] == ms_of(dt.datetime(2026, 2, 11, 9, 30, tzinfo=dt.UTC))


def test_findings_outside_the_range_are_left_out() -> None:
    early = invented.finding(3, Pattern.SHORT_CYCLING, NOW - dt.timedelta(days=30))
    assert series(options(findings=[early]), "Finding")[0]["markLine"]["data"] == []


def drops(chart: dict[str, Any]) -> list[dict[str, Any]]:
    return [mark for one in series(chart, WORK) for mark in one["markLine"]["data"]]


def work(number: int, what: Work, hours_ago: float, *, taken_back: bool = False) -> WorkView:
    at = NOW - dt.timedelta(hours=hours_ago)
    return WorkView(
        number=number,
        work=what,
        done_at=at,
        recorded_at=NOW,
        recorded_by="Yard desk",
        taken_back_at=NOW if taken_back else None,
    )


def test_work_on_the_sump_is_marked_by_word_and_shape_where_it_was_done() -> None:
    chart = options(work=[work(1, Work.DRAIN, 30.0), work(2, Work.OIL_CHANGE, 2.0)])
    (one,) = series(chart, WORK)
    assert one["xAxisIndex"] == 2, "where the water is drawn"
    assert [mark["label"]["formatter"] for mark in drops(chart)] == ["Drain", "Oil change"]
    # 15:30 UTC less two hours is 07:30 in Chicago in February (UTC-6).
    assert drops(chart)[1]["xAxis"] == ms_of(dt.datetime(2026, 2, 11, 7, 30, tzinfo=dt.UTC))
    icons = [entry["icon"] for entry in chart["legend"]["data"]]
    assert one["markLine"]["symbol"][1] in icons
    assert len(set(icons)) >= 7, "told apart by shape"


@pytest.mark.parametrize(
    "one",
    [work(1, Work.DRAIN, 3.0, taken_back=True), work(1, Work.DRAIN, 24 * 30.0)],
    ids=["undone", "before"],
)
def test_work_that_does_not_count_or_was_done_before_the_range_is_not_marked(one: WorkView) -> None:
    chart = options(work=[one])
    assert drops(chart) == []
    assert WORK not in {entry["name"] for entry in chart["legend"]["data"]}


def test_wall_ms_over_a_change_to_summer_time() -> None:
    # United States, 2026: clocks go from 02:00 to 03:00 on 8 March (15 U.S.C. 260a).
    at = [dt.datetime(2026, 3, 8, 7, 59, tzinfo=dt.UTC), dt.datetime(2026, 3, 8, 8, 0, tzinfo=dt.UTC)]
    shown = wall_ms(np.array([ms_of(one) for one in at]), TZ)
    wall = [dt.datetime.fromtimestamp(int(ms) / 1000, dt.UTC).strftime("%H:%M") for ms in shown]
    assert wall == ["01:59", "03:00"]


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, "relative luminance" definition."""
    channels = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2, "contrast ratio" definition."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula_at_its_ends() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("palette", [LIGHT, DARK])
def test_chart_marks_stand_out(palette: Palette) -> None:
    # WCAG 2.2, 1.4.11: 3:1 for graphical objects; 1.4.3: 4.5:1 for text.
    colours = asdict(palette)
    for name in colours.keys() - {"surface", "grid", "band"}:
        wanted = 4.5 if name in ("ink", "soft") else 3.0
        assert contrast(colours[name], palette.surface) >= wanted, name


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_page_texts_stand_out(theme: str) -> None:
    css = (STATIC_DIR / "board.css").read_text()
    block = re.search(r":root \{(.*?)\}" if theme == "light" else r"body--dark \{(.*?)\}", css, re.S)
    assert block is not None
    found = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block[1]))
    pairs = [(text, ground) for text in ("ink", "soft", "accent", "good") for ground in ("bg", "surface")]
    pairs += [("bad", "bad-bg"), ("caution", "caution-bg"), ("ink", "caution-bg"), ("accent-ink", "accent")]
    for text, ground in pairs:
        assert contrast(found[text], found[ground]) >= 4.5, (text, ground)
