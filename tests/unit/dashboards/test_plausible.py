"""What of a trace is drawn, and what is left out and said."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dashboards.charts import unit_chart
from dashboards.display import System
from dashboards.lines import UnitLines, unit_lines
from dashboards.palette import LIGHT
from dashboards.plausible import in_words
from ingest.quality import Quality, judge_columns
from models.trace import Trace
from tests.unit.dashboards.invented import NOW, NOW_MS, trace
from tests.unit.dashboards.test_lines import DAY_MS

START_MS = NOW_MS - DAY_MS


def spoilt(values: dict[str, dict[int, float]], *, judged: bool = True) -> Trace:
    """A day of readings, 10 s apart, with some values put in; `judged` as the door does it."""
    plain = trace("rm-01", START_MS, NOW_MS)
    columns: dict[str, Any] = {}
    for signal, rows in values.items():
        columns[signal] = getattr(plain.readings, signal).copy()
        for row, value in rows.items():
            columns[signal][row] = value
    readings = replace(plain.readings, **columns)
    if judged:
        readings = replace(readings, quality=judge_columns(readings))
    return replace(plain, readings=readings, quality=readings.quality)


def lines_of(spoilt_trace: Trace) -> UnitLines:
    return unit_lines(spoilt_trace, START_MS, NOW_MS)


@pytest.mark.parametrize("judged", [True, False])
# SAE J1939-71: a two-byte temperature, 1/32 degC a bit, reads 1775 degC for "not available".
@pytest.mark.parametrize("spike_c", [1775.0, 9999.0, -273.0, float("inf")])
def test_a_spike_does_not_bend_the_axis(spike_c: float, judged: bool) -> None:
    lines = lines_of(spoilt({"discharge_temp_c": {400: spike_c}}, judged=judged))
    assert np.nanmax(lines.discharge_c.values) < 90.0
    assert np.nanmin(lines.discharge_c.values) >= 0.0
    assert np.isnan(lines.discharge_c.values).sum() == 0
    assert lines.left_out.discharge_at_ms.tolist() == [START_MS + 400 * 10_000]
    assert lines.n_readings == 8640


def test_a_short_line_is_broken_at_a_spike_and_a_thinned_one_where_nothing_is_plausible_for_long() -> None:
    spikes = {"discharge_temp_c": dict.fromkeys(range(0, 8640, 4), 9999.0)}
    thinned = lines_of(spoilt(spikes)).discharge_c.values
    assert np.isnan(thinned).sum() == 0
    assert len(thinned) > 1900
    whole = unit_lines(spoilt({"discharge_temp_c": {400: 9999.0}}), START_MS, NOW_MS, 9000).discharge_c
    assert np.flatnonzero(np.isnan(whole.values)).tolist() == [400]
    # 61 rows of 10 s lie between neighbours 620 s apart, 59 between neighbours 600 s apart.
    for n_rows, breaks in ((59, 0), (61, 1)):
        stretch = {"discharge_temp_c": dict.fromkeys(range(400, 400 + n_rows), 9999.0)}
        assert np.isnan(lines_of(spoilt(stretch)).discharge_c.values).sum() == breaks


def test_a_pressure_spike_is_left_out_of_trusted_and_doubted_pressure() -> None:
    day = spoilt({"pressure_kpa": {300: 32_767.5, 5000: -999.0}})
    doubted = replace(day, pressure_trusted=np.arange(8640) > 1000)
    for lines in (lines_of(day), lines_of(doubted)):
        drawn = np.concatenate([lines.pressure_kpa.values, lines.doubted_kpa.values])
        assert 0.0 <= np.nanmin(drawn) <= np.nanmax(drawn) < 1100.0
        assert lines.left_out.counts == {"discharge_temp_c": 0, "pressure_kpa": 2, "wrong_clock": 0}


def test_flagged_values_inside_the_range_are_left_out() -> None:
    day = spoilt({})
    quality = day.quality.copy()
    quality[77] = Quality.DISCHARGE_TEMP_OUT_OF_RANGE
    quality[78] = Quality.AMBIENT_RH_OUT_OF_RANGE
    lines = lines_of(replace(day, quality=quality))
    assert lines.left_out.discharge_at_ms.tolist() == [START_MS + 77 * 10_000]


def test_rows_with_a_wrong_clock_are_in_no_line() -> None:
    day = spoilt({})
    quality = day.quality.copy()
    quality[4000:4010] = Quality.CLOCK_WRONG
    lines = lines_of(replace(day, readings=replace(day.readings, quality=quality), water_g=np.arange(8640.0)))
    assert lines.left_out.n_wrong_clock == 10
    for one in (lines.discharge_c, lines.required_c, lines.water_g, lines.water_high_g):
        assert not np.isin(one.at_ms, day.readings.observed_at_ms[4000:4010]).any()


def test_what_is_left_out_is_said_in_one_line() -> None:
    day = spoilt({"discharge_temp_c": {1: 1775.0, 2: 1775.0}, "pressure_kpa": {9: 5000.0}})
    said = in_words(lines_of(day).left_out)
    assert said.startswith("Left out as not plausible: 2 discharge temperatures, 1 sump pressure; marked ")
    assert in_words(lines_of(spoilt({})).left_out) == ""


def chart_of(day: Trace) -> dict[str, Any]:
    lines = lines_of(day)
    return unit_chart(lines, [], [], system=System.US, tz=dt.UTC, palette=LIGHT, harmful_g=41.5, now=NOW)


def test_crosses_stand_on_an_axis_of_their_own_and_do_not_pile_up() -> None:
    chart = chart_of(spoilt({"discharge_temp_c": dict.fromkeys(range(8000), 9999.0)}))
    crosses = [one for one in chart["series"] if one["name"] == "Not plausible"]
    assert [one["xAxisIndex"] for one in crosses] == [0]
    assert 100 < len(crosses[0]["data"]) <= 201
    own = chart["yAxis"][crosses[0]["yAxisIndex"]]
    assert (own["gridIndex"], own["show"]) == (0, False)
    assert "Not plausible" in {entry["name"] for entry in chart["legend"]["data"]}


def test_without_anything_left_out_the_legend_does_not_speak_of_it() -> None:
    chart = chart_of(spoilt({}))
    assert "Not plausible" not in {entry["name"] for entry in chart["legend"]["data"]}
