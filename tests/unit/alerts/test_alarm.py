"""States and steps of an alarm against the state diagram of IEC 62682 / ISA-18.2 (states from memory)."""

from __future__ import annotations

import datetime as dt
import re

import msgspec
import pytest

from alerts import transitions as life
from alerts.alarm import (
    COVERED,
    LEGAL_FROM,
    Action,
    Alarm,
    AlarmState,
    IllegalTransition,
    Priority,
    alarm_id_of,
)
from tests.unit.alerts.conftest import NOON, make_finding

LATER = NOON + dt.timedelta(hours=1)
TOMORROW = NOON + dt.timedelta(days=1)
S = AlarmState

STEPS = {
    Action.ACKNOWLEDGE: lambda one: life.acknowledged(one, LATER, "kim"),
    Action.UNACKNOWLEDGE: lambda one: life.unacknowledged(one, LATER, "kim"),
    Action.SHELVE: lambda one: life.shelved(one, LATER, TOMORROW, "kim", "parts ordered"),
    Action.UNSHELVE: lambda one: life.unshelved(one, LATER, "kim"),
    Action.SUPPRESS: lambda one: life.suppressed(one, LATER, "its cause stands"),
    Action.UNSUPPRESS: lambda one: life.unsuppressed(one, LATER),
    Action.TAKE_OUT_OF_SERVICE: lambda one: life.taken_out_of_service(one, LATER, "kim", "in the shop"),
    Action.RETURN_TO_SERVICE: lambda one: life.returned_to_service(one, LATER, "kim"),
    Action.RETURN_TO_NORMAL: lambda one: life.returned_to_normal(one, LATER, LATER, "it ended"),
    Action.CLEAR: lambda one: life.cleared(one, LATER, "kept long enough"),
    Action.REOPEN: lambda one: life.reopened(one, make_finding(number=2), LATER),
    Action.WITHDRAW: lambda one: life.withdrawn(one, LATER, "late data"),
}


def fresh() -> Alarm:
    return life.raised(make_finding(), Priority.MEDIUM, NOON)


def in_state(state: AlarmState) -> Alarm:
    one = fresh()
    ways = {
        S.UNACKNOWLEDGED: one,
        S.ACKNOWLEDGED: STEPS[Action.ACKNOWLEDGE](one),
        S.RETURNED_UNACKNOWLEDGED: STEPS[Action.RETURN_TO_NORMAL](one),
        S.SHELVED: STEPS[Action.SHELVE](one),
        S.SUPPRESSED_BY_DESIGN: STEPS[Action.SUPPRESS](one),
        S.OUT_OF_SERVICE: STEPS[Action.TAKE_OUT_OF_SERVICE](one),
        S.NORMAL: STEPS[Action.ACKNOWLEDGE](STEPS[Action.RETURN_TO_NORMAL](one)),
    }
    assert ways[state].state is state
    return ways[state]


@pytest.mark.parametrize(
    ("before", "action", "after"),
    [
        (S.UNACKNOWLEDGED, Action.ACKNOWLEDGE, S.ACKNOWLEDGED),
        (S.UNACKNOWLEDGED, Action.RETURN_TO_NORMAL, S.RETURNED_UNACKNOWLEDGED),
        (S.ACKNOWLEDGED, Action.RETURN_TO_NORMAL, S.NORMAL),
        (S.RETURNED_UNACKNOWLEDGED, Action.ACKNOWLEDGE, S.NORMAL),
        (S.RETURNED_UNACKNOWLEDGED, Action.REOPEN, S.UNACKNOWLEDGED),
        (S.NORMAL, Action.REOPEN, S.UNACKNOWLEDGED),
        (S.ACKNOWLEDGED, Action.SHELVE, S.SHELVED),
        (S.SHELVED, Action.UNSHELVE, S.UNACKNOWLEDGED),
        (S.UNACKNOWLEDGED, Action.SUPPRESS, S.SUPPRESSED_BY_DESIGN),
        (S.SUPPRESSED_BY_DESIGN, Action.UNSUPPRESS, S.UNACKNOWLEDGED),
        (S.UNACKNOWLEDGED, Action.TAKE_OUT_OF_SERVICE, S.OUT_OF_SERVICE),
        (S.OUT_OF_SERVICE, Action.RETURN_TO_SERVICE, S.UNACKNOWLEDGED),
        (S.NORMAL, Action.UNACKNOWLEDGE, S.RETURNED_UNACKNOWLEDGED),
        (S.ACKNOWLEDGED, Action.UNACKNOWLEDGE, S.UNACKNOWLEDGED),
    ],
)
def test_step_leads_to_the_state_of_the_diagram(before, action, after):
    stepped = STEPS[action](in_state(before))
    assert stepped.state is after
    assert stepped.log[-1].action is action
    assert stepped.log[-1].state is after


