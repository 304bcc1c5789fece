"""phrases: code and values beside the texts that rows keep

Revision ID: 0026
Revises: 0025
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0026"
down_revision = "0025"
branch_labels = None
depends_on = None

_COLUMNS = {"decision": "why_text_phrase", "message": "note_phrase", "forecast": "rejected_phrase"}


def upgrade() -> None:
    """Add the columns, empty: what was kept until now is shown by its text."""
    for table, name in _COLUMNS.items():
        with op.batch_alter_table(table) as batch:
            batch.add_column(sa.Column(name, sa.JSON(), nullable=True))


def downgrade() -> None:
    for table, name in _COLUMNS.items():
        with op.batch_alter_table(table) as batch:
            batch.drop_column(name)
