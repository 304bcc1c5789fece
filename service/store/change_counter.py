"""Whether anything in the store has changed, without asking what."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

from sqlalchemy import Engine, text

from service.store.engine import sqlite_file

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
