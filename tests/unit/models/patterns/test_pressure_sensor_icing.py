"""Pressure-sensor icing: opens while the contradiction lasts, closes at the last doubt once it thaws."""

from __future__ import annotations

import math

import pytest

from models.patterns.pressure_sensor_icing import evidence, judge
from models.patterns.watch import Moment, Watch
from models.records import Pattern
from models.state import HIGH_WHILE_STOPPED, LOW_WHILE_RUNNING, SLOW_TO_FOLLOW, STUCK_ACROSS_EDGE
from tests.unit.models.patterns.moments import (
    after,
    assert_readable,
    got_hot,
    pressure_doubt,
    pressure_sound,
    run_ended,
    warming,
)

SURE, THRESHOLD = 0.9, 0.5


def test_opens_with_the_run_that_shows_it() -> None:
    watch, (finding,) = judge(Watch(), pressure_doubt(5.0), SURE, THRESHOLD)
    assert watch.finding == finding
    assert finding.pattern is Pattern.PRESSURE_SENSOR_ICING
    assert finding.start_at == after(0.0), "ice was there when the run began"
    assert finding.first_flagged_at == after(5.0)
    assert finding.end_at is None


def test_a_charged_reading_long_after_the_stop_began_with_the_doubt() -> None:
    moment = pressure_doubt(60.0, since_min=50.0, conflict_kind=HIGH_WHILE_STOPPED)
    _, (finding,) = judge(Watch(), moment, SURE, THRESHOLD)
    assert finding.start_at == after(50.0)


@pytest.mark.parametrize("moment", [warming(5.0), run_ended(5.0), got_hot(5.0), pressure_sound(5.0)])
def test_other_moments_open_nothing(moment: Moment) -> None:
    assert judge(Watch(), moment, SURE, THRESHOLD)[1] == []


def test_what_is_not_likely_ice_opens_nothing_and_may_later() -> None:
    watch, found = judge(Watch(), pressure_doubt(5.0), 0.2, THRESHOLD)
    assert (watch, found) == (Watch(), [])
    _, (finding,) = judge(watch, pressure_doubt(9.0), SURE, THRESHOLD)
    assert finding.first_flagged_at == after(9.0)


def test_further_doubts_repeat_nothing() -> None:
    watch, _ = judge(Watch(), pressure_doubt(5.0), SURE, THRESHOLD)
    watch, found = judge(watch, pressure_doubt(7.0), 0.1, THRESHOLD)
    assert found == []
    assert watch.last_true_at == after(7.0)


def test_a_second_occurrence_in_one_run_is_a_finding_of_its_own() -> None:
    watch, (first,) = judge(Watch(), pressure_doubt(5.0), SURE, THRESHOLD)
    watch, (closed,) = judge(watch, pressure_sound(20.0), math.nan, THRESHOLD)
    watch, (second,) = judge(watch, pressure_doubt(40.0), SURE, THRESHOLD)
    assert second.finding_id != first.finding_id
    assert second.start_at > closed.end_at


def test_closes_with_its_end_at_the_last_contradiction() -> None:
    watch, (first,) = judge(Watch(), pressure_doubt(5.0), SURE, THRESHOLD)
    watch, _ = judge(watch, pressure_doubt(25.0), SURE, THRESHOLD)
    watch, (closed,) = judge(watch, pressure_sound(31.0, contradicted_ago_min=2.0), math.nan, THRESHOLD)
    assert closed.end_at == after(29.0)
    for name in ("finding_id", "start_at", "first_flagged_at", "confidence", "evidence"):
        assert getattr(closed, name) == getattr(first, name)
    assert watch.finding is None
    assert judge(watch, pressure_sound(32.0), math.nan, THRESHOLD)[1] == []


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (LOW_WHILE_RUNNING, "its oil warmed by 28 K (50 °F)"),
        (HIGH_WHILE_STOPPED, "the unit cooled by 28 K (50 °F)"),
        (STUCK_ACROSS_EDGE, "unmoved through the start"),
        (SLOW_TO_FOLLOW, "still creeps up at 621 kPa (90 psi)"),
    ],
)
@pytest.mark.parametrize("cold_h", [0.0, 1.0, 30.0])
def test_evidence_reads_well(kind: float, words: str, cold_h: float) -> None:
    facts = evidence(pressure_doubt(9.0, conflict_kind=kind, cold_h=cold_h, pressure_kpa=620.53).features)
    assert_readable(facts)
    texts = {fact.name: fact.text for fact in facts}
    assert words in texts["conflict_min"]
    # 90 psi is 620.53 kPa, -8 degC 18 degF, 2 K 3.6 degF.
    assert texts["ambient_c"] == "The air is about -8 °C (18 °F), give or take 2 K (4 °F)."
    assert ("cold_h" in texts) is (cold_h > 0.5)


def test_a_sensor_just_below_zero_reads_nothing() -> None:
    text = evidence(pressure_doubt(9.0, pressure_kpa=-0.4).features)[0].text
    assert text.startswith("The sensor reads 0 kPa (0 psi) although")
