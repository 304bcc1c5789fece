"""Alembic's entry: runs the migrations on the engine that Duskbell hands over."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from alembic import context
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Connection, Engine

from service.store.schema import METADATA


def run() -> None:
    engine = context.config.attributes.get("engine")
    if not isinstance(engine, Engine):
        raise RuntimeError("migrations run through: duskbell migrate")
    with engine.connect() as connection, _tables_may_be_rebuilt(connection):
        context.configure(
            connection=connection,
            target_metadata=METADATA,
            render_as_batch=True,
            transaction_per_migration=True,
            on_version_apply=_check_references,
        )
        with context.begin_transaction():
            context.run_migrations()
        connection.commit()


@contextmanager
def _tables_may_be_rebuilt(connection: Connection) -> Iterator[None]:
    """SQLite changes a table by making it anew, and would take the old one's rows for orphaned parents.

    The switch works only outside a transaction, so it goes past SQLAlchemy, which begins one.
    """
    if connection.dialect.name != "sqlite":
        yield
        return
    driver: Any = connection.connection.driver_connection
    driver.execute("PRAGMA foreign_keys=OFF")
    try:
        yield
    finally:
        driver.execute("PRAGMA foreign_keys=ON")


def _check_references(ctx: MigrationContext, *_: object, **__: object) -> None:
    """Within each migration's own transaction: no row may point at one that isn't there."""
    connection = ctx.connection
    assert connection is not None, "migrations run on a database"
    if connection.dialect.name != "sqlite":
        return
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    if broken:
        raise RuntimeError(
            f"a migration would leave {len(broken)} rows without what they refer to: {broken[:3]}"
        )


run()
