"""What a review changes: raised once, ended by itself, re-opened within the hold, withdrawn by late data."""

from __future__ import annotations

import datetime as dt

import msgspec
import pytest

from alerts.alarm import Alarm, AlarmState
from alerts.policy import AlarmPolicy, ChangeKind, review
from alerts.transitions import acknowledged, shelved
from models.records import Finding, Pattern
from tests.unit.alerts.conftest import NOON, make_finding

H = dt.timedelta(hours=1)
K = ChangeKind


class Ledger:
    """Alarms as a desk would keep them, reviewed step by step."""

    def __init__(self, policy: AlarmPolicy | None = None) -> None:
        self.policy = policy or AlarmPolicy()
        self.book: dict[str, Alarm] = {}

    def hear(
        self, now: dt.datetime, *findings: Finding, withdrawn: frozenset[str] = frozenset()
    ) -> list[ChangeKind]:
        changes = review(findings, self.book.values(), now, self.policy, withdrawn=withdrawn)
        self.book |= {change.alarm.alarm_id: change.alarm for change in changes}
        again = review(findings, self.book.values(), now, self.policy, withdrawn=withdrawn)
        assert again == [], "a second review at the same instant changed something"
        return [change.kind for change in changes]

    @property
    def one(self) -> Alarm:
        (alarm,) = self.book.values()
        return alarm

    def put(self, alarm: Alarm) -> None:
        self.book[alarm.alarm_id] = alarm


def ended(finding: Finding, at: dt.datetime) -> Finding:
    return msgspec.structs.replace(finding, end_at=at)


def test_finding_raises_one_alarm_however_often_it_comes():
    ledger, finding = Ledger(), make_finding()
    assert ledger.hear(NOON, finding, finding) == [K.RAISED]
    assert ledger.hear(NOON + H, finding) == []
    surer = msgspec.structs.replace(finding, confidence=0.99)
    assert ledger.hear(NOON + H, surer) == [K.RESTATED]
    assert ledger.one.finding == surer
    assert ledger.one.raised_at == NOON


def test_second_finding_of_unit_and_pattern_joins_the_open_alarm():
    ledger = Ledger()
    ledger.hear(NOON, make_finding(number=1))
    second = make_finding(number=2, flagged_at=NOON + 5 * H)
    assert ledger.hear(NOON + 5 * H, second) == [K.REVISED]
    assert ledger.one.finding_ids == (make_finding(number=1).finding_id, second.finding_id)


def test_other_unit_or_pattern_raises_its_own():
    ledger = Ledger()
    others = [make_finding(unit_id="RM-08"), make_finding(Pattern.PRESSURE_SENSOR_ICING, flagged_at=NOON - H)]
    assert ledger.hear(NOON, make_finding(), *others) == [K.RAISED] * 3


def test_alarm_returns_only_after_the_off_delay():
    ledger, finding = Ledger(), make_finding()
    ledger.hear(NOON, finding)
    over = ended(finding, NOON + H)
    off_delay = ledger.policy.rationales[finding.pattern].off_delay
    assert ledger.hear(NOON + H, over) == [K.REVISED]
    assert ledger.hear(NOON + H + off_delay - dt.timedelta(seconds=1)) == []
    assert ledger.hear(NOON + H + off_delay) == [K.RETURNED]
    assert ledger.one.state is AlarmState.RETURNED_UNACKNOWLEDGED
    assert ledger.one.returned_at == NOON + H


def test_acknowledged_alarm_clears_by_itself():
    ledger, finding = Ledger(), make_finding()
    ledger.hear(NOON, finding)
    ledger.put(acknowledged(ledger.one, NOON, "kim"))
    assert ledger.hear(NOON + 5 * H, ended(finding, NOON + H)) == [K.REVISED, K.RETURNED]
    assert ledger.one.state is AlarmState.NORMAL
    assert ledger.one.cleared_at == NOON + 5 * H


def test_condition_back_before_the_off_delay_changes_nothing_but_the_record():
    ledger, finding = Ledger(), make_finding()
    ledger.hear(NOON, finding)
    ledger.hear(NOON + H, ended(finding, NOON + H))
    back = make_finding(number=2, flagged_at=NOON + H + dt.timedelta(minutes=30))
    assert ledger.hear(NOON + H + dt.timedelta(minutes=30), back) == [K.REVISED]
    assert ledger.hear(NOON + 9 * H) == []
    assert ledger.one.reopened == 0


