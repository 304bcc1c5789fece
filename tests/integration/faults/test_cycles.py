"""Cycles that meet, come late, or find the clock or the disk in trouble. Those that die are in
tests/integration/delivery/test_crashes.py. Rows of the fault list."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, event, func, select, text
from sqlalchemy.exc import OperationalError

from alerts.common.errors import DuskbellError
from service.pipeline.run_cycle import think
from service.runtime.single_process import build_scheduler
from service.store.engine import (
    BUSY_TIMEOUT_MS,
    PATIENT_TIMEOUT_MS,
    StoreError,
    open_engine,
    require_writable,
)
from service.store.repositories.messages import Status
from service.store.schema.core_tables import AlertRow, DecisionRow, SubscriptionRow
from tests.integration.conftest import NewStore
from tests.integration.delivery import child
from tests.integration.delivery.child import Ground
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, SUNDAY, World, open_world

HALF_HOUR = timedelta(minutes=30)
HOUR = timedelta(hours=1)


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as world:
        yield world


def _ground(world: World) -> Ground:
    settings = world.duskbell.settings
    return Ground(str(settings.data_dir), settings.store_url, settings.smtp_port)


@pytest.mark.parametrize("apart", [timedelta(0), timedelta(minutes=1)], ids=["one tick", "two ticks"])
def test_row_7_two_cycles_at_once_tell_each_thing_once(apart: timedelta, world: World) -> None:
    ground = _ground(world)
    both = [child.start(child.cycle, ground, now) for now in (START, START + apart)]
    for each in both:
        each.join(child.PATIENCE_S)
    assert [each.exitcode for each in both] == [0, 0]
    assert world.kinds() == ["heads_up", "heads_up"]
    assert len(world.box.mails) == len(world.room.posts) == 1


# the clock


def test_row_11_a_clock_that_jumps_forward_lets_what_waits_expire_unsent(world: World) -> None:
    world.cycle(ON_THE_DAY)
    think(world.duskbell, GO_TIME)
    world.cycle(GO_TIME + 8 * HOUR)
    assert world.box.mails == []
    assert set(world.statuses()) == {Status.EXPIRED}


def test_row_11_three_hours_forward_a_go_that_still_helps_is_sent(world: World) -> None:
    world.cycle(ON_THE_DAY)
    think(world.duskbell, GO_TIME)
    world.cycle(GO_TIME + 3 * HOUR)
    assert world.kinds() == ["go", "go"]
    assert len(world.box.mails) == 1


def test_row_12_a_clock_set_back_tells_nothing_again(world: World) -> None:
    for now in (ON_THE_DAY, GO_TIME, GO_TIME - HOUR, GO_TIME - HALF_HOUR, GO_TIME + HALF_HOUR):
        world.cycle(now)
    assert world.kinds() == ["go", "go"]
    assert len(world.box.mails) == 1


def test_row_12_a_clock_set_back_takes_back_what_sours_all_the_same(world: World) -> None:
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    world.weather.cloud_pct = 85.0
    world.cycle(GO_TIME - HOUR)
    assert world.kinds() == ["go", "go", "stand_down", "stand_down"]


def test_row_12_a_clock_set_back_by_days_asks_and_judges_anew(world: World) -> None:
    world.cycle(GO_TIME)
    asked = world.weather.asked
    world.cycle(START)
    assert world.weather.asked == asked + 1
    with world.duskbell.sessions() as session:
        assert set(session.scalars(select(SubscriptionRow.judged_at))) == {START}


def test_row_13_a_cycle_days_late_takes_nothing_back_and_tells_of_no_night_past(world: World) -> None:
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    world.weather.cloud_pct = 85.0
    world.cycle(SUNDAY + timedelta(days=3))
    assert world.kinds() == ["go", "go"]
    with world.duskbell.sessions() as session:
        told = session.scalars(select(AlertRow.night_name)).all()
        newest = session.scalar(select(func.max(DecisionRow.night_name)))
    assert set(told) == {GO_TIME.date()}
    assert newest is not None
    assert newest > SUNDAY.date(), "coming nights are judged"


def test_rows_11_14_and_15_the_schedule_keeps_utc_makes_up_once_and_never_overlaps() -> None:
    scheduler = build_scheduler(lambda: None, 30)
    scheduler.start(paused=True)
    jobs = scheduler.get_jobs()
    scheduler.shutdown(wait=False)
    assert {str(job.trigger.timezone) for job in jobs if hasattr(job.trigger, "timezone")} == {"UTC"}
    assert {job.misfire_grace_time for job in jobs} == {None}
    assert {(job.coalesce, job.max_instances) for job in jobs} == {(True, 1)}


CHANGES = {
    "forward, Berlin": (datetime(2026, 3, 28, 23, tzinfo=UTC), "row 14"),
    "back, Berlin": (datetime(2026, 10, 24, 23, tzinfo=UTC), "row 15"),
}


@pytest.mark.parametrize(("begins", "row"), CHANGES.values(), ids=CHANGES.keys())
def test_rows_14_and_15_every_half_hour_of_such_a_night_has_its_one_cycle(begins: datetime, row: str) -> None:
    scheduler = build_scheduler(lambda: None, 30)
    scheduler.start(paused=True)
    trigger = next(job.trigger for job in scheduler.get_jobs() if job.id == "cycle")
    scheduler.shutdown(wait=False)
    trigger.jitter = None
    fired: list[datetime] = []
    now = begins
    for _ in range(10):
        now = trigger.get_next_fire_time(fired[-1] if fired else None, now)
        fired.append(now)
        now += timedelta(seconds=1)
    steps = {later - sooner for sooner, later in pairwise(fired)}
    assert steps == {HALF_HOUR}, row


# the store


def _limited(world: World, is_full: Callable[[], bool]) -> Callable[..., None]:
    def limit(connection: Any, *_: Any) -> None:
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages if is_full() else 1_000_000}")

    event.listen(world.duskbell.engine, "checkout", limit)
    return limit


def test_row_36_a_disk_that_fills_ends_the_cycle_and_what_was_written_is_whole(
    tmp_path: Path, empty_store: Path
) -> None:
    """SQLite's own: a PostgreSQL keeps its disk to itself."""
    file = tmp_path / "store.sqlite3"
    file.write_bytes(empty_store.read_bytes())
    with open_world(tmp_path, f"sqlite:///{file}") as world:
        full = [True]
        _limited(world, lambda: full[0])
        with pytest.raises(OperationalError, match="full"):
            world.cycle(START)
        assert world.box.mails == []
        full[0] = False
        world.cycle(START)
        assert world.kinds() == ["heads_up", "heads_up"]
        assert len(world.box.mails) == 1


