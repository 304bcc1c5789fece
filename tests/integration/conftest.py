"""Stores to test on: a real SQLite file, and a real PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.integration.postgres import Server, running_postgres


@pytest.fixture(scope="session")
def new_postgres() -> Iterator[Server]:
    with running_postgres() as server:
        yield server


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of an empty database, once on each engine."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'store.sqlite3'}"
    server: Server = request.getfixturevalue("new_postgres")
    return server()


@pytest.fixture(params=["sqlite", "postgresql"])
def ready_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of a database that gets its tables at first use or has them, once on each engine."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'store.sqlite3'}"
    server: Server = request.getfixturevalue("new_postgres")
    return server.migrated()
