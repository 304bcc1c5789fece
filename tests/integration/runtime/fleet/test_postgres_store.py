"""PostgreSQL as the store, by one setting: its connections, its types, its queue's tables."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from sqlalchemy import Engine, inspect, make_url, text
from sqlalchemy.exc import DBAPIError

from service.store import migrate
from service.store.engine import StoreError, connect_options, open_engine, require_writable
from service.store.locking import AlreadyRunning, SharedHold, hold_store
from service.store.migrate import upgrade
from tests.integration.postgres import Server


@pytest.fixture
def url(new_postgres: Server) -> str:
    return new_postgres.migrated()


@pytest.fixture
def engine(url: str) -> Iterator[Engine]:
    engine = open_engine(url)
    yield engine
    engine.dispose()


@pytest.mark.parametrize(
    ("setting", "value"),
    [
        ("statement_timeout", "30s"),
        ("idle_in_transaction_session_timeout", "1min"),
        ("TimeZone", "UTC"),
        ("application_name", "duskbell"),
    ],
)
def test_every_connection_asks_for_its_limits(engine: Engine, setting: str, value: str) -> None:
    with engine.connect() as connection:
        assert connection.execute(text(f"SHOW {setting}")).scalar_one() == value


def test_a_statement_that_takes_too_long_is_ended(url: str) -> None:
    engine = open_engine(url, statement_timeout="50ms")
    with engine.connect() as connection, pytest.raises(DBAPIError, match="statement timeout"):
        connection.execute(text("SELECT pg_sleep(10)"))
    engine.dispose()


def test_what_the_url_itself_says_wins() -> None:
    parsed = make_url("postgresql+psycopg://h/db?connect_timeout=1&options=-c%20statement_timeout%3D5s")
    options = connect_options(parsed)
    assert "connect_timeout" not in options
    assert options["options"].endswith("-c statement_timeout=5s")


def test_row_39_a_connection_that_the_server_ended_is_replaced(engine: Engine, url: str) -> None:
    pid = text("SELECT pg_backend_pid()")
    with engine.connect() as connection:
        pooled = connection.execute(pid).scalar_one()
    other = open_engine(url)
    with other.connect() as connection:
        connection.execute(text("SELECT pg_terminate_backend(:pid, 5000)"), {"pid": pooled})
    other.dispose()
    with engine.connect() as connection:
        assert connection.execute(pid).scalar_one() != pooled


def test_all_times_carry_their_zone(engine: Engine) -> None:
    inspector = inspect(engine)
    naive = [
        f"{table}.{column['name']}"
        for table in inspector.get_table_names()
        for column in inspector.get_columns(table)
        if "TIMESTAMP" in str(column["type"]) and not getattr(column["type"], "timezone", False)
    ]
    assert naive == []


def test_what_is_due_is_found_without_looking_at_what_is_settled(engine: Engine) -> None:
    with engine.connect() as connection:
        connection.execute(text("SET enable_seqscan = off"))
        plan = "\n".join(
            connection.execute(
                text(
                    "EXPLAIN SELECT id FROM message WHERE status IN ('due', 'retry') AND due_at <= now() "
                    "ORDER BY due_at, id"
                )
            ).scalars()
        )
    assert "ix_message_waiting" in plan


def test_row_37_a_database_that_can_not_be_written_is_refused(url: str) -> None:
    engine = open_engine(url, default_transaction_read_only="on")
    with pytest.raises(StoreError, match="can't be written"):
        require_writable(engine)
    engine.dispose()


def test_migrating_again_changes_nothing(engine: Engine) -> None:
    upgrade(engine)
    migrate.require_queue(engine)


def test_the_queue_of_a_newer_procrastinate_is_brought_up(
    engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "99.00.00_01_pre_sundial.sql").write_text("CREATE TABLE sundial (); SELECT '100%';")
    monkeypatch.setattr(migrate, "_migrations_folder", lambda: tmp_path)
    with pytest.raises(StoreError, match="duskbell migrate"):
        migrate.require_queue(engine)
    migrate.prepare_queue(engine)
    migrate.prepare_queue(engine)
    migrate.require_queue(engine)
    assert inspect(engine).has_table("sundial")


def test_a_database_without_a_queue_is_refused(new_postgres: Server) -> None:
    engine = open_engine(new_postgres())
    with pytest.raises(StoreError, match="duskbell migrate"):
        migrate.require_queue(engine)
    engine.dispose()


def test_a_fleet_on_sqlite_is_refused(tmp_path: Path) -> None:
    engine = open_engine(f"sqlite:///{tmp_path / 'one.sqlite3'}")
    with pytest.raises(StoreError, match="needs PostgreSQL"):
        migrate.require_queue(engine)
    engine.dispose()


def test_many_share_the_store_but_not_with_one_who_wants_it_alone(engine: Engine) -> None:
    with SharedHold(engine), SharedHold(engine), pytest.raises(AlreadyRunning), hold_store(engine):
        pass
    with hold_store(engine), pytest.raises(AlreadyRunning, match="serve"):
        SharedHold(engine).ensure()


@pytest.mark.parametrize("alone", [True, False])
def test_a_killed_holder_is_waited_for_until_the_server_sees_it(engine: Engine, alone: bool) -> None:
    held, seen = ExitStack(), threading.Event()
    held.enter_context(hold_store(engine))
    held.callback(seen.set)  # before the lock is let go
    dying = threading.Timer(0.4, held.close)
    dying.start()
    with hold_store(engine) if alone else SharedHold(engine):
        assert seen.is_set()
    dying.join()


def test_a_hold_that_was_lost_with_its_connection_is_taken_again(engine: Engine) -> None:
    with SharedHold(engine) as hold:
        with engine.connect() as connection:
            connection.execute(
                text(
                    "SELECT pg_terminate_backend(pid, 5000) FROM pg_locks "
                    "WHERE locktype = 'advisory' AND database = "
                    "(SELECT oid FROM pg_database WHERE datname = current_database())"
                )
            )
        with pytest.raises(DBAPIError):
            hold.ensure()
        hold.ensure()
        with pytest.raises(AlreadyRunning), hold_store(engine):
            pass