def test_row_35_a_store_that_another_holds_too_long_ends_the_cycle_and_the_next_does_it_all(
    tmp_path: Path, empty_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "store.sqlite3"
    file.write_bytes(empty_store.read_bytes())
    monkeypatch.setattr("service.store.engine.PATIENT_TIMEOUT_MS", 50)
    monkeypatch.setattr("service.pipeline.run_cycle.RESTS_S", ())
    with open_world(tmp_path, f"sqlite:///{file}") as world:
        other = open_engine(world.duskbell.settings.store_url)
        with other.connect() as holding:
            holding.execute(text("UPDATE person SET name = name"))
            with pytest.raises(OperationalError, match="locked"):
                world.cycle(START)
        other.dispose()
        world.cycle(START)
        assert world.kinds() == ["heads_up", "heads_up"]


class Released(threading.Event):
    """Never set; whoever waits for it lets the store go."""

    def __init__(self, release: Callable[[], object]) -> None:
        super().__init__()
        self._release = release

    def wait(self, timeout: float | None = None) -> bool:
        self._release()
        return False


def test_row_130_a_cycle_that_the_store_was_too_busy_for_is_tried_again(
    tmp_path: Path, empty_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "store.sqlite3"
    file.write_bytes(empty_store.read_bytes())
    monkeypatch.setattr("service.store.engine.PATIENT_TIMEOUT_MS", 50)
    with open_world(tmp_path, f"sqlite:///{file}") as world:
        other = open_engine(world.duskbell.settings.store_url)
        holding = other.connect()
        holding.execute(text("UPDATE person SET name = name"))
        stopping = Released(holding.close)
        world.duskbell.delivery = replace(world.duskbell.delivery, stopping=stopping)
        world.cycle(START)
        other.dispose()
        assert world.kinds() == ["heads_up", "heads_up"]
        assert len(world.box.mails) == 1


def test_row_130_a_cycle_waits_long_for_others_who_write_and_a_page_does_not(
    tmp_path: Path, empty_store: Path
) -> None:
    file = tmp_path / "store.sqlite3"
    file.write_bytes(empty_store.read_bytes())
    waits: set[int] = set()

    def note(connection: Connection) -> None:
        waits.add(connection.exec_driver_sql("PRAGMA busy_timeout").scalar_one())

    with open_world(tmp_path, f"sqlite:///{file}") as world:
        event.listen(world.duskbell.engine, "begin", note)
        world.cycle(START)
        assert waits == {PATIENT_TIMEOUT_MS}
        waits.clear()
        with world.duskbell.sessions.begin() as session:
            session.execute(text("SELECT 1"))
        assert waits == {BUSY_TIMEOUT_MS}
        event.remove(world.duskbell.engine, "begin", note)


def test_row_37_an_sqlite_that_can_not_be_written_is_refused(tmp_path: Path, empty_store: Path) -> None:
    file = tmp_path / "store.sqlite3"
    file.write_bytes(empty_store.read_bytes())
    writable = open_engine(f"sqlite:///{file}")
    require_writable(writable)
    writable.dispose()
    engine = open_engine(f"sqlite:///file:{file}?mode=ro&uri=true")
    with pytest.raises(StoreError, match="can't be written") as refusal:
        require_writable(engine)
    assert isinstance(refusal.value, DuskbellError)
    engine.dispose()
    assert not Path("file:").exists()
