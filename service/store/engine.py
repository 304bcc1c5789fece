"""The database engine. SQLite runs in WAL with BEGIN IMMEDIATE, so that no update is lost.

Its default begins by reading and loses concurrent updates silently: there would be no conflict to try again.
"""

from __future__ import annotations

import contextlib
import logging
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextvars import ContextVar
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import URL, Connection, Engine, Executable, create_engine, event, make_url, text
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine.interfaces import DBAPIConnection, DBAPICursor
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, OperationalError
from sqlalchemy.orm import DeclarativeBase, Session, sessionmaker
from sqlalchemy.pool import ConnectionPoolEntry

from alerts.common.errors import DuskbellError
from alerts.common.phrases import phrase, say

log = logging.getLogger(__name__)

BUSY_TIMEOUT_MS = 5000
"""How long SQLite waits for another who writes: somebody waits for the answer."""
PATIENT_TIMEOUT_MS = 60_000
"""The same where nobody does: on a slow machine one transaction of a cycle takes many seconds."""
BUSY_FOR = "busy_for_ms"
"""What a connection's `info` says of it, where somebody has less time than that."""
WAL_TRIES = 50
FAULTS = {
    "database or disk is full": "store.fault-disk-full",
    "disk I/O error": "store.fault-disk-unwritable",
}
"""SQLite's words, and the entry that says what they come of."""
LEAST_FREE_BYTES = 16 * 1024 * 1024
"""The service tells of it while there is room for some hours of it: a thousand sites write 5 MB an hour."""
RECYCLE_S = 1800
"""A pooled connection is replaced after half an hour, so that a moved server is found again."""

SESSION_OPTIONS = {
    "statement_timeout": "30s",
    "idle_in_transaction_session_timeout": "60s",
    "timezone": "UTC",
}
"""What each PostgreSQL connection asks of the server. A process that froze inside a transaction loses it
after a minute, and with it the rows that it had locked."""

NETWORK_OPTIONS = {
    "connect_timeout": 5,
    "keepalives_idle": 20,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 30_000,
}
"""libpq, in seconds and (the last) milliseconds: a line that was cut is noticed within half a minute."""


_is_patient: ContextVar[bool] = ContextVar("is_patient", default=False)


@contextlib.contextmanager
def patient() -> Iterator[None]:
    """What this thread writes to an SQLite file inside the block waits long for others who write."""
    before = _is_patient.set(True)
    try:
        yield
    finally:
        _is_patient.reset(before)


class StoreError(DuskbellError):
    """The database can't be used as it is; the message says which command helps."""


def open_engine(url: str, **session_options: str) -> Engine:
    """An engine for `sqlite:///…` or `postgresql+psycopg://…`; StoreError for anything else.

    session_options: what a PostgreSQL session is to have in place of SESSION_OPTIONS.
    """
    parsed = read_url(url)
    named = parsed.get_backend_name()
    if named == "sqlite":
        return _open_sqlite(parsed)
    if named != "postgresql":
        raise StoreError(phrase("store.url-unknown", named=named))
    try:
        return create_engine(
            parsed,
            pool_pre_ping=True,
            pool_recycle=RECYCLE_S,
            pool_size=5,
            max_overflow=15,
            connect_args=connect_options(parsed, **session_options),
        )
    except ModuleNotFoundError:
        raise StoreError(phrase("store.no-driver")) from None


def read_url(url: str) -> URL:
    """The URL in its parts; StoreError when it is none."""
    try:
        return make_url(url)
    except ArgumentError:
        raise StoreError(phrase("store.url-unreadable")) from None


def sqlite_file(url: URL) -> Path | None:
    """The file of an SQLite URL, written as a path or as `file:PATH`; None for a store in memory."""
    name = (url.database or "").removeprefix("file:")
    return None if name in ("", ":memory:") else Path(name)


def connect_options(parsed: URL, **changed: str) -> dict[str, Any]:
    """What libpq is given beside the URL. changed: session options other than the usual ones; what the
    URL's own `options` say wins over both."""
    session = " ".join(f"-c {name}={value}" for name, value in {**SESSION_OPTIONS, **changed}.items())
    own = parsed.query.get("options", "")
    own_text = own if isinstance(own, str) else " ".join(own)
    named = {name: value for name, value in NETWORK_OPTIONS.items() if name not in parsed.query}
    return {"application_name": "duskbell", **named, "options": f"{session} {own_text}".strip()}


