"""Stores to test on: a real SQLite file, and a real PostgreSQL; and yards, in which people, addresses and
messages are.

Tests that ask for `store_url` or `ready_url` run on both. The others that touch the store make theirs with
`new_store`: an SQLite file, and in a second run with DUSKBELL_TEST_STORE=postgresql, which leaves all else
out, a PostgreSQL.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import make_url

from service.store.engine import open_engine
from service.store.maintenance.copy_rows import move
from service.store.migrate import upgrade
from tests.integration.delivery.yard import Yard, open_yard
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


NewStore = Callable[[Path], str]
ON_POSTGRESQL = os.environ.get("DUSKBELL_TEST_STORE") == "postgresql"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """On PostgreSQL's own run only the tests that haven't been on it yet."""
    if not ON_POSTGRESQL:
        return
    wanted = [item for item in items if "new_store" in getattr(item, "fixturenames", ())]
    config.hook.pytest_deselected(items=[item for item in items if item not in wanted])
    items[:] = wanted


@pytest.fixture(scope="session")
def new_store(request: pytest.FixtureRequest) -> NewStore:
    """Called with a folder: the URL of a database with all tables and no rows, of that folder's own."""
    if ON_POSTGRESQL:
        server: Server = request.getfixturevalue("new_postgres")
        return lambda _folder: server.migrated()
    empty: Path = request.getfixturevalue("empty_store")
    return lambda folder: f"sqlite:///{shutil.copy(empty, folder / 'store.sqlite3')}"


CopyStore = Callable[[str, Path], str]


@pytest.fixture(scope="session")
def copy_store(request: pytest.FixtureRequest, new_store: NewStore) -> CopyStore:
    """Called with the URL of a store that nobody has open, and a folder: the URL of a copy of its own.
    In the run on PostgreSQL a copy of an SQLite file is moved there."""
    if not ON_POSTGRESQL:
        return copy_file
    server: Server = request.getfixturevalue("new_postgres")
    return lambda url, folder: (
        server.copied(url) if url.startswith("postgresql") else _moved(url, new_store(folder))
    )


def new_file(folder: Path) -> str:
    """The URL of a new SQLite file in that folder with all tables and no rows."""
    url = f"sqlite:///{folder / 'store.sqlite3'}"
    engine = open_engine(url)
    upgrade(engine)
    engine.dispose()
    return url


def copy_file(url: str, folder: Path) -> str:
    """The URL of a copy of an SQLite file, in that folder."""
    return f"sqlite:///{shutil.copy(str(make_url(url).database), folder / 'store.sqlite3')}"


def _moved(url: str, target: str) -> str:
    source = open_engine(url)
    move(source, target)
    source.dispose()
    return target


OpenYard = Callable[..., AbstractContextManager[Yard]]


@pytest.fixture
def new_yard(tmp_path: Path, new_store: NewStore) -> OpenYard:
    """`with new_yard(relay=…) as yard`: with settings of the test's own."""
    return partial(open_yard, tmp_path, new_store(tmp_path))


@pytest.fixture
def yard(new_yard: OpenYard) -> Iterator[Yard]:
    with new_yard() as yard:
        yield yard


@pytest.fixture
def file_yard(tmp_path: Path, empty_store: Path) -> Iterator[Yard]:
    """On SQLite alone, for what only a file can do."""
    shutil.copy(empty_store, tmp_path / "store.sqlite3")
    with open_yard(tmp_path) as yard:
        yield yard


@pytest.fixture
def both(tmp_path: Path, ready_url: str) -> Iterator[Yard]:
    """Once on SQLite and once on PostgreSQL."""
    with open_yard(tmp_path, ready_url) as yard:
        yield yard
