"""A database is brought to the newest tables, or refused with a sentence that helps."""

from __future__ import annotations

import multiprocessing
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import inspect, select, text
from sqlalchemy.orm import Session

from alerts.common.phrases import kept, phrase
from alerts.sites.model import Site
from alerts.track.calibration.model import Lead
from service.store.engine import StoreError, open_engine
from service.store.json_values import said_columns, said_in
from service.store.migrate import (
    _config,
    current_revision,
    head_revision,
    migrating_alone,
    require_current,
    upgrade,
)
from service.store.repositories.people import hanging_on_operator
from service.store.schema.core_tables import (
    AddressRow,
    DecisionRow,
    ForecastRow,
    PersonRow,
    Table,
    TellingRow,
)
from service.store.schema.delivery_tables import TokenRow
from tests.integration.hindsight.remembered import Remembered, remember, watch

START = datetime(2027, 7, 1, 21, tzinfo=UTC)


def test_an_empty_database_gets_all_tables(store_url: str) -> None:
    engine = open_engine(store_url)
    require_current(engine)
    assert set(Table.metadata.tables) <= set(inspect(engine).get_table_names())
    assert current_revision(engine) == head_revision()
    engine.dispose()


def test_the_migrations_make_exactly_the_tables_of_the_code(store_url: str) -> None:
    engine = open_engine(store_url)
    upgrade(engine)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"include_name": _is_ours})
        differences = compare_metadata(context, Table.metadata)
    assert differences == []
    engine.dispose()


def _is_ours(name: str | None, type_: str, _parents: object) -> bool:
    """All but the tables of the job queue."""
    return type_ != "table" or not (name or "").startswith(("procrastinate_", "queue_"))


def test_row_42_a_database_of_a_newer_version_is_refused(store_url: str) -> None:
    engine = open_engine(store_url)
    upgrade(engine)
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreError, match="newer Duskbell"):
        require_current(engine)
    engine.dispose()


def test_row_38_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "letters.sqlite3"
    file.write_bytes(b"these are letters, not pages of a database" * 50)
    before = file.read_bytes()
    engine = open_engine(f"sqlite:///{file}")
    with pytest.raises(StoreError, match="can't be read"):
        require_current(engine)
    assert file.read_bytes() == before
    engine.dispose()


def test_tables_without_a_revision_are_refused(tmp_path: Path) -> None:
    engine = open_engine(f"sqlite:///{tmp_path / 'odd.sqlite3'}")
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE person (id INTEGER)"))
    with pytest.raises(StoreError, match="no revision"):
        require_current(engine)
    engine.dispose()


def test_row_88_names_of_sites_kept_before_are_folded_by_the_migration(store_url: str) -> None:
    engine = open_engine(store_url)
    config = _config()
    config.attributes["engine"] = engine
    command.upgrade(config, "0021")
    with engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO person (id, name, zone, is_operator, created_at) VALUES (1, '', 'UTC', :no, :at)"
            ),
            {"no": False, "at": "2027-06-30 12:00:00"},
        )
        connection.execute(
            text(
                "INSERT INTO site (id, owner_id, name, is_shared, created_at) "
                "VALUES (1, 1, 'ÖDE Höhe', :no, :at)"
            ),
            {"no": False, "at": "2027-06-30 12:00:00"},
        )
    upgrade(engine)
    with engine.connect() as connection:
        assert connection.scalar(text("SELECT folded_name FROM site")) == "öde höhe"
    engine.dispose()


def test_texts_of_an_older_store_stay_and_have_no_code(store_url: str) -> None:
    engine = open_engine(store_url)
    config = _config()
    config.attributes["engine"] = engine
    command.upgrade(config, "0025")
    with engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO forecast (id, place, feed, provider, lineage, model, fetched_at, rejected) "
                "VALUES (1, 'p', 'metno', '', '', '', :at, 'metno is down.')"
            ),
            {"at": "2027-06-30 12:00:00"},
        )
    upgrade(engine)
    with Session(engine) as session:
        row = session.get_one(ForecastRow, 1)
        assert (row.rejected_phrase, said_in(row, "rejected")) == (None, kept("metno is down."))
    command.downgrade(config, "0025")
    with engine.connect() as connection:
        assert connection.scalar(text("SELECT rejected FROM forecast")) == "metno is down."
    engine.dispose()


