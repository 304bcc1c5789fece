"""wish sets: the wishes that the record's ledgers are kept for

Revision ID: 0015
Revises: 0014
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "wish_set",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("wishes", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_wish_set")),
    )
    op.execute(sa.text("UPDATE judged_event SET recorded_outcome_id = NULL"))


def downgrade() -> None:
    op.drop_table("wish_set")
