"""Silence: too long is the setting or twice what is usual; the clock says what the next reading will say."""

from __future__ import annotations

import datetime as dt

import msgspec
import numpy as np
import pytest

from ingest.reading import Readings
from models import engine, silence
from models.records import Finding, Pattern
from models.state import N_GAPS
from tests.unit.models.histories import DAY_S, MONDAY_MS, PARAMETERS, PROFILE, by_hand, fold, seconds

H = 3600
LIMIT_S = 96 * H


def spells(*spans_s: tuple[float, float], every_s: float = 600.0) -> Readings:
    """A parked unit that reports within the spans only."""
    return by_hand(np.concatenate([np.arange(start, end, every_s) for start, end in spans_s]))


def silent(found: list[engine.Event]) -> list[Finding]:
    return [one for one in found if isinstance(one, Finding) and one.pattern is Pattern.SILENT_UNIT]


def judged(state: engine.State, now_s: float) -> tuple[engine.State, list[Finding]]:
    state, found = engine.judge_silence(state, MONDAY_MS + round(1000 * now_s), PROFILE, PARAMETERS)
    return state, silent(found)


def test_a_gap_in_the_history_is_a_finding_from_its_last_reading_to_the_next() -> None:
    (found,) = silent(fold(spells((0, H), (6 * DAY_S, 6 * DAY_S + H))).findings)
    assert (seconds(found.start_at), seconds(found.end_at)) == (H - 600, 6 * DAY_S)
    assert seconds(found.first_flagged_at) == H - 600 + LIMIT_S
    assert found.confidence == 1.0
    assert found.run_start_at is None


def test_a_long_weekend_is_none() -> None:
    assert silent(fold(spells((0, H), (H + 95 * H, H + 96 * H))).findings) == []


@pytest.mark.parametrize("before_end_s", [1.0, 3 * DAY_S])
def test_the_clock_says_live_what_the_next_reading_says_in_replay(before_end_s: float) -> None:
    first, later = spells((0, H)), spells((9 * DAY_S, 9 * DAY_S + H))
    (replayed,) = silent(fold(first, later).findings)
    state = fold(first).state
    assert judged(state, H - 600 + LIMIT_S)[1] == []
    state, (opened,) = judged(state, 9 * DAY_S - before_end_s)
    assert judged(state, 9 * DAY_S)[1] == []
    (closed,) = silent(fold(later, state=state).findings)
    assert closed == replayed
    assert opened == msgspec.structs.replace(replayed, end_at=None)
    assert opened.first_flagged_at == replayed.first_flagged_at


def test_the_millisecond_after_the_limit_is_too_long() -> None:
    state = fold(spells((0, H))).state
    assert judged(state, H - 600 + LIMIT_S + 0.001)[1]
    assert silent(fold(by_hand([0.0, LIMIT_S + 0.001])).findings)
    assert not silent(fold(by_hand([0.0, LIMIT_S])).findings)


def test_before_the_first_reading_nothing_is_missing() -> None:
    assert judged(engine.initial_state("unit"), 1e9)[1] == []


def test_judging_changes_nothing_else() -> None:
    state = fold(spells((0, H))).state
    after, _ = judged(state, 9 * DAY_S)
    assert after.rows == state.rows
    assert after.memory.tobytes() == state.memory.tobytes()
    assert engine.standing(state) == []
    assert len(engine.standing(after)) == 1


def test_a_reading_from_within_the_silence_takes_it_back() -> None:
    """It came late, but not before any that is known: it is folded like any other."""
    state, (told,) = judged(fold(spells((0, H))).state, 5 * DAY_S)
    (taken_back,) = silent(fold(by_hand([2.0 * DAY_S]), state=state).events)
    assert taken_back.withdrawn
    assert taken_back.finding_id == told.finding_id
    assert taken_back.end_at == told.first_flagged_at


def test_a_reading_with_a_wrong_clock_ends_no_silence() -> None:
    state, _ = judged(fold(spells((0, H))).state, 5 * DAY_S)
    wrong = by_hand([2.0 * DAY_S])
    wrong = engine.replace(wrong, quality=np.array([int(engine.Quality.CLOCK_WRONG)]))
    folded = fold(wrong, state=state)
    assert folded.events == []
    assert len(engine.standing(folded.state)) == 1


@pytest.mark.parametrize("cut", [1, 5, 6, 7, 11])
def test_where_chunks_are_cut_changes_nothing(cut: int) -> None:
    readings = spells((0, H), (6 * DAY_S, 6 * DAY_S + H))
    assert fold(readings[:cut], readings[cut:]).told == fold(readings).told


class TestHabits:
    """A unit that is often silent for long is not missed at once."""

    @staticmethod
    def weekly(n: int, start_day: float = 0.0) -> list[tuple[float, float]]:
        return [((start_day + 7 * k) * DAY_S, (start_day + 7 * k + 1) * DAY_S) for k in range(n)]

    def limit_h(self, *spans_s: tuple[float, float]) -> float:
        memory = fold(spells(*spans_s)).state.memory[0]
        return float(silence.limit_s(memory, engine.constants(PROFILE, PARAMETERS)[0])) / H

    def test_one_absence_is_no_habit(self) -> None:
        assert self.limit_h(*self.weekly(2)) == 96

    def test_what_has_come_twice_is(self) -> None:
        gap_h = 6 * 24 + 600 / H
        assert self.limit_h(*self.weekly(3)) == pytest.approx(2 * gap_h, abs=0.001)
        assert len(silent(fold(spells(*self.weekly(12))).findings)) == 2

    def test_a_still_longer_one_is_found_all_the_same(self) -> None:
        spans = [*self.weekly(6), (60.0 * DAY_S, 61.0 * DAY_S)]
        *_, found = silent(fold(spells(*spans)).findings)
        assert seconds(found.start_at) == 36 * DAY_S - 600
        assert found.first_flagged_at - found.start_at > dt.timedelta(days=12)
        assert any("usual" in fact.text for fact in found.evidence)

    def test_habits_of_last_season_are_forgotten(self) -> None:
        season = self.weekly(6)
        assert self.limit_h(*season, (60.0 * DAY_S, 160.0 * DAY_S)) == 96

    def test_only_so_many_are_remembered(self) -> None:
        memory = fold(spells(*self.weekly(2 * N_GAPS + 3))).state.memory[0]
        assert np.sum(np.isfinite(memory["gap_ended_t"])) == N_GAPS
        assert min(memory["gap_ended_t"]) >= MONDAY_MS / 1000 + 7 * (N_GAPS + 3) * DAY_S

    def test_nights_and_weekends_widen_nothing(self) -> None:
        nightly = [(k * DAY_S, k * DAY_S + 10 * H) for k in range(20) if k % 7 < 5]
        assert self.limit_h(*nightly) == pytest.approx(2 * (2 * 24 + 14 + 600 / H), abs=0.001)
        assert silent(fold(spells(*nightly)).findings) == []


def test_evidence_says_what_was_known_when_it_was_last_heard_of() -> None:
    running = by_hand(
        np.arange(0.0, 900.0, 10.0), temp_c=np.minimum(np.linspace(15.0, 61.0, 90), 60.0), pressure_kpa=900.0
    )
    (found,) = silent(judged(fold(running).state, 9 * DAY_S)[1])
    texts = " ".join(fact.text for fact in found.evidence)
    assert "for more than 4.0 days" in texts
    assert "it was running with the discharge at 60 °C (140 °F)" in texts
    (parked,) = silent(judged(fold(spells((0, H))).state, 9 * DAY_S)[1])
    assert "it stood with the discharge at 15 °C (59 °F)" in parked.evidence[-1].text
