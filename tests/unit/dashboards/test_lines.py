"""Thinning traces for charts."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from dashboards.lines import GAP_MS, line, unit_lines
from ingest.quality import Quality
from tests.unit.dashboards.invented import NOW_MS, trace

DAY_MS = 86_400_000


def test_line_keeps_a_single_spike_of_a_long_series() -> None:
    at_ms = np.arange(1_000_000, dtype=np.int64) * 10_000
    values = np.zeros(len(at_ms))
    values[654_321] = 77.0
    thin = line(at_ms, values)
    assert len(thin.at_ms) <= 2000
    assert thin.values.max() == 77.0
    assert thin.at_ms[thin.values.argmax()] == at_ms[654_321]


def test_line_short_series_stays_whole() -> None:
    at_ms = np.arange(100, dtype=np.int64) * 1000
    values = np.sin(at_ms / 9000.0)
    thin = line(at_ms, values)
    np.testing.assert_array_equal(thin.at_ms, at_ms)
    np.testing.assert_array_equal(thin.values, values)


@pytest.mark.parametrize(("gap_ms", "breaks"), [(GAP_MS, 0), (GAP_MS + 1, 1)])
def test_line_breaks_where_nothing_was_heard(gap_ms: int, breaks: int) -> None:
    at_ms = np.array([0, 10_000, 10_000 + gap_ms, 20_000 + gap_ms], dtype=np.int64)
    thin = line(at_ms, np.ones(4))
    assert np.isnan(thin.values).sum() == breaks
    assert (np.diff(thin.at_ms) > 0).all()


def test_line_does_not_bridge_rows_that_are_not_shown() -> None:
    at_ms = np.arange(6, dtype=np.int64) * 10_000
    shown = np.array([True, True, False, False, True, True])
    thin = line(at_ms, np.arange(6.0), shown)
    np.testing.assert_array_equal(thin.values, [0.0, 1.0, np.nan, 4.0, 5.0])


def test_line_skips_single_missing_values() -> None:
    at_ms = np.arange(3, dtype=np.int64) * 10_000
    np.testing.assert_array_equal(line(at_ms, np.array([1.0, np.nan, 3.0])).values, [1.0, 3.0])


def test_line_of_nothing() -> None:
    empty = np.empty(0)
    assert len(line(empty.astype(np.int64), empty).values) == 0


def test_unit_lines_share_instants_of_the_water_band() -> None:
    lines = unit_lines(trace("rm-01", NOW_MS - 30 * DAY_MS, NOW_MS), NOW_MS - 30 * DAY_MS, NOW_MS)
    np.testing.assert_array_equal(lines.water_low_g.at_ms, lines.water_high_g.at_ms)
    np.testing.assert_array_equal(lines.water_low_g.at_ms, lines.water_g.at_ms)
    assert lines.n_readings == 30 * 8640
    assert len(lines.water_g.at_ms) <= 2000


def test_a_pressure_sent_again_is_drawn_as_one_not_to_be_trusted() -> None:
    told = trace("rm-01", NOW_MS - DAY_MS // 24, NOW_MS)
    quality = told.quality.copy()
    quality[100:] = int(Quality.REPEATED)
    lines = unit_lines(dataclasses.replace(told, quality=quality), NOW_MS - DAY_MS // 24, NOW_MS)
    from_ms = told.readings.observed_at_ms[100]
    assert (lines.pressure_kpa.at_ms[np.isfinite(lines.pressure_kpa.values)] < from_ms).all()
    assert (lines.doubted_kpa.at_ms[np.isfinite(lines.doubted_kpa.values)] >= from_ms).all()
    assert np.isfinite(lines.doubted_kpa.values).any()
