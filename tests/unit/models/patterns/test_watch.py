"""What all patterns share: identity of a finding, its end, instants and temperatures in words."""

from __future__ import annotations

import datetime as dt
import math

import pytest

from models.patterns.watch import (
    Watch,
    close,
    difference_text,
    fact,
    instant,
    open_finding,
    renewed,
    temp_text,
)
from models.records import Pattern
from tests.unit.models.patterns.moments import UNIT, after, run_ended


def test_a_finding_is_known_by_unit_pattern_and_start() -> None:
    same = open_finding(run_ended(90.0), Pattern.SHORT_CYCLING, after(3.0), 0.5, (), None)
    first = open_finding(run_ended(60.0), Pattern.SHORT_CYCLING, after(3.0), 0.9, (), None)
    assert same.finding_id == first.finding_id
    assert first.finding_id.startswith(f"{UNIT}:short_cycling:2026-01-05T08:03")
    others = {
        open_finding(run_ended(60.0), p, after(m), 0.9, (), None).finding_id for p in Pattern for m in (1, 2)
    }
    assert len(others) == 2 * len(Pattern)


def test_evidence_says_of_when_it_is() -> None:
    first = open_finding(run_ended(60.0), Pattern.SHORT_CYCLING, after(3.0), 0.9, (), None)
    later = renewed(first, run_ended(600.0, start_min=590.0), (fact("n", 5.0, "5 runs"),))
    assert (first.evidence_at, later.evidence_at) == (after(60.0), after(600.0))
    assert (later.first_flagged_at, later.run_start_at) == (after(60.0), after(590.0))


def test_nothing_standing_closes_nothing() -> None:
    assert close(Watch(), after(1.0)) == (Watch(), [])


def test_a_finding_never_ends_before_it_starts() -> None:
    opened = open_finding(run_ended(60.0), Pattern.SHORT_CYCLING, after(30.0), 0.9, (), None)
    _, (closed,) = close(Watch(finding=opened), after(10.0))
    assert closed.end_at == closed.start_at == after(30.0)


def test_instants_are_utc_to_the_millisecond() -> None:
    assert instant(1_767_600_000.0625) == dt.datetime(2026, 1, 5, 8, 0, 0, 62_000, tzinfo=dt.UTC)
    assert instant(math.nan) is None


@pytest.mark.parametrize(
    ("temp_c", "text"),
    [(0.0, "0 °C (32 °F)"), (100.0, "100 °C (212 °F)"), (-40.0, "-40 °C (-40 °F)"), (-0.3, "0 °C (31 °F)")],
)
def test_temperatures_in_both_systems(temp_c: float, text: str) -> None:
    assert temp_text(temp_c) == text


@pytest.mark.parametrize(
    ("k", "digits", "text"),
    [
        (28.0, 0, "28 K (50 °F)"),
        (5.0, 0, "5 K (9 °F)"),
        (0.5, 1, "0.5 K (0.9 °F)"),
        (-0.04, 1, "0.0 K (-0.1 °F)"),
    ],
)
def test_differences_have_no_zero_point_to_shift(k: float, digits: int, text: str) -> None:
    assert difference_text(k, digits) == text


def test_a_fact_keeps_its_number_for_machines() -> None:
    assert fact("run_min", 4.123456, "words").value == 4.1235
