"""Bring a database to the tables this version needs, or say why not."""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from functools import cache
from importlib import resources
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, inspect, text
from sqlalchemy.exc import DatabaseError, OperationalError

from alerts.common.phrases import phrase
from service.store.engine import StoreError, open_engine, say_fault, sqlite_file

MIGRATION_KEY = 0x6475736C
"""Any number, the same in every Duskbell, and not that of service/store/locking.py."""
LOCK_TIMEOUT = "10s"
"""A migration that can't get a table for this long gives up, before everybody waits behind it."""


def migrations_folder() -> Path:
    """The migrations: inside an installed wheel, or at the top of a checkout."""
    installed = Path(__file__).parent / "migrations"
    return installed if installed.is_dir() else Path(__file__).parents[2] / "migrations"


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(migrations_folder()).replace("%", "%%"))
    return config


@cache
def head_revision() -> str:
    """The newest revision this version knows."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    assert head is not None, "the wheel carries its migrations"
    return head


def known_revisions() -> set[str]:
    """Every revision this version knows."""
    return {each.revision for each in ScriptDirectory.from_config(_config()).walk_revisions()}


def current_revision(engine: Engine) -> str | None:
    """The revision the database is at; None for an empty one. StoreError when it can't be read."""
    try:
        with engine.connect() as connection:
            revision = MigrationContext.configure(connection).get_current_revision()
            if revision is None and inspect(connection).has_table("person"):
                raise StoreError(
                    phrase(
                        "store.no-revision",
                        url=engine.url.render_as_string(),
                    )
                )
            return revision
    except (OperationalError, DatabaseError) as error:
        raise StoreError(
            phrase(
                "store.unreadable",
                url=engine.url.render_as_string(),
                fault=say_fault(error),
            )
        ) from None


def upgrade(engine: Engine) -> None:
    """Run all migrations this database lacks, each in a transaction of its own; another process that
    does the same waits, and then finds nothing to do."""
    config = _config()
    if engine.dialect.name != "postgresql":
        config.attributes["engine"] = engine
        with migrating_alone(sqlite_file(engine.url)):
            command.upgrade(config, "head")
        return
    url = engine.url.render_as_string(hide_password=False)
    patient = open_engine(url, statement_timeout="0", lock_timeout=LOCK_TIMEOUT)
    try:
        # the server's lock for migrations is freed with its connection, also when this process dies
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as lock:
            lock.execute(text("SET statement_timeout = 0"))
            lock.execute(text("SELECT pg_advisory_lock(:key)"), {"key": MIGRATION_KEY})
            try:
                config.attributes["engine"] = patient
                command.upgrade(config, "head")
                prepare_queue(patient)
            finally:
                lock.invalidate()
    finally:
        patient.dispose()


@contextlib.contextmanager
def migrating_alone(file: Path | None) -> Iterator[None]:
    """Hold the lock of the file's folder, as a whole upgrade is several transactions; the operating system
    frees it when this process dies."""
    if file is None:
        yield
        return
    folder = os.open(file.parent, os.O_RDONLY)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)


def require_current(engine: Engine, *, create: bool = True) -> None:
    """Make an empty database ready; refuse one that is older or newer than this version."""
    known, found = head_revision(), current_revision(engine)
    if found == known:
        return
    if found is None:
        if not create:
            raise StoreError(phrase("store.no-database"))
        upgrade(engine)
        return
    if found in known_revisions():
        raise StoreError(phrase("store.too-old", found=found))
    raise StoreError(phrase("store.too-new", found=found))


def prepare_queue(engine: Engine) -> None:
    """Bring the queue's tables to the installed procrastinate; nothing where that isn't installed.

    `queue_revision` holds the newest of procrastinate's migrations that this database has. The caller sees
    to it that nobody else does the same at the same time.
    """
    folder = _migrations_folder()
    if folder is None:
        return
    known = sorted(path.name for path in folder.glob("*.sql"))
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE IF NOT EXISTS queue_revision (name text PRIMARY KEY)"))
        if connection.execute(text("SELECT to_regclass('procrastinate_jobs')")).scalar() is None:
            schema = resources.files("procrastinate.sql") / "schema.sql"
            _run(connection, schema.read_text(encoding="utf-8"))
        else:
            found = _newest(connection)
            for name in (name for name in known if found is not None and name > found):
                _run(connection, (folder / name).read_text(encoding="utf-8"))
        connection.execute(text("DELETE FROM queue_revision"))
        connection.execute(text("INSERT INTO queue_revision VALUES (:name)"), {"name": known[-1]})


def require_queue(engine: Engine) -> None:
    """StoreError unless jobs can be kept in this database."""
    if engine.dialect.name != "postgresql":
        raise StoreError(phrase("store.fleet-needs-postgresql"))
    folder = _migrations_folder()
    if folder is None:
        raise StoreError(phrase("store.queue-not-installed"))
    with engine.connect() as connection:
        has_table = connection.execute(text("SELECT to_regclass('queue_revision')")).scalar() is not None
        found = _newest(connection) if has_table else None
    if found is None or found < max(path.name for path in folder.glob("*.sql")):
        raise StoreError(phrase("store.queue-lacking"))


def _migrations_folder() -> Path | None:
    try:
        from procrastinate.schema import SchemaManager
    except ModuleNotFoundError:
        return None
    return Path(SchemaManager.get_migrations_path())


def _newest(connection: Connection) -> str | None:
    found = connection.execute(text("SELECT max(name) FROM queue_revision")).scalar()
    return None if found is None else str(found)


def _run(connection: Connection, statements: str) -> None:
    """Many statements at once, as they stand; only the driver itself takes those."""
    cursor = connection.connection.cursor()
    cursor.execute(statements)
    cursor.close()
