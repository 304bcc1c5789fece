"""rounded: the copy of a site that others than its owner see and are told about

Revision ID: 0020
Revises: 0019
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column, empty: the next cycle makes the copies, and until then others see no shared site."""
    with op.batch_alter_table("site") as batch:
        batch.add_column(sa.Column("rounded_of_id", sa.Integer(), nullable=True))
    op.create_index("ix_site_rounded_of_id", "site", ["rounded_of_id"], unique=True)


def downgrade() -> None:
    op.drop_index("ix_site_rounded_of_id", table_name="site")
    with op.batch_alter_table("site") as batch:
        batch.drop_column("rounded_of_id")
