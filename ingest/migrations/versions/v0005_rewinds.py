"""A unit's history that is being worked through again is in the database, so that no crash forgets it."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add what is in hand, what the last analysis was made with, and when the alarm desk heard a version."""
    op.create_table(
        "rewinds",
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("from_ms", sa.BigInteger(), nullable=True),
        sa.Column("cause", sa.String(32), nullable=True),
        sa.PrimaryKeyConstraint("unit_id", name="pk_rewinds"),
    )
    op.create_table(
        "unsaid_findings",
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("finding_id", sa.String(192), nullable=False),
        sa.Column("flagged_at_ms", sa.BigInteger(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("unit_id", "finding_id", name="pk_unsaid_findings"),
    )
    op.add_column("unit_status", sa.Column("made_with", sa.String(64), nullable=True))
    op.add_column("unit_status", sa.Column("serviced", sa.Text(), nullable=True))
    op.add_column("finding_versions", sa.Column("heard_at_ms", sa.BigInteger(), nullable=True))
    # What was said before this step has been heard as far as it ever will be.
    op.execute("UPDATE finding_versions SET heard_at_ms = said_at_ms")


def downgrade() -> None:
    """Drop them again."""
    op.drop_column("finding_versions", "heard_at_ms")
    op.drop_column("unit_status", "serviced")
    op.drop_column("unit_status", "made_with")
    op.drop_table("unsaid_findings")
    op.drop_table("rewinds")
