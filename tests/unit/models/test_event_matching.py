"""The matching rule on small cases worked out by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from models.event_matching import (
    Occurrence,
    Told,
    delays,
    grace_s,
    hours_outside,
    is_early,
    match,
    match_runs,
)
from models.records import Pattern

H = 3600.0
ICING, CYCLING, NEVER = (
    Pattern.PRESSURE_SENSOR_ICING,
    Pattern.SHORT_CYCLING,
    Pattern.NEVER_REACHING_TEMPERATURE,
)


def occurrence(
    start_h: float,
    end_h: float,
    *,
    unit: str = "a",
    pattern: Pattern = ICING,
    marginal: bool = False,
    moments_h: tuple[float, ...] = (),
) -> Occurrence:
    return Occurrence(
        unit_id=unit,
        pattern=pattern,
        start_s=start_h * H,
        end_s=end_h * H,
        marginal=marginal,
        decidable_s=start_h * H,
        moments_s=tuple(h * H for h in moments_h),
    )


def told(start_h: float, end_h: float, flagged_h: float, *, unit: str = "a") -> Told:
    return Told(unit_id=unit, pattern=ICING, start_s=start_h * H, end_s=end_h * H, flagged_s=flagged_h * H)


def test_match_counts_each_of_split_findings_as_right_and_the_occurrence_once() -> None:
    met = match(
        [occurrence(6, 12)],
        [told(11, math.inf, 11.1), told(6.2, 7, 6.3), told(6.2, 7, 6.3, unit="b")],
        H,
    )
    assert met.first_told == {0: 1}
    assert (met.right, met.neutral, met.wrong, met.missed) == ((0, 1), (), (2,), ())


def test_match_one_finding_may_stand_for_several_occurrences() -> None:
    met = match([occurrence(6, 7), occurrence(9, 10), occurrence(20, 21)], [told(6, 10, 6.5)], H)
    assert met.first_told == {0: 0, 1: 0}
    assert met.missed == (2,)
    assert met.meets == {0: (0, 1)}


@pytest.mark.parametrize(("start_h", "found"), [(12.99, True), (13.01, False)])
def test_match_allows_the_grace_and_no_more(start_h: float, found: bool) -> None:
    met = match([occurrence(6, 12)], [told(start_h, 14, start_h)], H)
    assert (bool(met.first_told), bool(met.wrong)) == (found, not found)


def test_match_marginal_counts_neither_way() -> None:
    cases = [occurrence(6, 7, marginal=True), occurrence(6, 7, unit="b", marginal=True)]
    met = match(cases, [told(6, 7, 6.5)], H)
    assert (met.first_told, met.missed, met.right, met.neutral, met.wrong) == ({}, (), (), (0,), ())


def test_match_a_finding_that_meets_clear_and_marginal_is_right() -> None:
    met = match([occurrence(6, 7, marginal=True), occurrence(8, 9)], [told(6, 9, 6.5)], H)
    assert (met.right, met.neutral) == ((0,), ())


def test_match_nothing_with_nothing() -> None:
    met = match([], [], H)
    assert (met.first_told, met.missed, met.right, met.neutral, met.wrong) == ({}, (), (), (), ())


def test_grace_is_a_day_for_short_cycling_and_an_hour_for_the_rest() -> None:
    assert grace_s(CYCLING) == 24 * H
    assert {grace_s(p) for p in Pattern if p is not CYCLING} == {H}


def test_delays_count_wet_runs() -> None:
    case = dataclasses.replace(
        occurrence(0, 90, pattern=CYCLING, moments_h=(1, 20, 40, 60)), decidable_s=40 * H
    )
    late = delays(case, 41 * H)
    assert (late["wet_runs"], late["wet_runs_after_decidable"]) == (3.0, 0.0)
    assert late["min_from_decidable"] == 60.0
    assert delays(case, 61 * H)["wet_runs_after_decidable"] == 1.0


def test_delays_count_from_the_run_in_which_it_was_told() -> None:
    case = occurrence(6, 30, pattern=NEVER, moments_h=(6, 9))
    assert delays(case, 9.25 * H)["min_from_run_start"] == pytest.approx(15.0)
    assert delays(case, 9.25 * H)["runs_before"] == 1.0
    assert delays(case, 6.2 * H)["min_from_run_start"] == pytest.approx(12.0)


def test_delays_from_before_the_start_are_none() -> None:
    assert delays(occurrence(6, 12), 5.9 * H)["min_from_start"] == 0.0


def test_a_finding_that_stands_early_and_long_shows() -> None:
    """From 0 to 24 h, about an occurrence from 6 to 12 h with an hour's grace: 5 h before, 11 h after."""
    case, finding = occurrence(6, 12), told(0, math.inf, 0.2)
    assert is_early(finding, [case], H)
    assert not is_early(told(0, 24, 5.1), [case], H)
    assert hours_outside(finding, [case], H, 24 * H) == pytest.approx(16.0)


def spans(*pairs: tuple[float, float]) -> np.ndarray:
    return np.array(pairs, np.float64).reshape(-1, 2)


def test_match_runs_tells_missed_merged_and_invented_apart() -> None:
    met = match_runs(
        spans((0, 600), (720, 1200), (5000, 5300)), spans((30, 1210), (1215, 1300), (9000, math.inf))
    )
    assert met.best.tolist() == [0, 0, -1]
    assert (met.split, met.merged, met.invented) == (0, 1, (1, 2))


def test_match_runs_takes_the_one_that_covers_most() -> None:
    met = match_runs(spans((0, 1000)), spans((0, 200), (300, 1000)))
    assert (met.best.tolist(), met.split, met.merged, met.invented) == ([1], 1, 0, ())


def test_match_runs_that_only_touch_are_not_found_and_not_invented() -> None:
    met = match_runs(spans((0, 100)), spans((100, 200)))
    assert (met.best.tolist(), met.invented) == ([-1], ())


@pytest.mark.parametrize(("near_s", "invented"), [(0.0, (0,)), (29.0, (0,)), (30.0, ())])
def test_match_runs_within_a_sample_are_not_invented(near_s: float, invented: tuple[int, ...]) -> None:
    met = match_runs(spans((0, 100)), spans((130, 200)), near_s)
    assert (met.best.tolist(), met.invented) == ([-1], invented)


def test_match_runs_of_nothing() -> None:
    assert match_runs(spans(), spans((0, 1))).invented == (0,)
    assert match_runs(spans((0, 1)), spans()).best.tolist() == [-1]
