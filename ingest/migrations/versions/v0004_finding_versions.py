"""What was said of each finding is kept, version by version; how far each unit has been analysed."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the versions, and two columns to the standing, empty until a unit is analysed again."""
    op.create_table(
        "finding_versions",
        sa.Column("version_id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("unit_id", sa.String(128), nullable=False),
        sa.Column("finding_id", sa.String(192), nullable=False),
        sa.Column("said_at_ms", sa.BigInteger(), nullable=False),
        sa.Column("cause", sa.String(32), nullable=False),
        sa.Column("mailed_at_ms", sa.BigInteger(), nullable=True),
        sa.Column("record", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("version_id", name="pk_finding_versions"),
    )
    op.create_index("ix_finding_versions_unit_id", "finding_versions", ["unit_id"])
    op.create_index("ix_finding_versions_finding_id", "finding_versions", ["finding_id"])
    op.add_column("unit_status", sa.Column("analysed_at_ms", sa.BigInteger(), nullable=True))
    op.add_column("unit_status", sa.Column("n_readings", sa.BigInteger(), nullable=True))


def downgrade() -> None:
    """Drop them again."""
    op.drop_column("unit_status", "n_readings")
    op.drop_column("unit_status", "analysed_at_ms")
    op.drop_table("finding_versions")
