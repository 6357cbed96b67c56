"""Work done on a unit that takes its water away: drains and oil changes, as people record them.

A record that was wrong is taken back, never deleted: both stay to explain what was shown when.
"""

from __future__ import annotations

import datetime as dt
import enum

import msgspec
import sqlalchemy as sa

from ingest.database import maintenance
from ingest.units_of_measure import MS_PER_S

EARLIEST_MS = 946_684_800_000
"""2000-01-01: whatever is said to have been done before that is a slip of the hand. [Unix ms]"""


class Work(enum.StrEnum):
    """What was done."""

    DRAIN = "drain"
    """Settled water let out; the oil stays, with what is emulsified in it."""
    OIL_CHANGE = "oil_change"


class MaintenanceError(ValueError):
    """A record can't be taken; the message says what is wrong with it."""


class Service(msgspec.Struct, frozen=True, kw_only=True):
    """One piece of work on one unit."""

    service_id: int
    unit_id: str
    work: Work
    done_at_ms: int
    recorded_at_ms: int
    recorded_by: str
    taken_back_at_ms: int | None = None
    taken_back_by: str = ""

    @property
    def key(self) -> tuple[int, str]:
        """What the engine knows it by; pieces of work are folded in this order."""
        return self.done_at_ms, self.work.value


# Asked for with every reading: building a query takes longer than carrying it out.
_ALL_OF_UNIT = (
    sa.select(*(maintenance.c[name] for name in Service.__struct_fields__))
    .where(maintenance.c.unit_id == sa.bindparam("unit_id"))
    .order_by(maintenance.c.done_at_ms, maintenance.c.work, maintenance.c.service_id)
)
_OF_UNIT = _ALL_OF_UNIT.where(maintenance.c.taken_back_at_ms.is_(None))


class Maintenance:
    """The record of work, in the table `maintenance`. Any thread may call it."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine

    def record(self, unit_id: str, work: Work, done_at_ms: int, *, by: str, now_ms: int) -> Service:
        """Keep that work was done at an instant, which may be long past but not to come. [Unix ms]

        Recording the same work of a unit at the same instant again changes nothing.

        Raises
        ------
        MaintenanceError
            If the instant lies in the future or before 2000.
        """
        if not EARLIEST_MS <= done_at_ms <= now_ms:
            done_at = dt.datetime.fromtimestamp(done_at_ms / MS_PER_S, dt.UTC)
            raise MaintenanceError(
                f"{work.value} of unit {unit_id!r} at {done_at:%Y-%m-%d %H:%M:%S} UTC: expected an instant"
                " from 2000 until now"
            )
        for known in self.of(unit_id):
            if known.key == (done_at_ms, work.value):
                return known
        row = {
            "unit_id": unit_id,
            "work": work.value,
            "done_at_ms": done_at_ms,
            "recorded_at_ms": now_ms,
            "recorded_by": by,
            "taken_back_by": "",
        }
        with self._engine.begin() as connection:
            (service_id,) = connection.execute(sa.insert(maintenance), row).inserted_primary_key or (0,)
        return msgspec.convert(row | {"service_id": service_id}, Service)

    def take_back(self, service_id: int, *, by: str, now_ms: int) -> bool:
        """Undo a record; False when there is none, or it has been taken back already."""
        change = (
            sa.update(maintenance)
            .where(maintenance.c.service_id == service_id, maintenance.c.taken_back_at_ms.is_(None))
            .values(taken_back_at_ms=now_ms, taken_back_by=by)
        )
        with self._engine.begin() as connection:
            return connection.execute(change).rowcount > 0

    def of(self, unit_id: str, *, taken_back: bool = False) -> list[Service]:
        """Work on a unit in the order it was done; `taken_back` brings what was taken back as well."""
        wanted = _ALL_OF_UNIT if taken_back else _OF_UNIT
        with self._engine.connect() as connection:
            rows = connection.execute(wanted, {"unit_id": unit_id}).all()
        names = Service.__struct_fields__
        return [msgspec.convert(dict(zip(names, row, strict=True)), Service) for row in rows]
