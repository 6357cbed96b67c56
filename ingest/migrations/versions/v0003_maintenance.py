"""Drains and oil changes, as people record them."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "maintenance",
        sa.Column("service_id", sa.Integer, autoincrement=True, nullable=False),
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("work", sa.String(32), nullable=False),
        sa.Column("done_at_ms", sa.BigInteger, nullable=False),
        sa.Column("recorded_at_ms", sa.BigInteger, nullable=False),
        sa.Column("recorded_by", sa.Text, nullable=False),
        sa.Column("taken_back_at_ms", sa.BigInteger, nullable=True),
        sa.Column("taken_back_by", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("service_id", name="pk_maintenance"),
    )
    op.create_index("ix_maintenance_unit_id", "maintenance", ["unit_id"])


def downgrade() -> None:
    """Drop it again."""
    op.drop_index("ix_maintenance_unit_id", "maintenance")
    op.drop_table("maintenance")
