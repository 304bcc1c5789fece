"""nights due: when each night of a subscription must be looked at again

Revision ID: 0017
Revises: 0016
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column, empty: until it is first written all nights are looked at, as before."""
    with op.batch_alter_table("subscription") as batch:
        batch.add_column(sa.Column("nights_due", sa.JSON(none_as_null=True), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("subscription") as batch:
        batch.drop_column("nights_due")
