"""Who gets which mail."""

from __future__ import annotations

import pytest

from alerts import transitions as life
from alerts.alarm import Priority
from alerts.routing import AddressError, MailSettings, Recipient, Route, recipients_of
from ingest.profile import UnitProfile
from tests.unit.alerts.conftest import NOON, make_finding

BOSS, NORTH, ACME, NIGHT = (
    Recipient(address=f"{name}@fleet.example") for name in ("boss", "north", "line-a", "night")
)
SETTINGS = MailSettings(
    default_recipients=(BOSS,),
    routes=(
        Route(recipients=(NORTH,), yards=frozenset({"North yard"})),
        Route(recipients=(ACME, NORTH), customers=frozenset({"Line A"})),
        Route(recipients=(NIGHT,), yards=frozenset({"Night yard"}), least_priority=Priority.HIGH),
    ),
)


@pytest.mark.parametrize(
    ("yard", "customer", "priority", "expected"),
    [
        ("North yard", "", Priority.LOW, [NORTH]),
        ("North yard", "Line A", Priority.LOW, [NORTH, ACME]),
        ("South yard", "Line A", Priority.LOW, [ACME, NORTH]),
        ("South yard", "Line B", Priority.HIGH, [BOSS]),
        ("Night yard", "", Priority.HIGH, [NIGHT]),
        ("Night yard", "", Priority.MEDIUM, [BOSS]),
    ],
)
def test_recipients_of_yard_customer_and_priority(yard, customer, priority, expected):
    alarm = life.raised(make_finding(), priority, NOON)
    profile = UnitProfile(unit_id="RM-07", yard=yard, customer=customer)
    assert list(recipients_of(alarm, profile, SETTINGS)) == expected


def test_address_twice_in_other_case_gets_one_mail():
    settings = MailSettings(default_recipients=(BOSS, Recipient(address="Boss@Fleet.example")))
    alarm = life.raised(make_finding(), Priority.LOW, NOON)
    assert recipients_of(alarm, UnitProfile(unit_id="RM-07"), settings) == (BOSS,)


@pytest.mark.parametrize(
    "address",
    [
        "",
        "boss",
        "boss@",
        "@fleet.example",
        "a b@c.example",
        "a@b.example\r\nBcc: x@y.example",
        "a@b.example,c@d.example",
        "bøss@fleet.example",
    ],
)
def test_address_that_cannot_be_one(address):
    with pytest.raises(AddressError, match="expected name@domain") as caught:
        Recipient(address=address)
    assert caught.value.address == address


def test_settings_do_not_show_the_password():
    assert "hunter2" not in repr(MailSettings(host="mail.example", username="u", password="hunter2"))