@pytest.mark.parametrize("state", list(AlarmState))
@pytest.mark.parametrize("action", list(STEPS))
def test_step_from_a_state_the_diagram_does_not_know_raises(state, action):
    if state in LEGAL_FROM[action]:
        assert STEPS[action](in_state(state)).revision > in_state(state).revision
        return
    with pytest.raises(IllegalTransition, match=f"is '{state.value}': can't {action.value}") as caught:
        STEPS[action](in_state(state))
    assert (caught.value.state, caught.value.action) == (state, action)


@pytest.mark.parametrize("state", sorted(COVERED))
def test_condition_that_ends_under_cover_comes_out_normal(state):
    ended = life.returned_to_normal(in_state(state), LATER, LATER, "it ended")
    assert ended.state is state
    uncover = {
        S.SHELVED: Action.UNSHELVE,
        S.SUPPRESSED_BY_DESIGN: Action.UNSUPPRESS,
        S.OUT_OF_SERVICE: Action.RETURN_TO_SERVICE,
    }
    assert STEPS[uncover[state]](ended).state is S.NORMAL


def test_unacknowledge_of_a_closed_alarm_nobody_acknowledged_last():
    gone = life.returned_to_normal(in_state(S.ACKNOWLEDGED), LATER, LATER, "it ended")
    with pytest.raises(IllegalTransition, match="it has gone on since"):
        life.unacknowledged(gone, LATER, "kim")


def test_acknowledge_then_undo_gives_back_the_alarm_but_for_its_log():
    before = fresh()
    after = life.unacknowledged(life.acknowledged(before, LATER, "kim"), LATER, "kim")
    assert msgspec.structs.replace(after, log=before.log, revision=before.revision) == before
    assert [entry.action for entry in after.log] == [Action.RAISE, Action.ACKNOWLEDGE, Action.UNACKNOWLEDGE]


def test_shelve_into_the_past_or_without_reason():
    with pytest.raises(ValueError, match="expected an instant after"):
        life.shelved(fresh(), NOON, NOON, "kim", "parts ordered")
    with pytest.raises(ValueError, match="no reason given to shelve"):
        life.shelved(fresh(), NOON, TOMORROW, "kim", "  ")


def test_alarm_id_of_a_hostile_unit_is_short_and_plain():
    odd = make_finding(unit_id='x\r\nBcc: a@b.example"/../' + "ü" * 200)
    assert re.fullmatch(r"[a-z_]+-[0-9a-f]{20}", alarm_id_of(odd))
    longest = max(len(alarm_id_of(make_finding(pattern))) for pattern in type(odd.pattern))
    assert longest <= 64


def test_alarm_id_depends_on_unit_pattern_and_instant_alone():
    one = make_finding()
    again = msgspec.structs.replace(one, confidence=0.1, end_at=LATER)
    moved = msgspec.structs.replace(one, first_flagged_at=LATER)
    assert alarm_id_of(one) == alarm_id_of(again) != alarm_id_of(moved)


def test_record_round_trips_as_json():
    one = STEPS[Action.SHELVE](fresh())
    assert msgspec.json.decode(msgspec.json.encode(one), type=Alarm) == one
