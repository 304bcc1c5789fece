"""Bring a database to the tables this version needs, or say why not."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, inspect
from sqlalchemy.exc import DatabaseError, OperationalError

from service.store.engine import StoreError


def migrations_folder() -> Path:
    """The migrations: inside an installed wheel, or at the top of a checkout."""
    installed = Path(__file__).parent / "migrations"
    return installed if installed.is_dir() else Path(__file__).parents[2] / "migrations"


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(migrations_folder()).replace("%", "%%"))
    return config


def head_revision() -> str:
    """The newest revision this version knows."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    assert head is not None, "the wheel carries its migrations"
    return head


def current_revision(engine: Engine) -> str | None:
    """The revision the database is at; None for an empty one. StoreError when it can't be read."""
    try:
        with engine.connect() as connection:
            revision = MigrationContext.configure(connection).get_current_revision()
            if revision is None and inspect(connection).has_table("person"):
                raise StoreError(
                    f"the database {engine.url.render_as_string()} has tables but no revision; "
                    "restore a backup or name another file."
                )
            return revision
    except (OperationalError, DatabaseError) as error:
        reason = str(error.orig).strip().splitlines()[0]
        raise StoreError(
            f"the database {engine.url.render_as_string()} can't be read ({reason}); "
            "check DUSKBELL_DATABASE_URL or restore a backup. Nothing was changed."
        ) from None


def upgrade(engine: Engine) -> None:
    """Run all migrations this database lacks, each in a transaction of its own."""
    config = _config()
    config.attributes["engine"] = engine
    command.upgrade(config, "head")


def require_current(engine: Engine, *, create: bool = True) -> None:
    """Make an empty database ready; refuse one that is older or newer than this version."""
    known, found = head_revision(), current_revision(engine)
    if found == known:
        return
    if found is None:
        if not create:
            raise StoreError("there is no database yet; first: duskbell site add NAME --at LAT,LON")
        upgrade(engine)
        return
    script = ScriptDirectory.from_config(_config())
    if any(revision.revision == found for revision in script.walk_revisions()):
        raise StoreError(f"the database is older (revision {found}) than this version; run: duskbell migrate")
    raise StoreError(
        f"the database was written by a newer Duskbell (revision {found}); install that version or restore "
        "a backup made with this one. Nothing was changed."
    )
