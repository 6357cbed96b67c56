"""The commands `dewline maintenance ...`: record drains and oil changes, list them, take a record back."""

from __future__ import annotations

import datetime as dt
import getpass
from collections.abc import Iterator
from contextlib import contextmanager

import sqlalchemy as sa

from dewline.console import Terminal
from dewline.fleet import UnknownUnit
from dewline.replay import instant_ms
from dewline.settings import Loaded
from ingest.database import open_database
from ingest.listener import unix_ms
from ingest.maintenance import Maintenance, MaintenanceError, Service, Work
from ingest.register import Register
from ingest.units_of_measure import MS_PER_S

COLUMNS = ("number", "work", "done", "recorded", "by", "taken back")


@contextmanager
def _opened(loaded: Loaded) -> Iterator[sa.Engine]:
    loaded.make_home()
    database = open_database(loaded.database_url)
    try:
        yield database
    finally:
        database.dispose()


def _check_known(database: sa.Engine, unit_id: str) -> None:
    register = Register(database)
    if register.get(unit_id) is None:
        raise UnknownUnit(unit_id, [known.unit_id for known in register.all()])


def record(loaded: Loaded, unit_id: str, work: Work, at: str | None, terminal: Terminal) -> None:
    """Keep that work was done, now or at an instant. Raises UnknownUnit, SpanError, MaintenanceError."""
    now_ms = unix_ms()
    done_at_ms = instant_ms("--at", at)
    with _opened(loaded) as database:
        _check_known(database, unit_id)
        service = Maintenance(database).record(
            unit_id, work, now_ms if done_at_ms is None else done_at_ms, by=_who(), now_ms=now_ms
        )
    terminal.say(
        f"number {service.service_id}: {_named(work)} of unit {unit_id}, {_shown(service.done_at_ms)};"
        " its water is counted anew from there"
    )


def list_services(loaded: Loaded, unit_id: str, terminal: Terminal) -> None:
    """A table of all work recorded on a unit, what was taken back included. Raises UnknownUnit."""
    with _opened(loaded) as database:
        _check_known(database, unit_id)
        services = Maintenance(database).of(unit_id, taken_back=True)
    terminal.table(COLUMNS, [_row(service) for service in services])


def take_back(loaded: Loaded, service_id: int, terminal: Terminal) -> None:
    """Undo a record. Raises MaintenanceError when there is none."""
    with _opened(loaded) as database:
        if not Maintenance(database).take_back(service_id, by=_who(), now_ms=unix_ms()):
            raise MaintenanceError(f"no record has number {service_id}, or it has been taken back before")
    terminal.say(f"number {service_id}: taken back; the unit's water is counted as if it had not been done")


def _row(service: Service) -> list[str]:
    back_ms = service.taken_back_at_ms
    return [
        str(service.service_id),
        _named(service.work),
        _shown(service.done_at_ms),
        _shown(service.recorded_at_ms),
        service.recorded_by,
        "" if back_ms is None else f"{_shown(back_ms)} by {service.taken_back_by}",
    ]


def _named(work: Work) -> str:
    return work.value.replace("_", " ")


def _shown(at_ms: int) -> str:
    return f"{dt.datetime.fromtimestamp(at_ms / MS_PER_S, dt.UTC):%Y-%m-%d %H:%M:%SZ}"


def _who() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "command line"
