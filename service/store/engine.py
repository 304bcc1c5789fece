"""The database engine. SQLite runs in WAL with BEGIN IMMEDIATE, so that no update is lost."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.engine.interfaces import DBAPIConnection, DBAPICursor
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import ConnectionPoolEntry

from alerts.errors import DuskbellError

BUSY_TIMEOUT_MS = 5000
WAL_TRIES = 50


class StoreError(DuskbellError):
    """The database can't be used as it is; the message says which command helps."""


def open_engine(url: str) -> Engine:
    """An engine for `sqlite:///…` or `postgresql+psycopg://…`; StoreError for anything else."""
    try:
        parsed = make_url(url)
    except ArgumentError:
        raise StoreError(
            "the database URL can't be read; write sqlite:///FILE or postgresql+psycopg://…"
        ) from None
    if parsed.get_backend_name() == "sqlite":
        if parsed.database and parsed.database != ":memory:":
            _make_folder(Path(parsed.database).parent)
        engine = create_engine(parsed, pool_size=5, max_overflow=20)
        _tune_sqlite(engine)
        return engine
    if parsed.get_backend_name() == "postgresql":
        try:
            return create_engine(
                parsed,
                pool_pre_ping=True,
                connect_args={
                    "options": "-c statement_timeout=30s -c idle_in_transaction_session_timeout=60s"
                    " -c timezone=UTC"
                },
            )
        except ModuleNotFoundError:
            raise StoreError("PostgreSQL needs its driver: pip install 'duskbell[postgres]'") from None
    raise StoreError(f"{parsed.get_backend_name()} is no database Duskbell knows; use SQLite or PostgreSQL.")


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"the data folder {folder} can't be made ({error.strerror}); "
            "set DUSKBELL_DATA_DIR to one that can."
        ) from None


def _use_wal(cursor: DBAPICursor) -> None:
    """Switch to WAL. While another process does the same SQLite says "locked" at once, without waiting."""
    for tries_left in reversed(range(WAL_TRIES)):
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError:
            if not tries_left:
                raise
            time.sleep(BUSY_TIMEOUT_MS / 1000 / WAL_TRIES)
        else:
            return


def _tune_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _connected(connection: DBAPIConnection, _entry: ConnectionPoolEntry) -> None:
        connection.isolation_level = None  # we begin ourselves, below
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")
        _use_wal(cursor)
        cursor.execute("PRAGMA foreign_keys=ON")
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begun(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")
