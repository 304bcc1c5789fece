"""Stores to test on: a real SQLite file, and a real PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.store.engine import open_engine
from service.store.migrate import upgrade
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


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An SQLite file with all tables and no rows, to copy: quicker than migrating for each test."""
    file = tmp_path_factory.mktemp("empty") / "store.sqlite3"
    engine = open_engine(f"sqlite:///{file}")
    upgrade(engine)
    engine.dispose()
    return file
