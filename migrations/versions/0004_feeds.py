"""feeds: allowance, turns, breakers, what is due

Revision ID: 0004
Revises: 0003
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "feed_window",
        sa.Column("provider", sa.String(length=40), nullable=False),
        sa.Column("unit_s", sa.Integer(), nullable=False),
        sa.Column("starts", sa.DateTime(timezone=True), nullable=False),
        sa.Column("used", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("provider", "unit_s", name=op.f("pk_feed_window")),
    )
    op.create_table(
        "feed_turn",
        sa.Column("provider", sa.String(length=40), nullable=False),
        sa.Column("token", sa.String(length=40), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("provider", name=op.f("pk_feed_turn")),
    )
    op.create_table(
        "feed_state",
        sa.Column("feed", sa.String(length=40), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("retry_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("feed", name=op.f("pk_feed_state")),
    )
    op.create_table(
        "place_check",
        sa.Column("place", sa.String(length=40), nullable=False),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("place", name=op.f("pk_place_check")),
    )


def downgrade() -> None:
    for table in ("place_check", "feed_state", "feed_turn", "feed_window"):
        op.drop_table(table)
