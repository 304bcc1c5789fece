"""The processes of a fleet share the store with each other, and with nobody who wants it alone."""

from __future__ import annotations

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

from service.store.locking import ADVISORY_KEY, AlreadyRunning, comes_free


class SharedHold:
    """Held while its connection lives. The same lock, taken for oneself alone, is what `serve`, `restore`
    and `move` hold (service/store/locking.py)."""

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
            if self._connection is None:
                self._take()
            else:
                self._connection.execute(text("SELECT 1"))
        except DBAPIError:
            self._let_go()
            raise

    def _take(self) -> None:
        connection = self._engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        self._connection = connection
        query = text("SELECT pg_try_advisory_lock_shared(:key)")
        if not comes_free(lambda: connection.execute(query, {"key": ADVISORY_KEY}).scalar_one()):
            self._let_go()
            raise AlreadyRunning(
                "a Duskbell that wants the database for itself runs on it (serve, restore or move); "
                "stop that one first, or set DUSKBELL_DATABASE_URL to another database."
            )

    def _let_go(self) -> None:
        if self._connection is not None:
            self._connection.invalidate()
            self._connection.close()
            self._connection = None
