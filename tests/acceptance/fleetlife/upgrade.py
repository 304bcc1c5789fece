"""A newer version made from this one: the same code with one migration more, which only adds."""

from __future__ import annotations

import shutil
from pathlib import Path

from service.store.migrate import head_revision

PARTS = ("alerts", "service", "migrations", "tests/__init__.py", "tests/acceptance", "pyproject.toml")
REVISION = "9999"

MIGRATION = f'''"""one column and one table more, as a next version would have

Revision ID: {REVISION}
Revises: {{head}}
"""

import sqlalchemy as sa
from alembic import op

revision = "{REVISION}"
down_revision = "{{head}}"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("message", sa.Column("colour", sa.String(length=20), nullable=True))
    op.add_column("decision", sa.Column("colour", sa.String(20), server_default="none", nullable=False))
    op.create_table("later", sa.Column("id", sa.Integer(), primary_key=True))
'''


def build_newer(top: Path, folder: Path) -> Path:
    """A checkout of the newer version."""
    for part in PARTS:
        source, target = top / part, folder / part
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__", "*.pyc"))
        else:
            shutil.copy(source, target)
    path = folder / "migrations" / "versions" / f"{REVISION}_later.py"
    path.write_text(MIGRATION.format(head=head_revision()))
    return folder
