"""Duty schedules: in order, within their days, and in keeping with the crew's habits."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from models.operators import DAYS, OPERATORS, duty, wanted_spans_s
from models.plant import Duty

DAY_S = 86400
MONDAY = dt.datetime(2024, 1, 1, tzinfo=dt.UTC)
MONDAY_MS = int(MONDAY.timestamp() * 1000)


def weeks(name: str, *, days: int = 56, utc_offset_h: float = 0.0, seed: int = 1) -> Duty:
    return duty(
        OPERATORS[name],
        start_at_ms=MONDAY_MS,
        days=days,
        utc_offset_h=utc_offset_h,
        rng=np.random.default_rng(seed),
    )


def lengths_s(asked: Duty) -> np.ndarray:
    return np.array([end_s - start_s for start_s, end_s in wanted_spans_s(asked)])


@pytest.mark.parametrize("name", OPERATORS)
def test_duty_is_in_order_and_within_its_days(name: str) -> None:
    asked = weeks(name)
    assert (np.diff(asked.change_s) >= 0).all()
    assert ((asked.change_s >= 0) & (asked.change_s < 56 * DAY_S)).all()
    stopped = asked.demand_frac < 0.0
    assert (asked.demand_frac[stopped] == -1.0).all()
    assert (asked.demand_frac[~stopped] <= 2.5).all()


def test_operators_name_only_known_kinds_of_day() -> None:
    assert {kind for operator in OPERATORS.values() for kind in operator.kinds} <= set(DAYS)


def test_duty_bursts_are_short_and_all_day_is_long() -> None:
    assert np.median(lengths_s(weeks("bursts"))) < 300.0
    assert np.median(lengths_s(weeks("all_day"))) > 3600.0


def test_duty_works_in_local_hours_of_weekdays() -> None:
    offset_h = -6.0
    starts_s = np.array([start_s for start_s, _ in wanted_spans_s(weeks("sessions", utc_offset_h=offset_h))])
    local_h = (starts_s / 3600.0 + offset_h) % 24
    assert ((local_h > 6.0) & (local_h < 23.0)).mean() > 0.97
    local_day = np.floor_divide(starts_s + offset_h * 3600.0, DAY_S) % 7
    assert (local_day < 5).mean() > 0.85


def test_duty_exercise_done_right_ends_with_air_flowing() -> None:
    asked = weeks("idle_exercised")
    spans = wanted_spans_s(asked)
    assert 6 <= len(spans) <= 9
    for start_s, end_s in spans:
        inside = (asked.change_s >= start_s) & (asked.change_s < end_s)
        assert asked.demand_frac[inside][0] == 0.0
        assert asked.demand_frac[inside][-1] >= 0.35
        assert end_s - start_s >= 2100.0


def test_duty_exercise_done_wrong_never_opens_the_valve() -> None:
    asked = duty(
        OPERATORS["idle_exercised_wrong"],
        start_at_ms=MONDAY_MS,
        days=56,
        utc_offset_h=0.0,
        rng=np.random.default_rng(2),
    )
    shut = sum(
        (asked.demand_frac[(asked.change_s >= s) & (asked.change_s < e)] == 0.0).all()
        for s, e in wanted_spans_s(asked)
    )
    assert shut >= 6


def test_duty_top_up_runs_follow_a_warm_up() -> None:
    spans = wanted_spans_s(weeks("top_up", days=14))
    short = [i for i, (s, e) in enumerate(spans) if e - s < 420]
    assert len(short) > 10
    assert all(i > 0 and spans[i][0] - spans[i - 1][1] <= 1200 for i in short)


def test_duty_repeats_from_its_seed() -> None:
    assert np.array_equal(weeks("mixed", seed=7).change_s, weeks("mixed", seed=7).change_s)
    assert not np.array_equal(weeks("mixed", seed=7).change_s, weeks("mixed", seed=8).change_s)


def test_wanted_spans_ends_with_the_stop() -> None:
    asked = Duty(
        change_s=np.array([10, 20, 50, 90, 95]),
        demand_frac=np.array([0.5, 0.7, -1.0, 0.0, -1.0]),
        drain_s=np.empty(0, np.int64),
    )
    assert wanted_spans_s(asked) == [(10, 50), (90, 95)]
