"""home: where a person sets out, and drives that nobody gave

Revision ID: 0025
Revises: 0024
"""

from __future__ import annotations

from collections.abc import Callable

import sqlalchemy as sa
from alembic import op

revision = "0025"
down_revision = "0024"
branch_labels = None
depends_on = None

_COLUMNS = ("home_lat_deg", "home_lon_deg", "home_speed_kmh")
_USUAL = "PT1H30M"
"""The drive that versions before wrote where nobody gave one."""


def upgrade() -> None:
    """Add the columns, empty. A subscription with the usual drive counts as one that gives none: an estimate
    from home goes before it. What was decided keeps its drive."""
    with op.batch_alter_table("person") as batch:
        for name in _COLUMNS:
            batch.add_column(sa.Column(name, sa.Double(), nullable=True))
    _rewrite("subscription", lambda drive, _: None if drive == _USUAL else drive)


def downgrade() -> None:
    """Versions before know no wishes without a drive."""
    for table in ("subscription", "wish_snapshot"):
        _rewrite(table, lambda drive, estimate: drive or estimate or _USUAL)
    with op.batch_alter_table("person") as batch:
        for name in _COLUMNS:
            batch.drop_column(name)


def _rewrite(table: str, drive_of: Callable[[str | None, str | None], str | None]) -> None:
    rows = sa.table(table, sa.column("id", sa.Integer), sa.column("wishes", sa.JSON))
    connection = op.get_bind()
    for number, wishes in connection.execute(sa.select(rows.c.id, rows.c.wishes)).all():
        drive = drive_of(wishes.get("drive"), wishes.get("drive_estimate"))
        if "drive" in wishes and drive != wishes["drive"]:
            new = {**wishes, "drive": drive}
            connection.execute(sa.update(rows).where(rows.c.id == number).values(wishes=new))
