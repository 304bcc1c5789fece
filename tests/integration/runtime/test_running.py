"""The whole service as a process: started, stopped, started twice, and with a store that fails."""

from __future__ import annotations

import os
import signal
import socket
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import pytest
import requests
from sqlalchemy import event, inspect, text

from service.app import Duskbell
from service.delivery import dispatcher
from service.delivery.dispatcher import BackgroundSender
from service.store.engine import open_engine
from service.store.locking import AlreadyRunning, hold_store
from service.store.migrate import current_revision, head_revision, upgrade
from service.store.repositories.messages import Status
from tests.integration.delivery import child
from tests.integration.delivery.child import PATIENCE_S, Ground
from tests.integration.delivery.receivers import Hook, Receiver, Talk
from tests.integration.delivery.yard import Yard


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def ground(yard: Yard) -> Ground:
    yard.wall = datetime.now(UTC)
    return Ground(str(yard.duskbell.settings.data_dir), yard.duskbell.settings.store_url)


def terminate(process: BaseProcess) -> None:
    assert process.pid is not None
    os.kill(process.pid, signal.SIGTERM)


class Held(Hook):
    """Answers only when it may."""

    def __init__(self) -> None:
        super().__init__()
        self.came, self.may_answer = threading.Event(), threading.Event()

    def serve(self, talk: Talk, number: int) -> None:
        self.came.set()
        self.may_answer.wait(PATIENCE_S)
        super().serve(talk, number)


def test_row_6_told_to_stop_it_finishes_what_is_under_way_and_takes_up_nothing(yard: Yard) -> None:
    """Its port closes once it has heard, and takes up nothing from then on."""
    hook, port = Held(), free_port()
    with Receiver(hook.script) as receiver:
        where, address = ground(yard), yard.address("webhook", receiver.url)
        service = child.start(child.serve, where, port)
        _wait_for(f"http://127.0.0.1:{port}/readyz")
        made = [yard.message(address) for _ in range(10)]
        assert hook.came.wait(PATIENCE_S)
        terminate(service)
        _wait_until(lambda: not _takes_calls(port))
        assert service.is_alive()
        hook.may_answer.set()
        service.join(PATIENCE_S)
    assert service.exitcode == 0
    statuses = [yard.status(each) for each in made]
    assert statuses.count(Status.SENT) == len(hook.heard) == 1, "no more at once before one got through"
    assert statuses.count(Status.DUE) == 9
    assert all(yard.row(each).lease_token is None for each in made)


def test_row_6_what_can_not_be_waited_for_is_given_back_as_possibly_sent(yard: Yard) -> None:
    hook = Held()
    with Receiver(hook.script) as receiver:
        where = ground(yard)
        message_id = yard.message(yard.address("webhook", receiver.url))
        service = child.start(child.serve, where, free_port(), 0.3)
        assert hook.came.wait(PATIENCE_S)
        terminate(service)
        service.join(PATIENCE_S)
        assert service.exitcode == 0
        row = yard.row(message_id)
        assert (row.status, row.maybe_sent, row.lease_token) == (Status.RETRY, True, None)
        hook.may_answer.set()
        assert child.run(child.send, where) == 0
    assert hook.ids == {message_id: 2}
    assert yard.status(message_id) is Status.SENT


def test_row_7_a_second_service_on_the_same_store_says_so_and_ends(yard: Yard) -> None:
    hook, port = Hook(), free_port()
    first = child.start(child.serve, ground(yard), port)
    _wait_for(f"http://127.0.0.1:{port}/readyz")
    assert child.run(child.serve, ground(yard), free_port()) == 3
    with Receiver(hook.script) as receiver:
        message_id = yard.message(yard.address("webhook", receiver.url))
        _wait_until(lambda: yard.status(message_id) is Status.SENT)
    assert first.pid is not None
    os.kill(first.pid, signal.SIGKILL)
    first.join(PATIENCE_S)
    _wait_until(lambda: _is_free(yard))  # the lock went with the process
    assert hook.ids == {message_id: 1}


def _is_free(yard: Yard) -> bool:
    try:
        with hold_store(yard.duskbell.engine):
            return True
    except AlreadyRunning:
        return False


