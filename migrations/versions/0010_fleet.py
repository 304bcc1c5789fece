"""fleet: parts of cycles, duties taken in turn, indexes of what is due

Revision ID: 0010
Revises: 0004
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0004"
branch_labels = None
depends_on = None

OPEN, WAITING, SENDING = "done_at IS NULL", "status IN ('due', 'retry')", "status = 'sending'"


def upgrade() -> None:
    op.create_table(
        "cycle_part",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("cycle_id", sa.Integer(), nullable=False),
        sa.Column("stage", sa.String(length=12), nullable=False),
        sa.Column("ids", sa.JSON(), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("lease_token", sa.String(length=40), nullable=True),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("counts", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["cycle_id"], ["cycle.id"], name=op.f("fk_cycle_part_cycle_id_cycle")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cycle_part")),
    )
    op.create_index(op.f("ix_cycle_part_cycle_id"), "cycle_part", ["cycle_id"], unique=False)
    op.create_index(
        "ix_cycle_part_open",
        "cycle_part",
        ["cycle_id", "stage"],
        unique=False,
        postgresql_where=sa.text(OPEN),
        sqlite_where=sa.text(OPEN),
    )
    op.create_table(
        "duty_turn",
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_duty_turn")),
    )
    _index_messages("ix_message_waiting", ["due_at", "id"], WAITING)
    _index_messages("ix_message_sending", ["leased_until"], SENDING)
    op.drop_index("ix_message_status_due_at", table_name="message")


def _index_messages(name: str, columns: list[str], where: str) -> None:
    op.create_index(
        name,
        "message",
        columns,
        unique=False,
        postgresql_where=sa.text(where),
        sqlite_where=sa.text(where),
    )


def downgrade() -> None:
    op.create_index("ix_message_status_due_at", "message", ["status", "due_at"], unique=False)
    op.drop_index("ix_message_sending", table_name="message")
    op.drop_index("ix_message_waiting", table_name="message")
    op.drop_table("duty_turn")
    op.drop_table("cycle_part")
