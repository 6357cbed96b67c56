"""The desk: findings in, alarms and outbox rows out in one transaction; people's steps; time."""

from __future__ import annotations

import datetime as dt
import email
import email.policy
import math
import threading

import msgspec
import pytest
import sqlalchemy as sa

from alerts.alarm import Action, AlarmState, IllegalTransition
from alerts.desk import AlarmDesk, UnknownAlarm
from alerts.routing import Recipient, Route
from ingest import database as tables
from ingest import json_record
from models.records import Pattern, UnitStatus
from tests.unit.alerts.conftest import NOON, make_finding, make_trace, with_mail
from tests.unit.alerts.test_message import STATUS

H = dt.timedelta(hours=1)


def mails(desk):
    found = [
        email.message_from_bytes(desk.outbox.eml(one.message_id), policy=email.policy.default)
        for one in desk.outbox.recent()
    ]
    return sorted(found, key=lambda one: one["Message-ID"])


def heard(database, status: UnitStatus) -> None:
    with database.begin() as connection:
        connection.execute(sa.delete(tables.unit_status))
        connection.execute(
            sa.insert(tables.unit_status).values(
                unit_id=status.unit_id,
                observed_at_ms=int(status.observed_at.timestamp() * 1000),
                record=json_record.encode(status),
            )
        )


def test_consider_raises_alarm_and_mail(desk, stored, settings):
    finding = make_finding()
    stored(finding)
    (alarm,) = desk.consider([finding])
    assert alarm.state is AlarmState.UNACKNOWLEDGED
    assert desk.alarms() == [alarm]
    (mail,) = desk.outbox.recent()
    assert mail.recipients == ("service@fleet.example",)
    assert mail.alarm_id == alarm.alarm_id
    assert "Truck 7" in mail.subject
    (path,) = settings.outbox_folder.iterdir()
    assert (
        email.message_from_bytes(path.read_bytes(), policy=email.policy.default)["Message-ID"]
        == mail.message_id
    )


def test_consider_again_changes_nothing(desk, stored):
    finding = make_finding()
    stored(finding)
    desk.consider([finding])
    before = desk.alarms()
    for _ in range(3):
        assert desk.consider([finding]) == []
        assert desk.tick() == []
    assert desk.alarms() == before
    assert len(desk.outbox.recent()) == 1


def test_desk_started_anew_goes_on_where_the_other_stopped(desk, stored, database, fleet, settings, clock):
    finding = make_finding()
    stored(finding)
    desk.consider([finding])
    another = AlarmDesk(database, fleet, settings, lambda *_: None, clock)
    assert another.consider([finding]) == []
    assert len(another.outbox.recent()) == 1


def test_mail_that_cannot_be_written_leaves_no_alarm_either(desk, stored, monkeypatch):
    finding = make_finding()
    stored(finding)
    with monkeypatch.context() as patch:
        patch.setattr(desk.outbox, "put", lambda *_, **__: (_ for _ in ()).throw(RuntimeError("disk full")))
        with pytest.raises(RuntimeError, match="disk full"):
            desk.consider([finding])
    assert desk.alarms() == []
    assert len(desk.consider([finding])) == 1
    assert len(desk.outbox.recent()) == 1


def test_condition_that_ends_sends_a_reply_in_the_thread(desk, stored, clock):
    finding = make_finding()
    stored(finding)
    desk.consider([finding])
    clock.pass_by(hours=5)
    over = msgspec.structs.replace(finding, end_at=NOON + H)
    stored(over)
    (alarm,) = desk.consider([over])
    assert alarm.state is AlarmState.RETURNED_UNACKNOWLEDGED
    cleared, raised = mails(desk)
    assert cleared["Subject"].startswith("Ended: Truck 7")
    assert cleared["In-Reply-To"] == raised["Message-ID"]


def test_tick_ends_an_alarm_after_the_off_delay_without_a_new_finding(desk, stored, clock):
    finding = make_finding()
    stored(finding)
    desk.consider([finding])
    over = msgspec.structs.replace(finding, end_at=NOON + H)
    clock.pass_by(hours=1)
    stored(over)
    (alarm,) = desk.consider([over])
    assert alarm.state is AlarmState.UNACKNOWLEDGED
    clock.pass_by(hours=1)
    (alarm,) = desk.tick()
    assert alarm.state is AlarmState.RETURNED_UNACKNOWLEDGED


