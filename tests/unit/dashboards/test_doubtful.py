"""Doubtful readings: converted values are drawn, marked and said, and the last day is told in plain words."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from dashboards.charts import unit_chart
from dashboards.display import System
from dashboards.doubtful import in_words, of_last_day
from dashboards.lines import UnitLines, unit_lines
from dashboards.palette import LIGHT
from ingest.quality import OUT_OF_RANGE, Quality
from models import doubts
from models.trace import Trace
from tests.unit.dashboards.invented import NOW, NOW_MS, status, trace
from tests.unit.dashboards.test_lines import DAY_MS

START_MS = NOW_MS - DAY_MS


def flagged(flags: dict[int, int]) -> Trace:
    day = trace("rm-01", START_MS, NOW_MS)
    quality = day.quality.copy()
    for row, flag in flags.items():
        quality[row] = flag
    return replace(day, quality=quality)


def lines_of(day: Trace) -> UnitLines:
    return unit_lines(day, START_MS, NOW_MS)


def test_a_converted_value_is_drawn_in_place_of_the_one_that_came() -> None:
    day = flagged(dict.fromkeys(range(2000, 2500), int(Quality.UNIT_SWAPPED)))
    came = day.readings.discharge_temp_c.copy()
    came[2000:2500] = 1.8 * came[2000:2500] + 250.0
    # What the door said of the number as it came does not stand against the converted one.
    door = np.where(came > 200.0, int(OUT_OF_RANGE["discharge_temp_c"]), 0)
    swapped = replace(day, readings=replace(day.readings, discharge_temp_c=came, quality=door))
    lines, plain = lines_of(swapped), lines_of(trace("rm-01", START_MS, NOW_MS))
    np.testing.assert_array_equal(lines.discharge_c.values, plain.discharge_c.values)
    assert not len(lines.left_out.discharge_at_ms)
    assert lines.doubtful.counts["unit_swapped"] == len(lines.doubtful.at_ms) == 500


def test_doubtful_readings_are_said_in_one_line_and_marked_in_chart_and_legend() -> None:
    day = flagged({5: int(Quality.METER_RESET), 6: int(Quality.REPEATED), 7: int(Quality.REPEATED)})
    lines = lines_of(day)
    said = in_words(lines.doubtful)
    assert "2 old messages again" in said
    assert "1 with an impossible step of the hour meter" in said
    for one, marked in ((lines, True), (lines_of(flagged({})), False)):
        chart = unit_chart(one, [], [], system=System.US, tz=dt.UTC, palette=LIGHT, harmful_g=41.5, now=NOW)
        marks = [series for series in chart["series"] if series["name"] == "Doubtful"]
        assert bool(marks) == marked
        assert ("Doubtful" in [entry["name"] for entry in chart["legend"]["data"]]) == marked
    assert len(marks) == 0
    assert in_words(lines_of(flagged({})).doubtful) == ""


@pytest.mark.parametrize("kind", doubts.NAMES)
def test_every_kind_of_doubt_is_told_in_words(kind: str) -> None:
    (many,) = of_last_day(status(1, NOW, doubtful={kind: 312}))
    (one,) = of_last_day(status(1, NOW, doubtful={kind: 1}))
    assert many.startswith("312 ")
    assert one.startswith("1 ")
    assert "_" not in many
    if kind.startswith("pressure") and kind != "pressure_out_of_range":
        assert "second gauge" in many


def test_without_doubts_nothing_is_said() -> None:
    assert of_last_day(status(1, NOW)) == []
