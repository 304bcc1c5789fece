"""site names: found without their case, by an index

Revision ID: 0022
Revises: 0021
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None

BLOCK = 1000


def upgrade() -> None:
    """Add the folded name and fill it in: Python folds all letters, SQLite's lower() only ASCII ones."""
    with op.batch_alter_table("site") as batch:
        batch.add_column(sa.Column("folded_name", sa.String(600), nullable=True))
        batch.create_index("ix_site_folded_name", ["folded_name", "owner_id"])
    site = sa.table("site", sa.column("id"), sa.column("name"), sa.column("folded_name"))
    fill = site.update().where(site.c.id == sa.bindparam("row_id")).values(folded_name=sa.bindparam("folded"))
    connection, last = op.get_bind(), 0
    while rows := connection.execute(
        sa.select(site.c.id, site.c.name).where(site.c.id > last).order_by(site.c.id).limit(BLOCK)
    ).all():
        connection.execute(fill, [{"row_id": row.id, "folded": row.name.casefold()} for row in rows])
        last = rows[-1].id


def downgrade() -> None:
    with op.batch_alter_table("site") as batch:
        batch.drop_index("ix_site_folded_name")
        batch.drop_column("folded_name")