def test_end_that_was_never_considered_is_found_by_the_tick(desk, stored, clock):
    """The process was killed, or the database locked, between writing the end and telling the desk."""
    finding = make_finding()
    stored(finding)
    desk.consider([finding])
    stored(msgspec.structs.replace(finding, end_at=NOON + H))
    clock.pass_by(hours=2)
    desk.tick()
    clock.pass_by(hours=2)
    desk.tick()
    (alarm,) = desk.alarms()
    assert alarm.state is AlarmState.RETURNED_UNACKNOWLEDGED


def test_finding_marked_as_withdrawn_closes_its_alarm(desk, stored, clock):
    finding = make_finding()
    stored(finding)
    (alarm,) = desk.consider([finding])
    undone = msgspec.structs.replace(finding, end_at=NOON + H, withdrawn=True)
    stored(undone)
    clock.pass_by(minutes=1)
    desk.consider([undone])
    clock.pass_by(minutes=2)
    desk.tick()
    assert desk.alarm(alarm.alarm_id).state is AlarmState.NORMAL
    assert desk.history(alarm.alarm_id)[-1].action is Action.WITHDRAW


def test_tick_raises_what_has_stood_for_its_on_delay(desk, stored, clock):
    finding = make_finding(Pattern.PRESSURE_SENSOR_ICING)
    stored(finding)
    assert desk.consider([finding]) == []
    clock.pass_by(minutes=5)
    (alarm,) = desk.tick()
    assert alarm.pattern is Pattern.PRESSURE_SENSOR_ICING


def test_finding_taken_back_by_late_data_closes_its_alarm(desk, stored, clock):
    finding = make_finding()
    stored(finding)
    (alarm,) = desk.consider([finding])
    stored()
    clock.pass_by(minutes=1)
    desk.tick()
    clock.pass_by(minutes=1)
    desk.tick()
    closed = desk.alarm(alarm.alarm_id)
    assert closed.state is AlarmState.NORMAL
    assert desk.history(alarm.alarm_id)[-1].action is Action.WITHDRAW
    assert mails(desk)[0]["Subject"].startswith("Withdrawn: ")


def test_imported_history_mails_only_what_still_stands(desk, stored, database):
    past = [
        make_finding(number=n, flagged_at=NOON - 24 * n * H, end_at=NOON - 24 * n * H + H)
        for n in range(5, 40)
    ]
    standing = make_finding(Pattern.NEVER_REACHING_TEMPERATURE, flagged_at=NOON - 240 * H)
    stored(*past, standing)
    heard(database, msgspec.structs.replace(STATUS, observed_at=NOON - H))
    (alarm,) = desk.consider([*past, standing])
    assert alarm.finding == standing
    assert len(desk.outbox.recent()) == 1


def test_standing_finding_of_a_unit_silent_for_long_is_listed_but_not_mailed(desk, stored, database):
    finding = make_finding(flagged_at=NOON - 2000 * H)
    stored(finding)
    heard(database, msgspec.structs.replace(STATUS, observed_at=NOON - 2000 * H))
    assert len(desk.consider([finding])) == 1
    assert desk.outbox.recent() == []
    heard(database, msgspec.structs.replace(STATUS, observed_at=NOON))
    desk.tick()
    assert len(desk.outbox.recent()) == 1


def test_flood_is_one_summary_mail(desk, stored):
    findings = [make_finding(unit_id=f"RM-{n:03d}") for n in range(50)]
    stored(*findings)
    assert len(desk.consider(findings)) == 50
    (mail,) = desk.outbox.recent()
    assert mail.subject.startswith("50 alarms on 50 units")
    assert mail.alarm_id is None
    assert len(desk.alarms()) == 50


def test_recipients_of_both_unit_systems_get_their_own_mail(database, fleet, settings, clock, stored):
    si, us = Recipient(address="si@fleet.example", units_system="si"), Recipient(address="us@fleet.example")
    routed = with_mail(settings, routes=(Route(recipients=(si, us), yards=frozenset({"North yard"})),))
    desk = AlarmDesk(database, fleet, routed, lambda *_: None, clock)
    heard(database, STATUS)
    finding = make_finding()
    stored(finding)
    desk.consider([finding])
    by_reader = {mail["To"]: mail.get_body(("plain",)).get_content() for mail in mails(desk)}
    assert "Required temperature: 65 °C" in by_reader["si@fleet.example"]
    assert "Required temperature: 149 °F" in by_reader["us@fleet.example"]


