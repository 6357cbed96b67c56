"""Quarantine: what came from a file is kept once, however often the file is imported."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the fingerprint; entries that are there already have none."""
    op.add_column("quarantine", sa.Column("fingerprint", sa.String(64), nullable=True))
    op.create_index("ix_quarantine_fingerprint", "quarantine", ["fingerprint"], unique=True)


def downgrade() -> None:
    """Drop it again."""
    op.drop_index("ix_quarantine_fingerprint", "quarantine")
    op.drop_column("quarantine", "fingerprint")
