"""Whatever happens, in any order: one open alarm per unit and pattern, no mail twice, rest in the truth."""

from __future__ import annotations

import datetime as dt

import msgspec
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from alerts import transitions as life
from alerts.alarm import LEGAL_FROM, Action, Alarm, AlarmState, Told
from alerts.notices import due
from alerts.policy import AlarmPolicy, review
from models.records import Finding, Pattern
from tests.unit.alerts.conftest import NOON, make_finding

POLICY = AlarmPolicy()
BY_HAND = {
    Action.ACKNOWLEDGE: lambda one, now: life.acknowledged(one, now, "kim"),
    Action.SHELVE: lambda one, now: life.shelved(
        one, now, now + dt.timedelta(hours=5), "kim", "parts ordered"
    ),
    Action.UNSHELVE: lambda one, now: life.unshelved(one, now, "kim"),
    Action.TAKE_OUT_OF_SERVICE: lambda one, now: life.taken_out_of_service(one, now, "kim", "in the shop"),
    Action.RETURN_TO_SERVICE: lambda one, now: life.returned_to_service(one, now, "kim"),
}
STEPS = st.lists(
    st.tuples(
        st.sampled_from(["begin", "end", "vanish", *BY_HAND]),
        st.sampled_from(list(Pattern)),
        st.sampled_from([0, 1, 10, 90, 700, 3000, 12000]),
    ),
    max_size=40,
)


class World:
    """Findings as the engine holds them, alarms as the desk does, and the mails sent."""

    def __init__(self) -> None:
        self.now = NOON
        self.findings: dict[str, Finding] = {}
        self.alarms: dict[str, Alarm] = {}
        self.keys: list[str] = []
        self.made = 0

    def act(self, what: str, pattern: Pattern) -> None:
        standing = [one for one in self.findings.values() if one.pattern is pattern and one.end_at is None]
        if what == "begin" and not standing:
            self.made += 1
            self.keep(make_finding(pattern, flagged_at=self.now, number=self.made))
        elif what == "end" and standing:
            self.keep(msgspec.structs.replace(standing[0], end_at=self.now))
        elif what == "vanish" and standing:
            del self.findings[standing[0].finding_id]
        elif what in BY_HAND:
            self.by_hand(Action(what), pattern)

    def keep(self, finding: Finding) -> None:
        self.findings[finding.finding_id] = finding

    def by_hand(self, action: Action, pattern: Pattern) -> None:
        for one in self.alarms.values():
            if one.open and one.pattern is pattern and one.state in LEGAL_FROM[action]:
                self.alarms[one.alarm_id] = BY_HAND[action](one, self.now)
                return

    def settle(self) -> None:
        gone = {one.finding.finding_id for one in self.alarms.values()} - set(self.findings)
        for change in review(self.findings.values(), self.alarms.values(), self.now, POLICY, withdrawn=gone):
            self.alarms[change.alarm.alarm_id] = change.alarm
        for notice in due(self.alarms.values(), self.now, POLICY):
            self.keys.append(notice.key)
            self.alarms |= {one.alarm_id: one for one in notice.alarms}


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(STEPS)
def test_alarms_stay_sound_through_any_history(steps):
    world = World()
    for what, pattern, minutes in steps:
        world.act(what, pattern)
        world.settle()
        world.now += dt.timedelta(minutes=minutes)
        world.settle()
        for each in Pattern:
            assert sum(one.open for one in world.alarms.values() if one.pattern is each) <= 1
        assert len(world.keys) == len(set(world.keys))
    for one in world.alarms.values():
        assert [entry.at for entry in one.log] == sorted(entry.at for entry in one.log)
        assert one.log[-1].state is one.state
        assert (one.cleared_at is not None) == (one.state is AlarmState.NORMAL)


@settings(max_examples=100, suppress_health_check=[HealthCheck.too_slow])
@given(STEPS)
def test_alarms_come_to_rest_as_the_findings_say(steps):
    """Once everything is quiet for long, alarms and mails say what is true."""
    world = World()
    for what, pattern, minutes in steps:
        world.act(what, pattern)
        world.settle()
        world.now += dt.timedelta(minutes=minutes)
    for _ in range(40):
        world.settle()
        world.now += dt.timedelta(hours=12)
    standing = {one.pattern for one in world.findings.values() if one.end_at is None}
    for one in world.alarms.values():
        if one.standing:
            assert one.pattern in standing
        if one.active:
            assert one.told is Told.ACTIVE
        if one.state is AlarmState.NORMAL:
            assert one.told is not Told.ACTIVE
    assert {one.pattern for one in world.alarms.values() if one.standing} == standing
