"""First tables: units, what the engine says of them, alarms, mail, quarantine."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make every table of the first version."""
    _make_units()
    _make_results()
    _make_alarms()
    op.create_table(
        "quarantine",
        sa.Column("quarantine_id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("received_at_ms", sa.BigInteger(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("quarantine_id", name="pk_quarantine"),
    )
    op.create_index("ix_quarantine_received_at_ms", "quarantine", ["received_at_ms"])


def _make_units() -> None:
    op.create_table(
        "units",
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("registered_at_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("unit_id", name="pk_units"),
    )
    op.create_table(
        "unit_status",
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("observed_at_ms", sa.BigInteger(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("unit_id", name="pk_unit_status"),
    )
    op.create_table(
        "links",
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("unit_id", name="pk_links"),
    )


def _make_results() -> None:
    op.create_table(
        "runs",
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("start_at_ms", sa.BigInteger(), nullable=False),
        sa.Column("end_at_ms", sa.BigInteger(), nullable=True),
        sa.Column("record", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("unit_id", "start_at_ms", name="pk_runs"),
    )
    op.create_table(
        "findings",
        sa.Column("finding_id", sa.String(192), nullable=False),
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("pattern", sa.String(64), nullable=False),
        sa.Column("start_at_ms", sa.BigInteger(), nullable=False),
        sa.Column("end_at_ms", sa.BigInteger(), nullable=True),
        sa.Column("record", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("finding_id", name="pk_findings"),
    )
    op.create_index("ix_findings_unit_id", "findings", ["unit_id"])
    op.create_table(
        "water_days",
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("grams", sa.Float(), nullable=False),
        sa.Column("low", sa.Float(), nullable=False),
        sa.Column("high", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("unit_id", "date", name="pk_water_days"),
    )
    op.create_table(
        "checkpoints",
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("observed_at_ms", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("unit_id", "observed_at_ms", name="pk_checkpoints"),
    )


def _make_alarms() -> None:
    op.create_table(
        "alarms",
        sa.Column("alarm_id", sa.String(64), nullable=False),
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("pattern", sa.String(64), nullable=False),
        sa.Column("state", sa.String(32), nullable=False),
        sa.Column("raised_at_ms", sa.BigInteger(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("alarm_id", name="pk_alarms"),
    )
    op.create_index("ix_alarms_unit_id", "alarms", ["unit_id"])
    op.create_index("ix_alarms_state", "alarms", ["state"])
    op.create_table(
        "outbox",
        sa.Column("message_id", sa.String(255), nullable=False),
        sa.Column("alarm_id", sa.String(64), nullable=True),
        sa.Column("created_at_ms", sa.BigInteger(), nullable=False),
        sa.Column("recipients", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("eml", sa.LargeBinary(), nullable=False),
        sa.Column("sent_at_ms", sa.BigInteger(), nullable=True),
        sa.Column("attempts", sa.Integer(), server_default="0", nullable=False),
        sa.Column("next_attempt_at_ms", sa.BigInteger(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("message_id", name="pk_outbox"),
    )
    op.create_index("ix_outbox_alarm_id", "outbox", ["alarm_id"])
    op.create_index("ix_outbox_created_at_ms", "outbox", ["created_at_ms"])


def downgrade() -> None:
    """Drop them again."""
    for table in (
        "quarantine",
        "outbox",
        "alarms",
        "checkpoints",
        "water_days",
        "findings",
        "runs",
        "links",
        "unit_status",
        "units",
    ):
        op.drop_table(table)