def test_condition_back_within_the_hold_reopens_the_same_alarm():
    ledger, finding = Ledger(), make_finding()
    ledger.hear(NOON, finding)
    ledger.put(acknowledged(ledger.one, NOON, "kim"))
    ledger.hear(NOON + 3 * H, ended(finding, NOON + H))
    back = make_finding(number=2, flagged_at=NOON + 20 * H)
    assert ledger.hear(NOON + 20 * H, back) == [K.REOPENED]
    assert ledger.one.state is AlarmState.UNACKNOWLEDGED
    assert ledger.one.acknowledged_by == ""
    assert ledger.one.raised_at == NOON


def test_condition_back_after_the_hold_is_a_new_alarm():
    ledger, finding = Ledger(), make_finding()
    ledger.hear(NOON, finding)
    ledger.put(acknowledged(ledger.one, NOON, "kim"))
    ledger.hear(NOON + 3 * H, ended(finding, NOON + H))
    assert ledger.hear(NOON + 30 * H, make_finding(number=2, flagged_at=NOON + 30 * H)) == [K.RAISED]
    assert len(ledger.book) == 2


def test_chattering_condition_keeps_one_alarm():
    """Three or more changes in a minute count as chattering (published alarm-management figure)."""
    ledger = Ledger()
    for minute in range(60):
        at = NOON + dt.timedelta(minutes=minute)
        finding = make_finding(number=minute, flagged_at=at)
        ledger.hear(at, finding)
        ledger.hear(at + dt.timedelta(seconds=20), ended(finding, at + dt.timedelta(seconds=20)))
    assert [entry.action.value for entry in ledger.one.log] == ["raise"]


def test_history_long_past_raises_nothing_and_what_stands_does():
    ledger = Ledger()
    past = make_finding(number=1, flagged_at=NOON - 90 * H, end_at=NOON - 80 * H)
    standing = make_finding(Pattern.NEVER_REACHING_TEMPERATURE, flagged_at=NOON - 500 * H)
    assert ledger.hear(NOON, past, standing) == [K.RAISED]
    assert ledger.one.finding == standing
    assert ledger.one.opened_at == NOON


def test_condition_that_ended_while_out_of_coverage_is_still_raised():
    ledger = Ledger()
    missed = make_finding(flagged_at=NOON - 4 * H, end_at=NOON - 3 * H)
    assert ledger.hear(NOON, missed) == [K.RAISED, K.RETURNED]
    assert ledger.one.state is AlarmState.RETURNED_UNACKNOWLEDGED


def test_history_gone_through_again_leaves_the_newest_finding_in_place():
    ledger = Ledger()
    old, new = make_finding(number=1), make_finding(number=2, flagged_at=NOON + 9 * H)
    ledger.hear(NOON + 9 * H, old)
    ledger.hear(NOON + 9 * H, new)
    assert ledger.hear(NOON + 10 * H, old) == []
    assert ledger.one.finding == new


def test_fleeting_condition_raises_nothing():
    ledger = Ledger()
    on_delay = ledger.policy.rationales[Pattern.PRESSURE_SENSOR_ICING].on_delay
    assert on_delay > dt.timedelta(0)
    finding = make_finding(Pattern.PRESSURE_SENSOR_ICING)
    assert ledger.hear(NOON, finding) == []
    assert ledger.hear(NOON + on_delay / 2, ended(finding, NOON + on_delay / 2)) == []
    assert ledger.hear(NOON + H) == []
    assert ledger.hear(NOON + on_delay, finding) == [K.RAISED]


def test_finding_gone_from_the_results_withdraws_its_alarm():
    ledger, finding = Ledger(), make_finding()
    ledger.hear(NOON, finding)
    gone = frozenset({finding.finding_id})
    assert ledger.hear(NOON + H, withdrawn=gone) == [K.REVISED]
    assert ledger.hear(NOON + H + dt.timedelta(seconds=30), withdrawn=gone) == []
    assert ledger.hear(NOON + H + dt.timedelta(seconds=60), withdrawn=gone) == [K.WITHDRAWN]
    assert ledger.one.state is AlarmState.NORMAL
    assert "late data" in ledger.one.close_reason
    assert ledger.one.log[-1].note == ledger.one.close_reason


def test_finding_gone_only_while_late_data_is_folded_in_stays():
    ledger, finding = Ledger(), make_finding()
    ledger.hear(NOON, finding)
    ledger.hear(NOON + H, withdrawn=frozenset({finding.finding_id}))
    assert ledger.hear(NOON + 2 * H) == [K.REVISED]
    assert ledger.one.missing_since is None
    assert ledger.one.state is AlarmState.UNACKNOWLEDGED


