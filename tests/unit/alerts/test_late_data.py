"""What late readings change of an alarm: it stays one alarm, and people hear plainly what no longer holds."""

from __future__ import annotations

import datetime as dt
import email
import email.policy
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path

import msgspec
import numpy as np
import pytest
import sqlalchemy as sa

from alerts.alarm import Action, AlarmState, Told
from alerts.desk import AlarmDesk, AlertSettings
from ingest.database import open_database
from ingest.finding_versions import FindingVersions
from ingest.profile import UnitProfile
from ingest.reading import Readings
from ingest.register import Register
from ingest.results import Results, Said
from ingest.store.embedded import EmbeddedStore
from models.analyst import Analyst
from models.artefact import load_models
from models.records import Finding, Pattern
from models.said import Cause
from tests.unit.alerts.conftest import NOON, Clock, Fleet, make_finding
from tests.unit.models.histories import PARAMETERS, fold, rows_of, simulated

H = dt.timedelta(hours=1)


class Live:
    """Databases, an analyst and a desk, as the program joins them."""

    def __init__(self, folder: Path, profile: UnitProfile, settings: AlertSettings, clock: Clock) -> None:
        self.store = EmbeddedStore(folder / "readings.db")
        self.database = open_database(f"sqlite:///{folder / 'operations.db'}")
        register = Register(self.database)
        register.put(profile, 0)
        self.analyst = Analyst(self.store, self.database, register, PARAMETERS, load_models())
        self.desk = AlarmDesk(self.database, register, settings, lambda *_: None, clock)
        self._clock = clock

    def come(self, readings: Readings, *, minutes_later: int) -> None:
        rows = rows_of(readings)
        self.store.append(rows)
        self.analyst.note_stored(rows)
        events = self.analyst.catch_up(readings.unit_id)
        newest = {event.finding_id: event for event in events if isinstance(event, Finding)}
        self.desk.consider(list(newest.values()))
        for _ in range(minutes_later):
            self._clock.pass_by(minutes=1)
            self.desk.tick()

    def mails(self) -> list[EmailMessage]:
        """Oldest first."""
        return [parsed(self.desk, one.message_id) for one in reversed(self.desk.outbox.recent())]


def parsed(desk: AlarmDesk, message_id: str) -> EmailMessage:
    eml = desk.outbox.eml(message_id)
    assert eml is not None
    return email.message_from_bytes(eml, policy=email.policy.default)


def text(mail: EmailMessage, kind: str = "plain") -> str:
    body = mail.get_body((kind,))
    assert body is not None
    return " ".join(body.get_content().split())


EARLIER_START_UNIT = 3
"""Of its never hot runs the first ones come late: what stood since the 16th has stood since the 15th."""


@pytest.fixture
def live(tmp_path: Path, settings: AlertSettings, clock: Clock) -> Iterator[Live]:
    unit = simulated(EARLIER_START_UNIT)
    clock.now = dt.datetime.fromtimestamp(unit.readings.observed_at_ms[-1] / 1000, dt.UTC)
    one = Live(tmp_path, unit.profile, settings, clock)
    yield one
    one.store.close()
    one.database.dispose()


