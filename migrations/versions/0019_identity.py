"""identity: which addresses are the operator's own, and who may keep sites

Revision ID: 0019
Revises: 0018
"""

from __future__ import annotations

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

PERSON = sa.table("person", sa.column("id", sa.Integer), sa.column("is_operator", sa.Boolean))
ADDRESS = sa.table("address", sa.column("person_id", sa.Integer), sa.column("channel", sa.String))
TOKEN = sa.table(
    "token",
    sa.column("person_id", sa.Integer),
    sa.column("purpose", sa.String),
    sa.column("used_at", sa.DateTime(timezone=True)),
)


def upgrade() -> None:
    """Add both marks, set nowhere: what nobody has vouched for opens nothing.

    Whoever was told by mail could sign in as the operator until now, so the operator's browsers are signed
    out where there is such an address; `duskbell link` opens one again.
    """
    no = sa.false()
    with op.batch_alter_table("address") as batch:
        batch.add_column(sa.Column("is_own", sa.Boolean(), server_default=no, nullable=False))
    with op.batch_alter_table("person") as batch:
        batch.add_column(sa.Column("may_keep_sites", sa.Boolean(), server_default=no, nullable=False))
    mailed = (
        sa.select(PERSON.c.id)
        .join(ADDRESS, ADDRESS.c.person_id == PERSON.c.id)
        .where(PERSON.c.is_operator, ADDRESS.c.channel == "email")
    )
    op.execute(
        sa.update(TOKEN)
        .where(TOKEN.c.purpose == "session", TOKEN.c.used_at.is_(None), TOKEN.c.person_id.in_(mailed))
        .values(used_at=_now())
    )


def _now() -> datetime:
    """As each database keeps times: with its zone on PostgreSQL, as UTC without one on SQLite."""
    now = datetime.now(UTC)
    return now.replace(tzinfo=None) if op.get_bind().dialect.name == "sqlite" else now


def downgrade() -> None:
    with op.batch_alter_table("person") as batch:
        batch.drop_column("may_keep_sites")
    with op.batch_alter_table("address") as batch:
        batch.drop_column("is_own")