def require_writable(engine: Engine) -> None:
    """StoreError when rows can't be written: what is sent could not be marked, and would be sent again.

    A row is committed, as a full disk shows no sooner.
    """
    try:
        with engine.begin() as connection:
            connection.execute(text("UPDATE alembic_version SET version_num = version_num"))
    except DBAPIError as error:
        raise StoreError(
            phrase(
                "store.unwritable",
                url=engine.url.render_as_string(),
                fault=say_fault(error),
            )
        ) from None


def require_room(engine: Engine) -> None:
    """StoreError when the disk of an SQLite file is nearly full. A commit can still go well then: it may find
    room in the write-ahead log, where the next larger one won't."""
    file = sqlite_file(engine.url) if engine.dialect.name == "sqlite" else None
    if file is not None and (free := shutil.disk_usage(file.parent).free) < LEAST_FREE_BYTES:
        raise StoreError(phrase("store.disk-nearly-full", folder=str(file.parent), free_kb=free // 1024))


def say_fault(error: DBAPIError) -> str:
    """What the database says is wrong, in a few words that help."""
    reason = str(error.orig).strip().splitlines()[0]
    return say(FAULTS[reason]) if reason in FAULTS else reason


def _open_sqlite(parsed: URL) -> Engine:
    if (file := sqlite_file(parsed)) is not None:
        try:
            file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)  # addresses and places are in it
        except OSError as error:
            fault = error.strerror or ""
            raise StoreError(phrase("store.folder-not-made", folder=str(file.parent), fault=fault)) from None
    engine = create_engine(parsed, pool_size=5, max_overflow=20)

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
        usual_ms = connection.info.get(BUSY_FOR, BUSY_TIMEOUT_MS)
        waits_ms = PATIENT_TIMEOUT_MS if _is_patient.get() else usual_ms
        connection.exec_driver_sql(f"PRAGMA busy_timeout={waits_ms}")
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


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


T = TypeVar("T")


AT_ONCE = 1000


def in_chunks(items: Sequence[T], size: int = AT_ONCE) -> Iterator[Sequence[T]]:
    """The items, at most `size` at a time, in their order."""
    return (items[start : start + size] for start in range(0, len(items), size))


TRIES = 3


_BUSY = ("database is locked", "database table is locked")
"""What SQLite says then."""


_GAVE_WAY = ("40001", "40P01", "55P03")
"""PostgreSQL's codes for a serialization failure, a deadlock and a lock not available."""


def insert_into(session: Session, table: type[DeclarativeBase]) -> postgresql.Insert | sqlite.Insert:
    """INSERT as the session's database has it, which knows what to do where the row is there already."""
    dialect = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
    return dialect.insert(table)  # type: ignore[no-any-return]


def changed_rows(within: Session | Connection, statement: Executable) -> int:
    """Carry out an INSERT, UPDATE or DELETE; how many rows it changed."""
    return int(within.execute(statement).rowcount)  # type: ignore[attr-defined]


def in_transaction(sessions: sessionmaker[Session], work: Callable[[Session], T], tries: int = TRIES) -> T:
    """What `work` returns, once its transaction is committed; nothing of it is kept when that fails.

    The work must be such that it can be done again from the start.
    """
    for attempt in range(1, tries + 1):
        try:
            with sessions.begin() as session:
                return work(session)
        except DBAPIError as error:
            if attempt == tries or not may_pass(error):
                raise
            log.warning("a transaction is tried again (%d of %d): %s", attempt + 1, tries, error.orig)
    raise AssertionError


def may_pass(error: DBAPIError) -> bool:
    """Whether the same work can succeed another time: the database was busy, or somebody was first."""
    if isinstance(error, IntegrityError):
        return True
    if isinstance(error, OperationalError) and str(error.orig).startswith(_BUSY):
        return True
    return getattr(error.orig, "sqlstate", None) in _GAVE_WAY
