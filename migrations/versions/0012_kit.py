"""kit: the camera and lens of a subscription

Revision ID: 0012
Revises: 0011
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column with a default, so that the version before this one can still write."""
    with op.batch_alter_table("subscription") as batch:
        batch.add_column(sa.Column("kit", sa.String(length=200), server_default="", nullable=False))


def downgrade() -> None:
    with op.batch_alter_table("subscription") as batch:
        batch.drop_column("kit")
