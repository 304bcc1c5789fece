"""browsers and keys: when a browser was last seen, what a key may do, and whether its owner was warned

Revision ID: 0023
Revises: 0022
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.column_types import UtcDateTime

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns, empty: a key without a scope is one from before, and does what it did."""
    with op.batch_alter_table("token") as batch:
        batch.add_column(sa.Column("seen_at", UtcDateTime(), nullable=True))
        batch.add_column(sa.Column("scope", sa.String(60), nullable=True))
        batch.add_column(sa.Column("warned_at", UtcDateTime(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("token") as batch:
        for name in ("seen_at", "scope", "warned_at"):
            batch.drop_column(name)
