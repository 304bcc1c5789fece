"""Stores to test on: a real SQLite file, and a real PostgreSQL."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.integration.postgres import running_postgres


@pytest.fixture(scope="session")
def new_postgres() -> Iterator[Callable[[], str]]:
    with running_postgres() as new_database:
        yield new_database


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of an empty database, once on each engine."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'store.sqlite3'}"
    new_database: Callable[[], str] = request.getfixturevalue("new_postgres")
    return new_database()
