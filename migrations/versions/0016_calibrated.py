"""calibrated: by which calibration a decision's chance was corrected

Revision ID: 0016
Revises: 0015
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column with a default, so that the version before this one can still write."""
    with op.batch_alter_table("decision") as batch:
        batch.add_column(sa.Column("calibration", sa.String(length=40), server_default="", nullable=False))


def downgrade() -> None:
    with op.batch_alter_table("decision") as batch:
        batch.drop_column("calibration")
