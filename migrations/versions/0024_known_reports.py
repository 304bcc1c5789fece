"""known reports: since when a station's report is judged on

Revision ID: 0024
Revises: 0023
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column, empty: what was kept until now came after the nights, and no chance rests on it."""
    with op.batch_alter_table("station_report") as batch:
        batch.add_column(sa.Column("known_at", sa.DateTime(timezone=True), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("station_report") as batch:
        batch.drop_column("known_at")