def test_summary_shows_each_reader_only_their_own_yard(database, fleet, settings, clock, stored):
    for n in range(20):
        yard = "North yard" if n % 2 else "South yard"
        fleet[f"U-{n:02d}"] = msgspec.structs.replace(
            fleet["RM-07"], unit_id=f"U-{n:02d}", label="", yard=yard, customer=""
        )
    north, south = Recipient(address="north@fleet.example"), Recipient(address="south@fleet.example")
    routes = (
        Route(recipients=(north,), yards=frozenset({"North yard"})),
        Route(recipients=(south,), yards=frozenset({"South yard"})),
    )
    desk = AlarmDesk(database, fleet, with_mail(settings, routes=routes), lambda *_: None, clock)
    findings = [make_finding(unit_id=f"U-{n:02d}") for n in range(20)]
    stored(*findings)
    desk.consider(findings)
    texts = {mail["To"]: mail.get_body(("plain",)).get_content() for mail in mails(desk)}
    assert "U-01" in texts["north@fleet.example"]
    assert "U-00" not in texts["north@fleet.example"]
    assert "U-00" in texts["south@fleet.example"]


def test_mail_carries_the_picture_of_the_signals(database, fleet, settings, clock, stored):
    asked = []

    def trace_of(unit_id, start_ms, end_ms):
        asked.append((unit_id, start_ms, end_ms))
        return make_trace(unit_id, start_ms, end_ms)

    desk = AlarmDesk(database, fleet, settings, trace_of, clock)
    finding = make_finding()
    stored(finding)
    desk.consider([finding])
    (mail,) = mails(desk)
    assert [part.get_content_type() for part in mail.walk()][-1] == "image/png"
    ((unit_id, start_ms, end_ms),) = asked
    assert (unit_id, start_ms < end_ms) == ("RM-07", True)
    assert "(dotted line)" in mail.get_body(("html",)).get_content()


def test_store_that_fails_does_not_stop_the_warning(database, fleet, settings, clock, stored, caplog):
    def trace_of(*_):
        raise OSError("store is away")

    desk = AlarmDesk(database, fleet, settings, trace_of, clock)
    finding = make_finding()
    stored(finding)
    assert len(desk.consider([finding])) == 1
    assert len(desk.outbox.recent()) == 1
    assert "store is away" in caplog.text


def test_unit_nobody_registered_still_warns(desk, stored):
    finding = make_finding(unit_id="stranger")
    stored(finding)
    desk.consider([finding])
    assert "stranger" in desk.outbox.recent()[0].subject


def test_acknowledge_undo_shelve_and_service_are_logged_by_name(desk, stored, clock):
    finding = make_finding()
    stored(finding)
    (alarm,) = desk.consider([finding])
    desk.acknowledge(alarm.alarm_id, "kim", "on my way")
    desk.unacknowledge(alarm.alarm_id, "kim")
    desk.shelve(alarm.alarm_id, NOON + 8 * H, "lee", "parts ordered")
    desk.unshelve(alarm.alarm_id, "lee")
    desk.take_out_of_service(alarm.alarm_id, "lee", "in the shop")
    desk.return_to_service(alarm.alarm_id, "lee")
    steps = [(entry.by, entry.action) for entry in desk.history(alarm.alarm_id)]
    assert steps == [
        ("dewline", Action.RAISE),
        ("kim", Action.ACKNOWLEDGE),
        ("kim", Action.UNACKNOWLEDGE),
        ("lee", Action.SHELVE),
        ("lee", Action.UNSHELVE),
        ("lee", Action.TAKE_OUT_OF_SERVICE),
        ("lee", Action.RETURN_TO_SERVICE),
    ]
    assert desk.alarm(alarm.alarm_id).state is AlarmState.UNACKNOWLEDGED


def test_shelved_alarm_comes_back_by_tick(desk, stored, clock):
    finding = make_finding()
    stored(finding)
    (alarm,) = desk.consider([finding])
    desk.shelve(alarm.alarm_id, NOON + 8 * H, "lee", "parts ordered")
    clock.pass_by(hours=8)
    (back,) = desk.tick()
    assert back.state is AlarmState.UNACKNOWLEDGED


