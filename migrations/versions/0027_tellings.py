"""tellings: why something or nothing was told, once for all whom it concerns; an index less

Revision ID: 0027
Revises: 0026
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0027"
down_revision = "0026"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Decisions of before keep their own text. Their windows are found by their nights, which have an index."""
    op.create_table(
        "telling",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("why_text", sa.Text(), nullable=False),
        sa.Column("why_text_phrase", sa.JSON(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_telling")),
    )
    op.create_index(op.f("ix_telling_digest"), "telling", ["digest"], unique=False)
    with op.batch_alter_table("decision") as batch:
        batch.add_column(sa.Column("telling_id", sa.Integer(), nullable=True))
    op.drop_index("ix_decision_window_end", table_name="decision")


def downgrade() -> None:
    """Give each decision its own text again."""
    decision = sa.table("decision", *map(sa.column, ("telling_id", "why_text", "why_text_phrase")))
    telling = sa.table("telling", *map(sa.column, ("id", "why_text", "why_text_phrase")))
    own = {
        name: sa.select(telling.c[name]).where(telling.c.id == decision.c.telling_id).scalar_subquery()
        for name in ("why_text", "why_text_phrase")
    }
    op.execute(decision.update().where(decision.c.telling_id.is_not(None)).values(**own))
    op.create_index("ix_decision_window_end", "decision", ["window_end"], unique=False)
    with op.batch_alter_table("decision") as batch:
        batch.drop_column("telling_id")
    op.drop_index(op.f("ix_telling_digest"), table_name="telling")
    op.drop_table("telling")
