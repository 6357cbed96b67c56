"""The desk: findings in, alarms and outbox rows out, in one transaction."""

from __future__ import annotations

import email
import email.policy

from alerts.alarm import AlarmState
from tests.unit.alerts.conftest import make_finding


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
    parsed = email.message_from_bytes(path.read_bytes(), policy=email.policy.default)
    assert parsed["Message-ID"] == mail.message_id
