"""A yard for each test."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from functools import partial
from pathlib import Path

import pytest

from tests.integration.conftest import NewStore
from tests.integration.delivery.yard import Yard, open_yard

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
