"""The operations database: everything relational, in one schema, whoever writes it.

SQLite beside the readings by default, PostgreSQL by URL. Instants are Unix ms (UTC); a `record` column
holds the whole record as JSON and the columns beside it are those that queries ask for.
"""

from __future__ import annotations

import sqlalchemy as sa

metadata = sa.MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
    }
)

_Id = sa.String(128)
_Ms = sa.BigInteger

units = sa.Table(
    "units",
    metadata,
    sa.Column("unit_id", _Id, primary_key=True),
    sa.Column("record", sa.Text, nullable=False),
    sa.Column("registered_at_ms", _Ms, nullable=False),
)

unit_status = sa.Table(
    "unit_status",
    metadata,
    sa.Column("unit_id", _Id, primary_key=True),
    sa.Column("observed_at_ms", _Ms, nullable=False),
    sa.Column("record", sa.Text, nullable=False),
)

links = sa.Table(
    "links",
    metadata,
    sa.Column("unit_id", _Id, primary_key=True),
    sa.Column("state", sa.String(16), nullable=False),
    sa.Column("since_ms", _Ms, nullable=False),
)

runs = sa.Table(
    "runs",
    metadata,
    sa.Column("unit_id", _Id, primary_key=True),
    sa.Column("start_at_ms", _Ms, primary_key=True),
    sa.Column("end_at_ms", _Ms),
    sa.Column("record", sa.Text, nullable=False),
)

findings = sa.Table(
    "findings",
    metadata,
    sa.Column("finding_id", sa.String(192), primary_key=True),
    sa.Column("unit_id", _Id, nullable=False, index=True),
    sa.Column("pattern", sa.String(64), nullable=False),
    sa.Column("start_at_ms", _Ms, nullable=False),
    sa.Column("end_at_ms", _Ms),
    sa.Column("record", sa.Text, nullable=False),
)

water_days = sa.Table(
    "water_days",
    metadata,
    sa.Column("unit_id", _Id, primary_key=True),
    sa.Column("date", sa.Date, primary_key=True),
    sa.Column("grams", sa.Float, nullable=False),
    sa.Column("low", sa.Float, nullable=False),
    sa.Column("high", sa.Float, nullable=False),
)

checkpoints = sa.Table(
    "checkpoints",
    metadata,
    sa.Column("unit_id", _Id, primary_key=True),
    sa.Column("observed_at_ms", _Ms, primary_key=True),
    sa.Column("state", sa.LargeBinary, nullable=False),
)

alarms = sa.Table(
    "alarms",
    metadata,
    sa.Column("alarm_id", sa.String(64), primary_key=True),
    sa.Column("unit_id", _Id, nullable=False, index=True),
    sa.Column("pattern", sa.String(64), nullable=False),
    sa.Column("state", sa.String(32), nullable=False, index=True),
    sa.Column("raised_at_ms", _Ms, nullable=False),
    sa.Column("record", sa.Text, nullable=False),
)

outbox = sa.Table(
    "outbox",
    metadata,
    sa.Column("message_id", sa.String(255), primary_key=True),
    sa.Column("alarm_id", sa.String(64), index=True),
    sa.Column("created_at_ms", _Ms, nullable=False, index=True),
    sa.Column("recipients", sa.Text, nullable=False),
    sa.Column("subject", sa.Text, nullable=False),
    sa.Column("eml", sa.LargeBinary, nullable=False),
    sa.Column("sent_at_ms", _Ms),
    sa.Column("attempts", sa.Integer, nullable=False, server_default="0"),
    sa.Column("next_attempt_at_ms", _Ms),
    sa.Column("last_error", sa.Text),
)

quarantine = sa.Table(
    "quarantine",
    metadata,
    sa.Column("quarantine_id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("received_at_ms", _Ms, nullable=False, index=True),
    sa.Column("topic", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("payload", sa.LargeBinary, nullable=False),
)
