"""record: what was said of judged events and what came, as rows that pages read

Revision ID: 0013
Revises: 0012
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """The rows of nights judged before are written by the next run of the verify stage."""
    with op.batch_alter_table("judged_event") as batch:
        batch.add_column(sa.Column("recorded_outcome_id", sa.Integer(), nullable=True))
    op.create_table(
        "record_row",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("night_name", sa.Date(), nullable=False),
        sa.Column("lead", sa.String(length=8), nullable=False),
        sa.Column("judge", sa.String(length=12), nullable=False),
        sa.Column("clear", sa.Boolean(), nullable=True),
        sa.Column("chance_pct", sa.Integer(), nullable=False),
        sa.Column("raw_chance_pct", sa.Integer(), nullable=False),
        sa.Column("told_go", sa.Boolean(), nullable=False),
        sa.Column("is_barred", sa.Boolean(), nullable=False),
        sa.Column("member_share", sa.Double(), nullable=False),
        sa.Column("lineages", sa.JSON(), nullable=False),
        sa.Column("wishes_key", sa.String(length=64), nullable=False),
        sa.Column("go_limit_pct", sa.Integer(), nullable=False),
        sa.Column("is_counted", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["event_id"], ["judged_event.id"], name=op.f("fk_record_row_event_id_judged_event")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_record_row_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_record_row")),
    )
    op.create_index(op.f("ix_record_row_event_id"), "record_row", ["event_id"], unique=False)
    op.create_index(op.f("ix_record_row_wishes_key"), "record_row", ["wishes_key"], unique=False)
    op.create_index("ix_record_row_site_id_night_name", "record_row", ["site_id", "night_name"], unique=False)


def downgrade() -> None:
    op.drop_table("record_row")
    with op.batch_alter_table("judged_event") as batch:
        batch.drop_column("recorded_outcome_id")
