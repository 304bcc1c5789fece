"""How the processes of a fleet end: in good order when told to, with another code when something is lost."""

from __future__ import annotations

import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest
import requests
from sqlalchemy import Engine, make_url, text

from service.cli.fleet import run_pages
from service.runtime.fleet import scheduler, worker
from service.runtime.fleet.watchdog import EXIT_CODE, Lifeline
from service.store.engine import open_engine
from tests.acceptance.fleetlife.proxy import Line
from tests.integration.delivery import child
from tests.integration.delivery.child import PATIENCE_S, Ground
from tests.integration.postgres import Server

LOOK_EVERY_S = 0.05


@pytest.fixture
def url(new_postgres: Server) -> str:
    return new_postgres.migrated()


@pytest.fixture
def line(new_postgres: Server) -> Iterator[Line]:
    """What the process under test reaches its database over."""
    line = Line(new_postgres.socket)
    yield line
    line.close()


@pytest.fixture
def over_line(url: str, line: Line, tmp_path: Path) -> Ground:
    name = make_url(url).database
    store_url = (
        f"postgresql+psycopg://postgres@127.0.0.1:{line.port}/{name}?sslmode=disable&gssencmode=disable"
    )
    return Ground(str(tmp_path), store_url)


@pytest.fixture
def engine(url: str) -> Iterator[Engine]:
    """The database, seen from beside."""
    engine = open_engine(url)
    yield engine
    engine.dispose()


def work(ground: Ground) -> None:
    worker.QUEUE_WITHIN_S = 1.0
    worker.run_worker(ground.open(), alive=Path(ground.folder) / "alive")


def schedule(ground: Ground) -> None:
    scheduler.run_scheduler(ground.open(), alive=Path(ground.folder) / "alive")


def show_pages(ground: Ground, port: int) -> None:
    duskbell = ground.open()
    duskbell.settings = duskbell.settings.model_copy(update={"web_port": port})
    run_pages(duskbell)


def hang_without_answer() -> None:
    def refuse() -> None:
        raise OSError("no route")

    with Lifeline(refuse, every_s=0.01, give_up_after_s=0.05):
        threading.Event().wait()


def test_a_worker_that_is_told_to_stop_ends_with_code_0(over_line: Ground, engine: Engine) -> None:
    with _running(work, over_line) as process:
        _wait_until(lambda: _lanes(engine) > 0 and (Path(over_line.folder) / "alive").exists())
        assert _end(process, signal.SIGTERM) == 0
    assert _lanes(engine) == 0


def test_a_worker_that_has_lost_its_database_ends_with_another_code(
    over_line: Ground, engine: Engine, line: Line
) -> None:
    """The queue's own library would end it with code 0."""
    with _running(work, over_line) as process:
        _wait_until(lambda: _lanes(engine) > 0)
        line.cut()
        assert _end(process) not in (0, None)


def test_a_process_that_hangs_without_its_database_is_ended_with_a_code_of_its_own() -> None:
    with _running(hang_without_answer) as process:
        assert _end(process) == EXIT_CODE


def test_a_scheduler_lives_through_a_line_that_was_cut(over_line: Ground, engine: Engine, line: Line) -> None:
    with _running(schedule, over_line) as process:
        _wait_until(lambda: _turns(engine) > 0)
        line.cut()
        _wait_until(lambda: _connections(engine) == 0)
        _forget_turns(engine)
        line.mend()
        _wait_until(lambda: _turns(engine) > 0)
        assert _end(process, signal.SIGTERM) == 0


def test_pages_live_through_a_line_that_was_cut_and_say_so(over_line: Ground, line: Line) -> None:
    port = _free_port()
    with _running(show_pages, over_line, port) as process:
        _wait_until(lambda: _readiness(port) == 200)
        line.cut()
        _wait_until(lambda: _readiness(port) == 503)
        line.mend()
        _wait_until(lambda: _readiness(port) == 200)
        assert _end(process, signal.SIGTERM) == 0


def test_pages_that_cannot_listen_end_with_a_code_other_than_0(url: str, tmp_path: Path) -> None:
    taken = socket.create_server(("127.0.0.1", 0))
    with taken, _running(show_pages, Ground(str(tmp_path), url), taken.getsockname()[1]) as process:
        assert _end(process) not in (0, None)


@contextmanager
def _running(do: Callable[..., None], *args: object) -> Iterator[BaseProcess]:
    process = child.start(do, *args)
    try:
        yield process
    finally:
        process.kill()
        process.join()


def _end(process: BaseProcess, number: signal.Signals | None = None) -> int | None:
    """Its exit code, once it has ended; None when it doesn't."""
    if number is not None:
        assert process.pid is not None
        os.kill(process.pid, number)
    process.join(PATIENCE_S)
    return process.exitcode


def _wait_until(is_so: Callable[[], bool]) -> None:
    ends = time.monotonic() + PATIENCE_S
    while not is_so():
        assert time.monotonic() < ends, "waited in vain"
        time.sleep(LOOK_EVERY_S)


def _number(engine: Engine, query: str) -> int:
    with engine.connect() as connection:
        return int(connection.execute(text(query)).scalar_one())


def _lanes(engine: Engine) -> int:
    return _number(engine, "SELECT count(*) FROM procrastinate_workers")


def _turns(engine: Engine) -> int:
    return _number(engine, "SELECT count(*) FROM duty_turn")


def _connections(engine: Engine) -> int:
    """Those of others to this database."""
    query = "SELECT count(*) - 1 FROM pg_stat_activity WHERE datname = current_database()"
    return _number(engine, query)


def _forget_turns(engine: Engine) -> None:
    with engine.begin() as connection:
        connection.execute(text("DELETE FROM duty_turn"))


def _readiness(port: int) -> int:
    """The status of /readyz; 0 while nobody listens."""
    try:
        return requests.get(f"http://127.0.0.1:{port}/readyz", timeout=20).status_code
    except requests.ConnectionError:
        return 0


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