def test_a_start_that_late_readings_move_back_is_one_alarm_corrected(live: Live) -> None:
    """Its finding's id holds the start, so the engine withdraws one and opens another for one condition."""
    unit = simulated(EARLIER_START_UNIT)
    late = np.arange(len(unit.readings)) < int(0.15 * len(unit.readings))
    late[: len(late) // 100] = False
    torn = fold(unit.readings[~late], profile=unit.profile).newest.findings
    whole = fold(unit.readings, profile=unit.profile).newest.findings
    (was,) = [one for one in torn.values() if one.pattern is Pattern.NEVER_REACHING_TEMPERATURE]
    (now,) = [one for one in whole.values() if one.pattern is Pattern.NEVER_REACHING_TEMPERATURE]
    assert now.start_at < was.start_at
    live.come(unit.readings[~late], minutes_later=10)
    (before,) = [one for one in live.desk.alarms() if one.pattern is was.pattern]
    n_mails = len(live.mails())
    live.come(unit.readings[late], minutes_later=90)
    (after,) = [one for one in live.desk.alarms() if one.pattern is was.pattern]
    assert after.alarm_id == before.alarm_id
    assert after.state is before.state is AlarmState.UNACKNOWLEDGED
    assert after.finding == now
    assert after.finding_ids == (was.finding_id, now.finding_id)
    assert [step.action for step in after.log] == [Action.RAISE, Action.REVISE]
    assert (after.reopened, after.returned_at) == (0, None)
    (mail,) = [one for one in live.mails()[n_mails:] if one["Subject"].startswith("Corrected: ")]
    assert not [one for one in live.mails() if "Withdrawn" in one["Subject"] or "Back" in one["Subject"]]
    assert mail["In-Reply-To"]
    kept = FindingVersions(live.database).of_findings(Finding, after.finding_ids)
    causes = {(one.finding.finding_id, one.cause, one.mailed_at_ms is not None) for one in kept}
    assert causes == {
        (was.finding_id, Cause.FIRST, True),
        (was.finding_id, Cause.LATE_DATA, False),
        (now.finding_id, Cause.FIRST, True),
    }


def story(desk: AlarmDesk, clock: Clock, *findings: Finding) -> None:
    desk.consider(findings)
    for _ in range(3):
        clock.pass_by(minutes=1)
        desk.tick()


@pytest.fixture
def first(desk: AlarmDesk, stored, clock: Clock) -> Finding:
    """A finding that was raised and mailed some minutes ago."""
    finding = make_finding()
    stored(finding)
    desk.consider([finding])
    clock.pass_by(minutes=10)
    return finding


def moved(finding: Finding, hours: float) -> Finding:
    """The same condition with another start, and so another id."""
    return msgspec.structs.replace(
        finding,
        finding_id=f"{finding.finding_id}/moved {hours}",
        start_at=finding.start_at + hours * H,
        first_flagged_at=finding.first_flagged_at + min(hours, 0.0) * H,
    )


def gone(finding: Finding) -> Finding:
    return msgspec.structs.replace(finding, withdrawn=True, end_at=finding.end_at or finding.first_flagged_at)


@pytest.mark.parametrize("hours", [-6.0, -1.0, 1.0])
def test_one_alarm_and_one_correction_whichever_way_the_start_moves(
    desk: AlarmDesk,
    stored,
    clock: Clock,
    first: Finding,
    hours: float,
) -> None:
    now = moved(first, hours)
    stored(now, gone(first))
    story(desk, clock, now, gone(first))
    (alarm,) = desk.alarms()
    assert (alarm.state, alarm.finding, alarm.told) == (AlarmState.UNACKNOWLEDGED, now, Told.ACTIVE)
    correction, raised = (parsed(desk, one.message_id) for one in desk.outbox.recent())
    assert correction["Subject"].startswith("Corrected: Truck 7: ")
    assert correction["In-Reply-To"] == raised["Message-ID"]


def test_the_correction_sets_both_versions_side_by_side(desk, stored, clock, first) -> None:
    now = moved(first, -6.0)
    stored(now, gone(first))
    story(desk, clock, now, gone(first))
    mail = parsed(desk, desk.outbox.recent()[0].message_id)
    for kind in ("plain", "html"):
        said = text(mail, kind)
        assert "no longer holds" in said.lower()
        assert "Wed Jan 14, 4:00 AM CST" in said, "what had been said"
        assert "Tue Jan 13, 10:00 PM CST" in said, "what is said now"
        assert "Readings that arrived late" in said
        assert "second, independent gauge" in said, "the cautions stay"


def test_a_start_that_moves_by_minutes_is_corrected_without_a_mail(desk, stored, clock, first) -> None:
    now = moved(first, -0.1)
    stored(now, gone(first))
    story(desk, clock, now, gone(first))
    (alarm,) = desk.alarms()
    assert alarm.finding == now
    assert alarm.log[-1].note.startswith("corrected: began: 2026-01-14 09:54:00 UTC, not 2026-01-14 10:00:00")
    assert len(desk.outbox.recent()) == 1


def test_late_readings_in_pieces_do_not_bring_a_mail_each(desk, stored, clock, first) -> None:
    before = first
    for n in range(1, 6):
        now = moved(first, -float(n))
        stored(now, gone(before))
        story(desk, clock, now, gone(before))
        before = now
    assert [one.subject.split(":")[0] for one in desk.outbox.recent()] == ["Corrected", "Truck 7"]
    clock.pass_by(hours=6)
    desk.tick()
    assert len(desk.outbox.recent()) == 3
    clock.pass_by(hours=7)
    desk.tick()
    assert len(desk.outbox.recent()) == 3, "nothing more to correct"
    assert len(desk.alarms()) == 1


def test_an_undone_finding_says_what_had_been_said(desk, stored, clock, first) -> None:
    stored(gone(first))
    story(desk, clock, gone(first))
    (alarm,) = desk.alarms()
    assert (alarm.state, alarm.close_reason) == (
        AlarmState.NORMAL,
        "withdrawn by late data: the condition was not there",
    )
    mail = parsed(desk, desk.outbox.recent()[0].message_id)
    assert mail["Subject"].startswith("Withdrawn: Truck 7")
    for kind in ("plain", "html"):
        assert (
            "Withdrawn by late data: the condition was not there. Nothing is left to do about it;"
            " finish safely what has been begun." in text(mail, kind)
        )
        assert "Since Wed Jan 14, 4:00 AM CST, 93 % sure." in text(mail, kind)
        assert "9 wet runs in the last 7 days" in text(mail, kind)


def test_an_unrelated_earlier_finding_does_not_take_the_place_of_a_withdrawn_one(
    desk,
    stored,
    clock,
    first,
) -> None:
    old = make_finding(number=2, flagged_at=NOON - 500 * H, end_at=NOON - 400 * H)
    stored(old, gone(first))
    story(desk, clock, old, gone(first))
    (alarm,) = desk.alarms()
    assert alarm.state is AlarmState.NORMAL
    assert alarm.finding == gone(first)


def test_what_is_undone_and_then_found_after_all_is_the_same_alarm_again(desk, stored, clock, first) -> None:
    stored(gone(first))
    story(desk, clock, gone(first))
    earlier = moved(first, -3.0)
    stored(earlier, gone(first))
    story(desk, clock, earlier)
    (alarm,) = desk.alarms()
    assert (alarm.state, alarm.finding) == (AlarmState.UNACKNOWLEDGED, earlier)


def test_an_end_that_late_data_takes_back_is_called_a_correction(desk, stored, clock, first) -> None:
    over = msgspec.structs.replace(first, end_at=NOON + H)
    clock.pass_by(hours=3)
    stored(over)
    story(desk, clock, over)
    assert desk.outbox.recent()[0].subject.startswith("Ended: ")
    stored(first)
    clock.pass_by(hours=7)
    story(desk, clock, first)
    (alarm,) = desk.alarms()
    assert alarm.standing
    mail = parsed(desk, desk.outbox.recent()[0].message_id)
    assert mail["Subject"].startswith("Corrected: ")
    assert "Ended: it still stands We had said: Wed Jan 14, 7:00 AM CST" in text(mail)


def test_an_end_that_is_taken_back_within_minutes_is_mailed_at_once(desk, stored, clock, first) -> None:
    """A drain recorded in error: whoever reads that it is over relies on it."""
    over = msgspec.structs.replace(first, end_at=NOON + H)
    clock.pass_by(hours=3)
    stored(over)
    story(desk, clock, over)
    assert desk.outbox.recent()[0].subject.startswith("Ended: ")
    clock.pass_by(minutes=2)
    stored(first)
    story(desk, clock, first)
    assert desk.outbox.recent()[0].subject.startswith("Corrected: ")


def test_an_end_that_was_told_and_moves_is_corrected(desk, stored, clock, first) -> None:
    over, later = (msgspec.structs.replace(first, end_at=NOON + hours * H) for hours in (1, 2))
    clock.pass_by(hours=4)
    for one in (over, later):
        stored(one)
        story(desk, clock, one)
    (alarm,) = desk.alarms()
    assert alarm.returned_at == NOON + 2 * H
    mail = parsed(desk, desk.outbox.recent()[0].message_id)
    assert mail["Subject"].startswith("Corrected: ")
    assert "The condition ended Wed Jan 14, 8:00 AM CST" in text(mail)
    assert "We had said: Wed Jan 14, 7:00 AM CST" in text(mail)


def test_a_closed_alarm_is_not_silently_left_as_it_was(desk, stored, clock, first) -> None:
    """Told, ended, seen and off the list; days later it turns out that it was never there."""
    over = msgspec.structs.replace(first, end_at=NOON + H)
    clock.pass_by(hours=3)
    stored(over)
    story(desk, clock, over)
    (alarm,) = desk.alarms()
    desk.acknowledge(alarm.alarm_id, "kim")
    clock.pass_by(days=2)
    stored(gone(over))
    story(desk, clock, gone(over))
    (alarm,) = desk.alarms()
    assert alarm.log[-1].action is Action.WITHDRAW
    assert desk.outbox.recent()[0].subject.startswith("Withdrawn: ")
    before = len(desk.outbox.recent())
    story(desk, clock, gone(over))
    assert len(desk.outbox.recent()) == before


def test_a_correction_waits_while_the_alarm_is_shelved(desk, stored, clock, first) -> None:
    (alarm,) = desk.alarms()
    desk.shelve(alarm.alarm_id, clock.now + 5 * H, "kim", "in the shop")
    now = moved(first, -6.0)
    stored(now, gone(first))
    story(desk, clock, now, gone(first))
    assert len(desk.outbox.recent()) == 1
    clock.pass_by(hours=5)
    desk.tick()
    assert desk.outbox.recent()[0].subject.startswith("Corrected: ")


def test_ratings_are_named_when_they_are_the_cause(
    desk,
    stored,
    clock,
    first,
    database: sa.Engine,
    fleet: Fleet,
) -> None:
    Results(database).save(said=Said(first.unit_id, [(gone(first), Cause.WORKED_ANEW)], 5))
    now = moved(first, -6.0)
    stored(now, gone(first))
    story(desk, clock, now, gone(first))
    assert "after its ratings, the settings or the program had changed" in text(
        parsed(desk, desk.outbox.recent()[0].message_id)
    )


def test_what_a_mail_said_is_kept_with_when(desk, stored, clock, first, database: sa.Engine) -> None:
    """Newer evidence takes nothing back, but a reminder tells it, so it must be found later."""
    newer = msgspec.structs.replace(first, evidence=first.evidence[:1], run_start_at=NOON)
    stored(newer)
    story(desk, clock, newer)
    clock.pass_by(hours=48)
    desk.tick()
    kept = FindingVersions(database).of_findings(Finding, [first.finding_id])
    assert [one.finding for one in kept] == [first, newer]
    assert [one.mailed_at_ms for one in kept] == [
        round(NOON.timestamp() * 1000),
        round(clock.now.timestamp() * 1000),
    ]