def test_why_something_was_told_stands_once_and_goes_back_to_its_decisions(store_url: str) -> None:
    """Decisions of before keep their own text; those of now get theirs again where one goes back."""
    engine = open_engine(store_url)
    upgrade(engine)
    said = phrase("notifying.not-asked-for", chance_pct=54)
    with Session(engine) as session, session.begin():
        watched = watch(session, Site("Field", 40.0, -1.0, 900.0, "Europe/Madrid"), START)
        starts = (START + timedelta(days=1), START + timedelta(days=2))
        remember(session, watched, [Remembered(each, {Lead.EVENING: 54}, clear=None) for each in starts])
        decided = session.scalars(select(DecisionRow).order_by(DecisionRow.id)).all()
        session.add(TellingRow(id=7, digest="d", **said_columns("why_text", said)))
        decided[0].telling_id = 7
        decided[1].why_text = "told by an older version"
        ids = [each.id for each in decided]
    with Session(engine) as session:
        assert [session.get_one(DecisionRow, each).why_said for each in ids] == [
            said,
            kept("told by an older version"),
        ]
    config = _config()
    config.attributes["engine"] = engine
    command.downgrade(config, "0026")
    with engine.connect() as connection:
        texts = connection.execute(text("SELECT why_text FROM decision ORDER BY id")).scalars().all()
        codes = connection.execute(text("SELECT why_text_phrase FROM decision ORDER BY id")).scalars().all()
    assert texts == [str(said), "told by an older version"]
    assert [each is None for each in codes] == [False, True]
    engine.dispose()


@pytest.mark.parametrize("url", ["mysql://host/db", "not a url"])
def test_an_unknown_database_url_names_the_two_that_work(url: str) -> None:
    with pytest.raises(StoreError, match=r"SQLite|sqlite"):
        open_engine(url)


def _upgrade(url: str) -> None:
    engine = open_engine(url)
    upgrade(engine)
    engine.dispose()


def test_row_41_two_processes_that_migrate_at_once_both_succeed(store_url: str) -> None:
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_upgrade, args=(store_url,)) for _ in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(timeout=60)
    assert [worker.exitcode for worker in workers] == [0, 0]
    engine = open_engine(store_url)
    assert current_revision(engine) == head_revision()
    engine.dispose()


def test_row_41_who_migrates_a_file_waits_for_who_does_so_already(tmp_path: Path) -> None:
    """Between two of its transactions as well: another's would begin with what was true before."""
    file = tmp_path / "one.sqlite3"
    engine = open_engine(f"sqlite:///{file}")
    second = threading.Thread(target=upgrade, args=(engine,))
    with migrating_alone(file):
        second.start()
        second.join(0.5)
        assert second.is_alive()
        assert current_revision(engine) is None
    second.join(60)
    assert current_revision(engine) == head_revision()
    engine.dispose()


def test_row_78_an_older_stores_operator_is_signed_out_and_nothing_is_marked(tmp_path: Path) -> None:
    """Whoever was told by mail could have signed in as the operator."""
    engine = open_engine(f"sqlite:///{tmp_path / 'older.sqlite3'}")
    config = _config()
    config.attributes["engine"] = engine
    command.upgrade(config, "0018")
    inserts = (
        "INSERT INTO person (id, name, zone, is_operator, created_at)"
        " VALUES (:id, 'x', 'UTC', :is_operator, :at)",
        "INSERT INTO address (id, person_id, channel, target, secrets, created_at, confirmed_at)"
        " VALUES (:id, :id, 'email', 'a@example.org', '[]', :at, :at)",
        "INSERT INTO token (id, purpose, digest, person_id, created_at)"
        " VALUES (:id, 'session', :id, :id, :at)",
    )
    with engine.begin() as connection:
        for statement in inserts:
            for number in (1, 2):
                values = {"id": number, "is_operator": number == 1, "at": "2027-07-01 10:00:00.000000"}
                connection.execute(text(statement), values)
    upgrade(engine)
    with Session(engine) as session:
        ended = {row.id: row.used_at is not None for row in session.scalars(select(TokenRow))}
        marks = session.execute(select(AddressRow.is_own, PersonRow.may_keep_sites).join(PersonRow)).all()
        assert ended == {1: True, 2: False}
        assert [tuple(each) for each in marks] == [(False, False)] * 2
        assert [row.id for row in hanging_on_operator(session)] == [1]
    engine.dispose()
