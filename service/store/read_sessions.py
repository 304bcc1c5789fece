"""Sessions that only read. On SQLite they never wait for a writer, nor does a writer wait for them."""

from __future__ import annotations

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.orm import Session, sessionmaker
from sqlalchemy.pool import ConnectionPoolEntry

from service.store.engine import BUSY_TIMEOUT_MS, sqlite_file


def reading_sessions(engine: Engine) -> sessionmaker[Session]:
    """Sessions over the same database that see one moment of it and can't change it.

    The engine's own sessions take SQLite's write lock when they begin, so that no update is lost; pages
    must not stand in that queue. Other databases, and one in memory, are read through the engine itself.
    """
    if engine.dialect.name != "sqlite" or sqlite_file(engine.url) is None:
        return sessionmaker(engine, expire_on_commit=False)
    reading = create_engine(engine.url, pool_size=8, max_overflow=40)

    @event.listens_for(reading, "connect")
    def _connected(connection: DBAPIConnection, _entry: ConnectionPoolEntry) -> None:
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")
        cursor.execute("PRAGMA query_only=ON")
        cursor.close()

    @event.listens_for(reading, "begin")
    def _begun(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN")

    return sessionmaker(reading, expire_on_commit=False)