def _wait_for(url: str) -> None:
    def answers() -> bool:
        try:
            return requests.get(url, timeout=PATIENCE_S).status_code == 200
        except requests.ConnectionError:
            return False

    _wait_until(answers)


def _takes_calls(port: int) -> bool:
    with socket.socket() as caller:
        return caller.connect_ex(("127.0.0.1", port)) == 0


def _wait_until(holds: Callable[[], bool]) -> None:
    ends_s = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < ends_s, "it didn't come to hold in time"
        time.sleep(0.02)


def test_row_7_the_lock_is_the_stores_whatever_the_engine(store_url: str) -> None:
    first, second = open_engine(store_url), open_engine(store_url)
    with hold_store(first), pytest.raises(AlreadyRunning, match="DUSKBELL_DATABASE_URL"), hold_store(second):
        raise AssertionError("two have it")
    with hold_store(second):
        pass
    first.dispose()
    second.dispose()


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("LOOK_EVERY_S", "REST_AFTER_FAULT_S", "LONGEST_REST_S"):
        monkeypatch.setattr(dispatcher, name, 0.05)


@pytest.mark.usefixtures("hasty")
def test_rows_35_and_130_a_store_that_another_holds_makes_the_postman_wait_and_no_more(
    file_yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.store.engine.PATIENT_TIMEOUT_MS", 100)
    impatient = Duskbell(file_yard.duskbell.settings)
    impatient.clock, impatient.channels = file_yard.duskbell.clock, file_yard.duskbell.channels
    hook, waits = Hook(), set[int]()
    event.listen(
        impatient.engine,
        "begin",
        lambda connection: waits.add(connection.exec_driver_sql("PRAGMA busy_timeout").scalar_one()),
    )
    with Receiver(hook.script) as receiver:
        message_id = file_yard.message(file_yard.address("webhook", receiver.url))
        carrier = BackgroundSender(impatient.delivery)
        with file_yard.duskbell.engine.begin() as holding:
            holding.execute(text("UPDATE person SET name = name"))
            carrier.start()
            time.sleep(0.4)
            assert hook.heard == []
        _wait_until(lambda: file_yard.status(message_id) is Status.SENT)
        _stop(carrier, impatient)
    impatient.engine.dispose()
    assert hook.ids == {message_id: 1}
    assert waits == {100}, "as long as a cycle"


def _stop(carrier: BackgroundSender, duskbell: Duskbell) -> None:
    duskbell.delivery.stopping.set()
    duskbell.delivery.nudge.set()
    assert carrier.join(PATIENCE_S)


@pytest.mark.usefixtures("hasty")
def test_row_36_a_disk_that_fills_between_sending_and_recording_loses_and_repeats_nothing(
    file_yard: Yard,
) -> None:
    """The attempt is kept in memory and written down once there is room, and isn't sent again meanwhile."""
    full = threading.Event()

    def limit(connection: Any, *_: Any) -> None:
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages if full.is_set() else 1_000_000}")

    class Filling(Hook):
        def serve(self, talk: Talk, number: int) -> None:
            full.set()
            super().serve(talk, number)

    event.listen(file_yard.duskbell.engine, "checkout", limit)
    hook = Filling()
    with Receiver(hook.script) as receiver:
        address = file_yard.address("webhook", receiver.url)
        message_id = file_yard.message(address)
        carrier = BackgroundSender(file_yard.duskbell.delivery)
        carrier.start()
        assert _came(hook)
        time.sleep(0.5)
        full.clear()
        _wait_until(lambda: file_yard.status(message_id) is Status.SENT)
        _stop(carrier, file_yard.duskbell)
    event.remove(file_yard.duskbell.engine, "checkout", limit)
    assert hook.ids == {message_id: 1}


def _came(hook: Hook) -> bool:
    _wait_until(lambda: bool(hook.heard))
    return True


@pytest.mark.parametrize("tables_made", [0, 3, 12, 20])
def test_row_40_a_migration_killed_in_the_middle_is_taken_up_by_the_next(
    tables_made: int, tmp_path: Path
) -> None:
    url = f"sqlite:///{tmp_path / 'store.sqlite3'}"
    assert child.run(child.migrate, url, tables_made) == -9
    engine = open_engine(url)
    upgrade(engine)
    assert current_revision(engine) == head_revision()
    assert "token" in inspect(engine).get_table_names()
    engine.dispose()