def test_finding_found_again_and_ended_meanwhile_returns_in_one_review():
    ledger, finding = Ledger(), make_finding()
    ledger.hear(NOON, finding)
    ledger.hear(NOON + H, ended(finding, NOON + H))
    ledger.hear(NOON + H, withdrawn=frozenset({finding.finding_id}))
    assert ledger.hear(NOON + 9 * H) == [K.REVISED, K.RETURNED]


def test_withdrawn_finding_that_comes_back_reopens():
    ledger, finding = Ledger(), make_finding()
    ledger.hear(NOON, finding)
    gone = frozenset({finding.finding_id})
    ledger.hear(NOON + H, withdrawn=gone)
    ledger.hear(NOON + 2 * H, withdrawn=gone)
    surer = msgspec.structs.replace(finding, confidence=0.99)
    assert ledger.hear(NOON + 3 * H, surer) == [K.REOPENED]


def test_shelving_ends_by_itself():
    ledger = Ledger()
    ledger.hear(NOON, make_finding())
    ledger.put(shelved(ledger.one, NOON, NOON + 8 * H, "kim", "parts ordered"))
    assert ledger.hear(NOON + 7 * H) == []
    assert ledger.hear(NOON + 8 * H) == [K.UNSHELVED]
    assert ledger.one.state is AlarmState.UNACKNOWLEDGED
    assert ledger.one.shelved_until is None


def test_what_cannot_get_hot_is_not_told_to_dry_out():
    ledger = Ledger()
    short = make_finding(Pattern.SHORT_CYCLING)
    cool = make_finding(Pattern.NEVER_REACHING_TEMPERATURE)
    assert sorted(ledger.hear(NOON, short, cool)) == sorted([K.RAISED, K.RAISED, K.SUPPRESSED])
    states = {one.pattern: one.state for one in ledger.book.values()}
    assert states[Pattern.SHORT_CYCLING] is AlarmState.SUPPRESSED_BY_DESIGN
    assert states[Pattern.NEVER_REACHING_TEMPERATURE] is AlarmState.UNACKNOWLEDGED
    assert K.UNSUPPRESSED in ledger.hear(NOON + 5 * H, ended(cool, NOON + H))
    states = {one.pattern: one.state for one in ledger.book.values()}
    assert states[Pattern.SHORT_CYCLING] is AlarmState.UNACKNOWLEDGED


def test_returned_alarm_leaves_the_list_after_the_keep_time():
    ledger, finding = Ledger(), make_finding()
    ledger.hear(NOON, finding)
    ledger.hear(NOON + 5 * H, ended(finding, NOON + H))
    assert ledger.hear(NOON + H + ledger.policy.keep_returned) == [K.CLEARED]
    assert ledger.one.state is AlarmState.NORMAL


@pytest.mark.parametrize("chunks", [1, 3, 7])
def test_imported_history_comes_to_the_same_alarms_in_any_chunks(chunks):
    story = [
        make_finding(
            number=n,
            flagged_at=NOON - (40 - n) * 24 * H,
            end_at=None if n == 39 else NOON - (40 - n) * 24 * H + H,
        )
        for n in range(0, 40, 3)
    ]
    ledger = Ledger()
    size = -(-len(story) // chunks)
    for start in range(0, len(story), size):
        ledger.hear(NOON, *story[start : start + size])
    assert ledger.one.finding == story[-1]
    assert ledger.one.state is AlarmState.UNACKNOWLEDGED


def test_explained_finding_ends_its_alarm_at_once_and_names_the_cause():
    ledger, finding = Ledger(), make_finding()
    ledger.hear(NOON, finding)
    cause = Pattern.PRESSURE_SENSOR_ICING
    closed = msgspec.structs.replace(finding, end_at=NOON, explained_by=cause)
    assert ledger.hear(NOON, closed) == [K.REVISED, K.RETURNED]
    assert ledger.one.close_reason == f"explained by: {ledger.policy.rationales[cause].title}"


def test_silence_that_began_long_ago_is_history_and_raises_nothing():
    """A fleet whose logs end in the past is silent from there on, and nobody can respond to that."""
    ledger = Ledger()
    silent = make_finding(Pattern.SILENT_UNIT)
    assert ledger.hear(NOON + ledger.policy.silent + H, silent) == []
    assert ledger.hear(NOON + ledger.policy.silent, silent) == [K.RAISED]


def test_other_conditions_that_still_stand_are_raised_however_old():
    ledger = Ledger()
    assert ledger.hear(NOON + 2 * ledger.policy.silent, make_finding()) == [K.RAISED]
