"""The register of units: who is in the fleet and what their machines are rated for."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from ingest import json_record
from ingest.database import insert_if_absent, units, upsert
from ingest.fleet_file import FleetFileError, read_fleet_csv
from ingest.profile import UnitProfile

__all__ = ["FleetFileError", "Register", "read_fleet_csv"]

# Asked for with every reading: building a query takes longer than carrying it out.
_RECORD = sa.select(units.c.record).where(units.c.unit_id == sa.bindparam("unit_id"))


class Register:
    """Profiles of units, in the table `units`. Any thread may call it."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine

    def get(self, unit_id: str) -> UnitProfile | None:
        """The profile, or None for a unit nobody has heard of."""
        with self._engine.connect() as connection:
            record = connection.scalar(_RECORD, {"unit_id": unit_id})
        return None if record is None else _profile(record)

    def all(self) -> list[UnitProfile]:
        """Every profile, in order of unit_id."""
        with self._engine.connect() as connection:
            return [
                _profile(r) for r in connection.scalars(sa.select(units.c.record).order_by(units.c.unit_id))
            ]

    def put(self, profile: UnitProfile, now_ms: int) -> None:
        """Add or replace a profile; a unit that was there keeps the instant it was first registered."""
        self.put_many([profile], now_ms)

    def put_many(self, profiles: list[UnitProfile], now_ms: int) -> None:
        """`put` for many, all or none."""
        if not profiles:
            return
        rows = [_row(profile, now_ms) for profile in profiles]
        with self._engine.begin() as connection:
            connection.execute(upsert(self._engine, units, keep=("registered_at_ms",)), rows)

    def ensure(self, unit_id: str, now_ms: int) -> UnitProfile:
        """The profile; a unit not known yet is registered with the usual ratings, as provisional."""
        profile = self.get(unit_id)
        if profile is None:
            profile = UnitProfile(unit_id=unit_id, provisional=True)
            with self._engine.begin() as connection:
                # Between the look and this write, somebody may have registered it properly: theirs stays.
                connection.execute(insert_if_absent(self._engine, units), [_row(profile, now_ms)])
            profile = self.get(unit_id) or profile
        return profile

    def remove(self, unit_id: str) -> bool:
        """Forget a profile, not its readings; whether there was one."""
        with self._engine.begin() as connection:
            return connection.execute(sa.delete(units).where(units.c.unit_id == unit_id)).rowcount > 0


def _row(profile: UnitProfile, now_ms: int) -> dict[str, Any]:
    return {
        "unit_id": profile.unit_id,
        "record": json_record.encode(profile),
        "registered_at_ms": now_ms,
    }


def _profile(record: str) -> UnitProfile:
    return json_record.decode(record, UnitProfile)
