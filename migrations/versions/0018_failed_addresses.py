"""which addresses failed at a host, so that one alone doesn't speak for all

Revision ID: 0018
Revises: 0017
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column, empty: what rests already rests as before, until something succeeds there."""
    with op.batch_alter_table("destination") as batch:
        batch.add_column(sa.Column("addresses", sa.JSON(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("destination") as batch:
        batch.drop_column("addresses")
