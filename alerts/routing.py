"""Who gets which mail: by yard, customer and priority. Pure; the table comes from the settings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from email.errors import MessageError
from email.headerregistry import Address
from typing import Literal

from alerts.alarm import Alarm, Priority
from ingest.profile import UnitProfile

UnitsSystem = Literal["us", "si"]


class AddressError(ValueError):
    """A mail address that can't be one. `address` is what was given."""

    def __init__(self, address: str) -> None:
        super().__init__(f"mail address {address!r}: expected name@domain and nothing else")
        self.address = address


@dataclass(frozen=True, kw_only=True)
class Recipient:
    """One mailbox and the units of measure its owner reads."""

    address: str
    units_system: UnitsSystem = "us"

    def __post_init__(self) -> None:
        try:
            parsed = Address(addr_spec=self.address)
        except (ValueError, IndexError, MessageError) as error:
            raise AddressError(self.address) from error
        if not (parsed.username and parsed.domain) or not all(33 <= ord(char) < 127 for char in self.address):
            raise AddressError(self.address)


@dataclass(frozen=True, kw_only=True)
class Route:
    """Sends matching alarms to `recipients`. An empty set of yards or customers matches any."""

    recipients: tuple[Recipient, ...]
    yards: frozenset[str] = frozenset()
    customers: frozenset[str] = frozenset()
    least_priority: Priority = Priority.LOW
    """Alarms less urgent than this are not for this route."""

    def matches(self, alarm: Alarm, profile: UnitProfile) -> bool:
        """True when the alarm of that unit belongs to this route."""
        return (
            (not self.yards or profile.yard in self.yards)
            and (not self.customers or profile.customer in self.customers)
            and alarm.priority.rank <= self.least_priority.rank
        )


@dataclass(frozen=True, kw_only=True)
class MailSettings:
    """The mail server and who reads what. Without `host` mails stay in the outbox, readable."""

    host: str = ""
    port: int = 587
    security: Literal["starttls", "tls", "none"] = "starttls"
    username: str = ""
    password: str = ""
    ca_file: str = ""
    """Certificate authority of the server, where it is not one of the system's."""
    timeout_s: float = 20.0
    sender: str = "dewline@localhost.localdomain"
    default_recipients: tuple[Recipient, ...] = ()
    """Get what no route takes."""
    routes: tuple[Route, ...] = ()
    base_url: str = ""
    """Where the board is, for links; empty: no links."""

    def __post_init__(self) -> None:
        Recipient(address=self.sender)

    @property
    def domain(self) -> str:
        """Right-hand side of message ids."""
        return self.sender.rpartition("@")[2]

    def __repr__(self) -> str:
        return f"MailSettings(host={self.host!r}, port={self.port}, sender={self.sender!r})"


def recipients_of(alarm: Alarm, profile: UnitProfile, settings: MailSettings) -> tuple[Recipient, ...]:
    """Everybody who gets mails about the alarm, each address once, in order of the routes."""
    matching = [route for route in settings.routes if route.matches(alarm, profile)]
    if not matching:
        return _each_once(settings.default_recipients)
    return _each_once(recipient for route in matching for recipient in route.recipients)


@dataclass(frozen=True, kw_only=True)
class Audience:
    """Readers who get the same mail: same units of measure, same alarms."""

    units_system: UnitsSystem
    addresses: tuple[str, ...]
    alarms: tuple[Alarm, ...]


def audiences(
    alarms: Sequence[Alarm], profiles: Mapping[str, UnitProfile], settings: MailSettings
) -> list[Audience]:
    """Groups of readers of these alarms; with no recipient at all, one audience without addresses."""
    concerns: dict[Recipient, list[Alarm]] = {}
    for alarm in alarms:
        for recipient in recipients_of(alarm, profiles[alarm.unit_id], settings):
            concerns.setdefault(recipient, []).append(alarm)
    groups: dict[tuple[UnitsSystem, tuple[str, ...]], tuple[list[str], list[Alarm]]] = {}
    for recipient, theirs in concerns.items():
        key = (recipient.units_system, tuple(alarm.alarm_id for alarm in theirs))
        groups.setdefault(key, ([], theirs))[0].append(recipient.address)
    if not groups:
        return [Audience(units_system="us", addresses=(), alarms=tuple(alarms))]
    return [
        Audience(units_system=units_system, addresses=tuple(addresses), alarms=tuple(theirs))
        for (units_system, _), (addresses, theirs) in groups.items()
    ]


def _each_once(recipients: Iterable[Recipient]) -> tuple[Recipient, ...]:
    kept: dict[str, Recipient] = {}
    for recipient in recipients:
        kept.setdefault(recipient.address.casefold(), recipient)
    return tuple(kept.values())
