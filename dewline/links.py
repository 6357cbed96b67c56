"""Link state of each truck, as its birth and last-will messages tell it. Called by the listener's thread."""

from __future__ import annotations

import sqlalchemy as sa

from ingest.database import links, upsert


class Links:
    """Writes the table `links`; `since_ms` is when the state began, not when it was last told."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine

    def put(self, unit_id: str, state: str, at_ms: int) -> None:
        """Keep a unit's state; one that is told again changes nothing."""
        with self._engine.begin() as connection:
            known = connection.scalar(sa.select(links.c.state).where(links.c.unit_id == unit_id))
            if known != state:
                row = {"unit_id": unit_id, "state": state, "since_ms": at_ms}
                connection.execute(upsert(self._engine, links), [row])
