"""One scheduler per store; the operating system or the server frees the lock when the process dies."""

from __future__ import annotations

import contextlib
import fcntl
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

from alerts.common.errors import DuskbellError
from alerts.common.phrases import phrase, say
from service.store.engine import sqlite_file

ADVISORY_KEY = 0x6475736B
"""Any number, the same in every Duskbell: PostgreSQL's advisory locks are per database."""
CYCLE_KEY = ADVISORY_KEY + 2
"""ADVISORY_KEY + 1 is that of migrations."""

FREED_WITHIN_S = 3.0
"""PostgreSQL frees a killed process's lock when it sees the connection broken: in a moment. Refusing at once
would fail a supervisor's restart on a busy server."""
LOOK_EVERY_S = 0.1


class AlreadyRunning(DuskbellError):
    """Another scheduler holds the lock of this store."""


@contextlib.contextmanager
def hold_store(engine: Engine) -> Iterator[None]:
    """Be the only scheduler on this store for as long as the block lasts; AlreadyRunning otherwise."""
    with _locked(engine, ADVISORY_KEY, "lock", within_s=FREED_WITHIN_S) as is_alone:
        if not is_alone:
            file = sqlite_file(engine.url) if engine.dialect.name == "sqlite" else None
            where = "this database" if file is None else str(file.parent)
            raise AlreadyRunning(say("store.already-running", where=where))
        yield


@contextlib.contextmanager
def try_cycle(engine: Engine) -> Iterator[bool]:
    """Whether nobody else is in the middle of a cycle on this store; if so, nobody else gets into one as long
    as the block lasts. The operating system or the server frees it when this process dies."""
    with _locked(engine, CYCLE_KEY, "cycle-lock", within_s=0.0) as is_alone:
        yield is_alone


@contextlib.contextmanager
def _locked(engine: Engine, key: int, ending: str, *, within_s: float) -> Iterator[bool]:
    """Whether the lock is ours for the block: of a file beside SQLite's own, or of the server by its key."""
    if engine.dialect.name == "postgresql":
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.detach()  # closed with the block: one that went back to the pool would keep the lock
            named = {"key": key}
            query = text("SELECT pg_try_advisory_lock(:key)")
            is_alone = comes_free(lambda: connection.execute(query, named).scalar_one(), within_s)
            try:
                yield is_alone
            finally:
                # the server frees that of a closed connection a moment later, and what asks in that moment
                # would be told that it isn't alone; a broken connection holds no lock
                with contextlib.suppress(DBAPIError):
                    if is_alone:
                        connection.execute(text("SELECT pg_advisory_unlock(:key)"), named)
        return
    file = sqlite_file(engine.url)
    if file is None:
        yield True
        return
    with Path(f"{file}.{ending}").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            is_alone = True
        except BlockingIOError:
            is_alone = False
        yield is_alone


def comes_free(take: Callable[[], bool], within_s: float = FREED_WITHIN_S) -> bool:
    """Whether a server's lock could be taken within that time, the first try made at once."""
    ends_s = time.monotonic() + within_s
    while not (taken := take()) and time.monotonic() < ends_s:
        time.sleep(LOOK_EVERY_S)
    return taken


class SharedHold:
    """What the processes of a fleet hold together on PostgreSQL, each while its connection lives. The same
    lock, taken for oneself alone, is what `serve`, `restore` and `move` hold (`hold_store`)."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._connection: Connection | None = None

    def __enter__(self) -> SharedHold:
        self.ensure()
        return self

    def __exit__(self, *_: object) -> None:
        self._let_go()

    def ensure(self) -> None:
        """Hold it, anew if the connection was lost. AlreadyRunning when somebody has the store alone;
        DBAPIError when the database can't be reached."""
        try:
            if self._connection is not None:
                self._connection.execute(text("SELECT 1"))
                return
            connection = self._engine.connect().execution_options(isolation_level="AUTOCOMMIT")
            self._connection = connection
            query = text("SELECT pg_try_advisory_lock_shared(:key)")
            if not comes_free(lambda: connection.execute(query, {"key": ADVISORY_KEY}).scalar_one()):
                self._let_go()
                raise AlreadyRunning(phrase("store.held-alone"))
        except DBAPIError:
            self._let_go()
            raise

    def _let_go(self) -> None:
        if self._connection is not None:
            self._connection.invalidate()
            self._connection.close()
            self._connection = None