def test_shelving_for_too_long(desk, stored, settings):
    finding = make_finding()
    stored(finding)
    (alarm,) = desk.consider([finding])
    with pytest.raises(ValueError, match="expected at most 14 days"):
        desk.shelve(alarm.alarm_id, NOON + 15 * 24 * H, "lee", "parts ordered")


def test_step_on_an_alarm_that_is_not_there_or_not_in_that_state(desk, stored):
    with pytest.raises(UnknownAlarm, match="no alarm has the id 'nothing'"):
        desk.acknowledge("nothing", "kim")
    finding = make_finding()
    stored(finding)
    (alarm,) = desk.consider([finding])
    desk.acknowledge(alarm.alarm_id, "kim")
    with pytest.raises(IllegalTransition, match="can't acknowledge"):
        desk.acknowledge(alarm.alarm_id, "lee")
    assert desk.alarm(alarm.alarm_id).acknowledged_by == "kim"


def test_alarms_by_state_most_urgent_first(desk, stored, clock):
    short = make_finding()
    icing = make_finding(Pattern.PRESSURE_SENSOR_ICING, "RM-08", flagged_at=NOON - H)
    stored(short, icing)
    desk.consider([short, icing])
    assert [alarm.unit_id for alarm in desk.alarms()] == ["RM-08", "RM-07"]
    (first, second) = desk.alarms()
    desk.acknowledge(first.alarm_id, "kim")
    assert [alarm.unit_id for alarm in desk.alarms([AlarmState.UNACKNOWLEDGED])] == [second.unit_id]


def test_end_still_to_be_told_is_told_though_the_alarm_is_closed(desk, stored, clock):
    """A fluttering alarm that closes within the mail gap: its end is told when the gap is over."""
    finding = make_finding()
    stored(finding)
    (alarm,) = desk.consider([finding])
    clock.pass_by(hours=2)
    over = msgspec.structs.replace(finding, end_at=clock.now - H)
    stored(over)
    desk.consider([over])
    clock.pass_by(hours=7)
    back = make_finding(number=2, flagged_at=clock.now)
    stored(back)
    desk.consider([back])
    desk.acknowledge(alarm.alarm_id, "kim")
    clock.pass_by(hours=2)
    over = msgspec.structs.replace(back, end_at=clock.now - H)
    stored(over)
    desk.consider([over])
    assert desk.alarm(alarm.alarm_id).state is AlarmState.NORMAL
    before = len(desk.outbox.recent())
    clock.pass_by(hours=6)
    desk.tick()
    assert len(desk.outbox.recent()) == before + 1
    assert desk.outbox.recent()[0].subject.startswith("Ended: ")


def test_many_threads_raise_one_alarm(tmp_path, fleet, settings, clock):
    engine = sa.create_engine(f"sqlite:///{tmp_path / 'operations.db'}")
    tables.metadata.create_all(engine)
    desk = AlarmDesk(engine, fleet, settings, lambda *_: None, clock)
    finding = make_finding()
    threads = [threading.Thread(target=desk.consider, args=([finding],)) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(desk.alarms()) == 1
    assert len(desk.outbox.recent()) == 1
    engine.dispose()


def test_a_unit_whose_values_are_not_known_raises_its_alarm_all_the_same(desk, stored, database):
    finding = make_finding()
    stored(finding)
    unknown = dict.fromkeys(("pressure_kpa", "pressure_dew_point_c", "dry_out_longest_min"), math.nan)
    heard(database, msgspec.structs.replace(STATUS, **unknown))
    (alarm,) = desk.consider([finding])
    assert alarm.state is AlarmState.UNACKNOWLEDGED
    assert len(desk.outbox.recent()) == 1


def test_a_sump_that_no_run_can_dry_is_mailed_as_such(desk, stored, database):
    finding = make_finding()
    stored(finding)
    heard(database, msgspec.structs.replace(STATUS, dry_out_min=math.inf, dry_out_longest_min=math.inf))
    desk.consider([finding])
    (mail,) = mails(desk)
    assert "too wet to dry it" in " ".join(mail.get_body(("plain",)).get_content().split())
