"""Sessions that only read. On SQLite they never wait for a writer, nor does a writer wait for them."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event, text
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


SNAPSHOT = text("SELECT pg_current_snapshot()::text")
"""PostgreSQL: which transactions a reader sees; every commit of a change gives another one."""


class SqliteChanges:
    """Counts the commits of all other connections, by a connection of its own that never writes."""

    def __init__(self, file: Path) -> None:
        self._lock = threading.Lock()
        self._connection = sqlite3.connect(file, check_same_thread=False, isolation_level=None)

    def __call__(self) -> int:
        with self._lock:
            (version,) = self._connection.execute("PRAGMA data_version").fetchone()
        return int(version)

    def close(self) -> None:
        with self._lock:
            self._connection.close()


class PostgresChanges:
    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def __call__(self) -> str:
        with self._engine.connect() as connection:
            return str(connection.execute(SNAPSHOT).scalar_one())

    def close(self) -> None:
        """Nothing of its own to give back."""


Changes = SqliteChanges | PostgresChanges


def watch_changes(engine: Engine) -> Changes | None:
    """Something to call before reading: while it gives the same, nothing was committed in between.

    None for a store in memory, which no other connection sees.
    """
    if engine.dialect.name != "sqlite":
        return PostgresChanges(engine)
    file = sqlite_file(engine.url)
    return None if file is None else SqliteChanges(file)
