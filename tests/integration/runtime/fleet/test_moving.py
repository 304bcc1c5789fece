"""Everything goes over to PostgreSQL, also after an interruption, and is compared."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import Engine, Insert, Table, event, func, insert, select, text, update

from service.cli.backup import move as move_command
from service.store.engine import BUSY_FOR, open_engine
from service.store.locking import AlreadyRunning, SharedHold, hold_store
from service.store.maintenance import copy_rows as copying
from service.store.maintenance.copy_rows import MoveError, move, summarise
from service.store.schema import METADATA
from service.store.schema.core_tables import PersonRow, SiteRevisionRow
from service.store.schema.feed_tables import FeedAnswerRow
from tests.integration.pipeline.world import GO_TIME, LATER, ON_THE_DAY, START, World, open_world
from tests.integration.postgres import Server


@pytest.fixture(scope="module")
def lived_in(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An SQLite database with a week's worth of everything."""
    folder = tmp_path_factory.mktemp("lived")
    file = folder / "duskbell.sqlite3"
    with open_world(folder, f"sqlite:///{file}") as world:
        for now in (START, ON_THE_DAY, GO_TIME):
            world.cycle(now)
        world.weather.cloud_pct = 85.0
        world.cycle(LATER)
        _fill_the_rest(world)
    return file


def _fill_the_rest(world: World) -> None:
    with world.duskbell.sessions.begin() as session:
        session.add(FeedAnswerRow(key="kä", status=200, body=b"\x00\xff", fetched_at=START))
        session.add(FeedAnswerRow(key="K", status=200, body=b"", fetched_at=START))


@pytest.fixture
def source(lived_in: Path, tmp_path: Path) -> Iterator[Engine]:
    copy = tmp_path / "duskbell.sqlite3"
    copy.write_bytes(lived_in.read_bytes())
    engine = open_engine(f"sqlite:///{copy}")
    yield engine
    engine.dispose()


@pytest.fixture
def target(new_postgres: Server) -> Iterator[Engine]:
    engine = open_engine(new_postgres())
    yield engine
    engine.dispose()


def _url(engine: Engine) -> str:
    return engine.url.render_as_string(hide_password=False)


def test_every_table_arrives_as_it_was(source: Engine, target: Engine) -> None:
    summaries = move(source, _url(target))
    assert set(summaries) == set(METADATA.tables)
    assert summaries["decision"].rows > 0
    assert summaries["attempt"].rows > 0
    with source.connect() as here, target.connect() as there:
        for table in METADATA.sorted_tables:
            assert summarise(here, table) == summarise(there, table) == summaries[table.name]


def test_new_rows_get_numbers_after_the_old_ones(source: Engine, target: Engine) -> None:
    move(source, _url(target))
    with target.begin() as writing:
        before = writing.scalar(select(func.max(PersonRow.id)))
        row = insert(PersonRow).values(name="n", zone="UTC", is_operator=False, created_at=START)
        assert writing.scalar(row.returning(PersonRow.id)) == (before or 0) + 1


def test_a_move_that_was_interrupted_goes_on_where_it_stopped(
    source: Engine, target: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(copying, "BLOCK", 3)
    blocks: list[str] = []

    def dying(table: Table) -> Insert:
        """As a process that ends before it has written a block."""
        if len(blocks) == 30:
            raise KeyboardInterrupt
        blocks.append(table.name)
        return insert(table)

    with monkeypatch.context() as patched:
        patched.setattr(copying, "insert", dying)
        with pytest.raises(KeyboardInterrupt):
            move(source, _url(target))
    said: list[str] = []
    summaries = move(source, _url(target), said.append)
    assert f"{blocks[0]}: 0 rows more" in said
    assert summaries["message_alert"].rows > 0


def test_a_row_that_differs_is_found(source: Engine, target: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    written: set[str] = set()

    def changed_meanwhile(table: Table) -> Insert:
        """Once all revisions are there, somebody changes one of them."""
        if "site_revision" in written and table.name != "site_revision":
            with target.begin() as writing:
                latitude = SiteRevisionRow.lat_deg
                writing.execute(update(SiteRevisionRow).values(lat_deg=latitude + 1e-9))
        written.add(table.name)
        return insert(table)

    monkeypatch.setattr(copying, "insert", changed_meanwhile)
    with pytest.raises(MoveError, match="site_revision is not the same"):
        move(source, _url(target))


def test_a_database_that_holds_rows_is_not_moved_to(source: Engine, target: Engine) -> None:
    move(source, _url(target))
    with pytest.raises(MoveError, match="holds rows already"):
        move(source, _url(target))


def test_two_databases_are_not_mixed(source: Engine, target: Engine, tmp_path: Path) -> None:
    other = open_engine(f"sqlite:///{tmp_path / 'other.sqlite3'}")
    copying.upgrade(target)
    copying._begin(target, other)
    with pytest.raises(MoveError, match="rows of another database"):
        move(source, _url(target))
    other.dispose()


def test_what_postgresql_does_not_take_is_told_and_can_be_mended(source: Engine, target: Engine) -> None:
    with source.begin() as writing:
        writing.execute(text("UPDATE site SET name = 'a' || char(0) || 'b'"))
    with pytest.raises(MoveError, match="rows of site could not be written"):
        move(source, _url(target))
    with source.begin() as writing:
        writing.execute(text("UPDATE site SET name = 'ab'"))
    assert move(source, _url(target))["site"].rows == 1


@pytest.mark.parametrize("held", ["source", "target"])
def test_nothing_is_moved_while_duskbell_runs(source: Engine, target: Engine, held: str) -> None:
    with hold_store(source if held == "source" else target), pytest.raises(AlreadyRunning):
        move(source, _url(target))


def test_nothing_is_moved_under_a_fleet(source: Engine, target: Engine) -> None:
    with SharedHold(target), pytest.raises(AlreadyRunning):
        move(source, _url(target))


def test_nobody_writes_to_the_source_meanwhile(source: Engine, target: Engine) -> None:
    refused: list[str] = []

    def try_to_write(_line: str) -> None:
        intruder = open_engine(_url(source))
        event.listen(intruder, "connect", lambda _, entry: entry.info.update({BUSY_FOR: 0}))
        try:
            with intruder.begin():
                refused.append("not refused")
        except copying.DBAPIError as error:
            refused.append(str(error.orig))
        intruder.dispose()

    move(source, _url(target), try_to_write)
    assert set(refused) == {"database is locked"}


def test_rows_go_to_postgresql_only(source: Engine, tmp_path: Path) -> None:
    with pytest.raises(MoveError, match="only be moved to PostgreSQL"):
        move(source, f"sqlite:///{tmp_path / 'x.sqlite3'}")


def test_the_command_says_what_to_do_next(
    source: Engine, target: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DUSKBELL_DATA_DIR", str(Path(source.url.database or "").parent))
    ran = CliRunner().invoke(move_command, ["--to", _url(target)])
    assert ran.exit_code == 0, ran.output
    assert "set DUSKBELL_DATABASE_URL" in ran.output
    assert "secret.key" in ran.output


def test_checksums_do_not_depend_on_the_order_of_the_rows(source: Engine, target: Engine) -> None:
    copying.upgrade(target)
    answers = METADATA.tables["feed_answer"]
    with source.connect() as here, target.connect() as there:
        rows = [dict(row) for row in here.execute(select(answers)).mappings()]
        for row in reversed(rows):
            there.execute(insert(answers), row)
        assert summarise(here, answers) == summarise(there, answers)
        there.execute(answers.update().values(status=201))
        assert summarise(here, answers) != summarise(there, answers)
