"""Which mails are due: once each, calm when an alarm flutters, one summary in a flood."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from alerts import transitions as life
from alerts.alarm import Alarm
from alerts.notices import NoticeKind, due
from alerts.policy import AlarmPolicy
from models.records import Pattern
from tests.unit.alerts.conftest import NOON, make_finding

H = dt.timedelta(hours=1)
POLICY = AlarmPolicy()


def raised(unit_id: str = "RM-07", at: dt.datetime = NOON) -> Alarm:
    finding = make_finding(unit_id=unit_id, flagged_at=at)
    return life.raised(finding, POLICY.rationales[finding.pattern].priority, at)


class Post:
    """Tells what is due and keeps what has been told."""

    def __init__(self, *alarms: Alarm) -> None:
        self.book = {one.alarm_id: one for one in alarms}
        self.keys: list[str] = []

    def collect(self, now: dt.datetime, **options: object) -> list[NoticeKind]:
        found = due(self.book.values(), now, POLICY, **options)  # type: ignore[arg-type]
        self.book |= {one.alarm_id: one for notice in found for one in notice.alarms}
        self.keys += [notice.key for notice in found]
        assert len(set(self.keys)) == len(self.keys), "two mails with one key"
        return [notice.kind for notice in found]

    def step(self, change: object, *arguments: object) -> None:
        (one,) = self.book.values()
        self.book[one.alarm_id] = change(one, *arguments)  # type: ignore[operator]


def test_alarm_is_told_once_and_its_end_once():
    post = Post(raised())
    assert post.collect(NOON) == [NoticeKind.RAISED]
    assert post.collect(NOON + H) == []
    post.step(life.returned_to_normal, NOON + 2 * H, NOON + H, "it ended")
    assert post.collect(NOON + 2 * H) == [NoticeKind.CLEARED]
    assert post.collect(NOON + 9 * H) == []


def test_fluttering_alarm_tells_only_what_is_true_after_the_gap():
    post = Post(raised())
    post.collect(NOON)
    sent = 0
    for hour in range(1, 24):
        now = NOON + hour * H
        if hour % 2:
            post.step(life.returned_to_normal, now, now, "it ended")
        else:
            post.step(life.reopened, make_finding(number=hour, flagged_at=now), now)
        sent += len(post.collect(now))
    assert sent <= 24 * H / POLICY.mail_gap + 1


def test_reminders_come_at_the_time_to_respond_and_stop():
    post = Post(raised())
    post.collect(NOON)
    wait = POLICY.rationales[Pattern.SHORT_CYCLING].time_to_respond
    assert post.collect(NOON + wait - H) == []
    told = [kind for n in range(1, 9) for kind in post.collect(NOON + n * wait)]
    assert told == [NoticeKind.REMINDER] * POLICY.max_reminders


def test_reopened_alarm_is_reminded_anew():
    post = Post(raised())
    wait = POLICY.rationales[Pattern.SHORT_CYCLING].time_to_respond
    now = NOON
    for _ in range(POLICY.max_reminders + 2):
        post.collect(now)
        now += wait
    post.step(life.returned_to_normal, now, now, "it ended")
    assert post.collect(now) == [NoticeKind.CLEARED]
    now += wait
    post.step(life.reopened, make_finding(number=2, flagged_at=now), now)
    assert post.collect(now) == [NoticeKind.REOPENED]
    assert post.collect(now + wait) == [NoticeKind.REMINDER]


def test_acknowledged_alarm_is_not_reminded():
    post = Post(raised())
    post.collect(NOON)
    post.step(life.acknowledged, NOON, "kim")
    assert post.collect(NOON + 1000 * H) == []


@pytest.mark.parametrize("cover", ["shelve", "suppress", "out of service"])
def test_covered_alarm_tells_nothing(cover):
    one = raised()
    covered = {
        "shelve": lambda: life.shelved(one, NOON, NOON + H, "kim", "parts ordered"),
        "suppress": lambda: life.suppressed(one, NOON, "its cause stands"),
        "out of service": lambda: life.taken_out_of_service(one, NOON, "kim", "in the shop"),
    }[cover]()
    assert due([covered], NOON, POLICY) == []


def test_unit_not_heard_of_for_long_sends_nothing_until_it_is():
    post = Post(raised())
    old = {"RM-07": NOON - POLICY.silent - H}
    assert post.collect(NOON, last_heard=old) == []
    assert post.collect(NOON, last_heard={"RM-07": NOON - POLICY.silent}) == [NoticeKind.RAISED]


def test_ten_alarms_are_ten_mails_and_eleven_are_one_summary():
    """More than 10 alarms in 10 minutes is a flood: published alarm-management figure (ISA-18.2)."""
    alarms = [raised(f"RM-{n:02d}") for n in range(11)]
    assert [notice.kind for notice in due(alarms[:10], NOON, POLICY)] == [NoticeKind.RAISED] * 10
    (summary,) = due(alarms, NOON, POLICY)
    assert summary.kind is NoticeKind.SUMMARY
    assert {one.unit_id for one in summary.alarms} == {one.unit_id for one in alarms}


def test_flood_that_goes_on_waits_for_the_next_window():
    post = Post(*(raised(f"RM-{n:02d}") for n in range(12)))
    assert post.collect(NOON) == [NoticeKind.SUMMARY]
    minute = dt.timedelta(minutes=1)
    for n in range(12, 30):
        late = raised(f"RM-{n:02d}", NOON + minute)
        post.book[late.alarm_id] = late
    assert post.collect(NOON + minute) == []
    assert post.collect(NOON + 10 * minute) == [NoticeKind.SUMMARY]


def test_most_urgent_comes_first():
    icing = make_finding(Pattern.PRESSURE_SENSOR_ICING, "RM-09")
    urgent = life.raised(icing, POLICY.rationales[icing.pattern].priority, NOON)
    assert [notice.alarms[0].unit_id for notice in due([raised(), urgent], NOON, POLICY)] == [
        "RM-09",
        "RM-07",
    ]


def test_reopened_mail_has_its_own_key_and_a_late_first_one_the_usual():
    one = raised()
    back = life.reopened(life.returned_to_normal(one, NOON, NOON, "it ended"), make_finding(number=2), NOON)
    (first,) = due([back], NOON, POLICY)
    assert first.key == f"{one.alarm_id}.raised"
    again = replace(first, kind=NoticeKind.REOPENED)
    assert again.key == f"{one.alarm_id}.reopened-1"


def test_silence_is_mailed_although_nothing_has_been_heard_for_longer_than_the_limit():
    """A unit that is often silent for days is missed only after the week within which others are mailed."""
    finding = make_finding(Pattern.SILENT_UNIT, start_at=NOON - 2 * POLICY.silent)
    post = Post(life.raised(finding, POLICY.rationales[finding.pattern].priority, NOON))
    heard = {"RM-07": finding.start_at}
    assert post.collect(NOON, last_heard=heard) == [NoticeKind.RAISED]


def test_silence_of_a_whole_imported_fleet_is_one_mail():
    rationale = POLICY.rationales[Pattern.SILENT_UNIT]
    fleet = [make_finding(Pattern.SILENT_UNIT, f"RM-{n:02d}") for n in range(100)]
    post = Post(*(life.raised(finding, rationale.priority, NOON) for finding in fleet))
    assert post.collect(NOON + H, last_heard={}) == [NoticeKind.SUMMARY]
