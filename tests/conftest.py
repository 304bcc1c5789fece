"""What all tests share: one sky, one set of new tables to copy, and the hour at which the run begins.

DUSKBELL_TEST_CLOCK=2027-03-28T00:30Z runs all tests as if they were begun then. Time passes as usual from
there. PostgreSQL, OpenSSL and the file system keep the machine's time. (libfaketime would shift theirs too,
but under Debian's Python either waits for ever or can't sleep.)
"""

from __future__ import annotations

import gc
import os
import runpy
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Engine

from alerts.sky.ephemeris import Ephemeris, KeptArrays
from service.app import ALLOCATIONS_BETWEEN
from service.store import migrate
from service.store.engine import open_engine, sqlite_file

# As often as by default it takes a quarter of the time, most of it for what the imports made.
gc.set_threshold(ALLOCATIONS_BETWEEN)
SHIFTED = Path(__file__).parent / "shifted"
_migrate, _open_sky = migrate.upgrade, Ephemeris.open


def pytest_configure(config: pytest.Config) -> None:
    only_hands_out = config.getoption("numprocesses", None) and not hasattr(config, "workerinput")
    if "DUSKBELL_TEST_CLOCK" in os.environ and not only_hands_out:
        shift_clock(datetime.fromisoformat(os.environ["DUSKBELL_TEST_CLOCK"]))


def pytest_collection_finish() -> None:
    gc.collect()
    gc.freeze()


def shift_clock(moment: datetime) -> None:
    """Here from now on, and in each process that is started from here."""
    os.environ["TEST_CLOCK_SHIFT_S"] = str((moment - datetime.now(UTC)).total_seconds())
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, (str(SHIFTED), os.environ.get("PYTHONPATH"))))
    runpy.run_path(str(SHIFTED / "sitecustomize.py"))


@pytest.fixture(scope="session")
def ephemeris() -> Ephemeris:
    """Its tables are computed once and kept."""
    return Ephemeris.open()


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An SQLite file with all tables and no rows, to copy: quicker than migrating for each test."""
    file = tmp_path_factory.mktemp("empty") / "store.sqlite3"
    engine = open_engine(f"sqlite:///{file}")
    _migrate(engine)
    engine.dispose()
    return file


@pytest.fixture(scope="session", autouse=True)
def shared(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What each installation would make for itself: the sky's tables, and those of an SQLite file that is
    opened for the first time, which are copied. A file that has tables already is really migrated."""
    ephemeris = Ephemeris.open()

    def open_sky(path: Path | None = None, *, kept: KeptArrays | None = None) -> Ephemeris:
        return _open_sky(path, kept=kept) if path else ephemeris

    def upgrade(engine: Engine) -> None:
        file = sqlite_file(engine.url) if engine.dialect.name == "sqlite" else None
        if file is None or migrate.current_revision(engine):
            return _migrate(engine)
        empty: Path = request.getfixturevalue("empty_store")
        with (
            migrate.migrating_alone(file),
            closing(sqlite3.connect(empty)) as tables,
            closing(sqlite3.connect(file)) as new,
        ):
            tables.backup(new)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Ephemeris, "open", open_sky)
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        patch.setattr(migrate, "upgrade", upgrade)
        yield
