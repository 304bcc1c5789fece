"""The job queue's own tables, made and upgraded beside Duskbell's by `duskbell migrate`."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from sqlalchemy import Connection, Engine, text

from service.store.engine import StoreError


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
            _run(connection, _whole_schema())
        else:
            found = _newest(connection)
            for name in (name for name in known if found is not None and name > found):
                _run(connection, (folder / name).read_text(encoding="utf-8"))
        connection.execute(text("DELETE FROM queue_revision"))
        connection.execute(text("INSERT INTO queue_revision VALUES (:name)"), {"name": known[-1]})


def require_queue(engine: Engine) -> None:
    """StoreError unless jobs can be kept in this database."""
    if engine.dialect.name != "postgresql":
        raise StoreError(
            "a fleet of processes needs PostgreSQL; set DUSKBELL_DATABASE_URL to postgresql+psycopg://… "
            "(duskbell move brings the rows over), or run: duskbell serve"
        )
    folder = _migrations_folder()
    if folder is None:
        raise StoreError("the job queue is not installed; run: pip install 'duskbell[postgres]'")
    with engine.connect() as connection:
        has_table = connection.execute(text("SELECT to_regclass('queue_revision')")).scalar() is not None
        found = _newest(connection) if has_table else None
    if found is None or found < max(path.name for path in folder.glob("*.sql")):
        raise StoreError("the database lacks the job queue of this version; run: duskbell migrate")


def _migrations_folder() -> Path | None:
    try:
        from procrastinate.schema import SchemaManager
    except ModuleNotFoundError:
        return None
    return Path(SchemaManager.get_migrations_path())


def _whole_schema() -> str:
    return (resources.files("procrastinate.sql") / "schema.sql").read_text(encoding="utf-8")


def _newest(connection: Connection) -> str | None:
    found = connection.execute(text("SELECT max(name) FROM queue_revision")).scalar()
    return None if found is None else str(found)


def _run(connection: Connection, statements: str) -> None:
    """Many statements at once, as they stand; only the driver itself takes those."""
    cursor = connection.connection.cursor()
    cursor.execute(statements)
    cursor.close()
