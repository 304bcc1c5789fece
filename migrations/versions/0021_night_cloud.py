"""night cloud: how clear each night was at a place, from which a place's climate is learned

Revision ID: 0021
Revises: 0020
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table, empty: it fills with the nights to come."""
    op.create_table(
        "night_cloud",
        sa.Column("place", sa.String(length=24), nullable=False),
        sa.Column("night_name", sa.Date(), nullable=False),
        sa.Column("month", sa.Integer(), nullable=False),
        sa.Column("clear_share", sa.Double(), nullable=False),
        sa.Column("noted_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("place", "night_name", name=op.f("pk_night_cloud")),
    )
    op.create_index(
        "ix_night_cloud_by_month", "night_cloud", ["place", "month", "noted_at", "clear_share"], unique=False
    )


def downgrade() -> None:
    op.drop_table("night_cloud")
