"""forgetting: indexes by which old nights and decisions are taken out

Revision ID: 0014
Revises: 0013
"""

from __future__ import annotations

from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

INDEXES = (
    ("decision", "night_id"),
    ("decision", "finding_id"),
    ("alert", "decision_id"),
)


def upgrade() -> None:
    """Without them, each parent row taken out costs a reading of all its children."""
    for table, column in INDEXES:
        op.create_index(op.f(f"ix_{table}_{column}"), table, [column])


def downgrade() -> None:
    for table, column in INDEXES:
        op.drop_index(op.f(f"ix_{table}_{column}"), table)
