"""Duties fall due at fixed moments; one scheduler takes each turn, and a fault keeps no other duty back."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from service.app import Duskbell
from service.runtime.fleet.scheduler import REST_AFTER_FAULT, Duty, Scheduler, due_at, find_duties
from service.runtime.fleet.watchdog import Lifeline
from service.runtime.maintenance_jobs import Chore
from service.settings import Settings
from service.store.repositories.cycles import take_turn
from tests.integration.pipeline.world import START
from tests.integration.postgres import Server
from tests.integration.runtime.fleet.conftest import Fleet

NOON = datetime(2027, 6, 30, 12, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def _duty(every: timedelta, offset: timedelta = timedelta(0)) -> Duty:
    return Duty("d", every, lambda *_: None, offset)


@pytest.mark.parametrize(
    ("every", "offset", "now", "due"),
    [
        (30 * MINUTE, 7 * MINUTE, NOON, NOON - 23 * MINUTE),
        (30 * MINUTE, 7 * MINUTE, NOON + 7 * MINUTE, NOON + 7 * MINUTE),
        (30 * MINUTE, 7 * MINUTE, NOON + 36 * MINUTE, NOON + 7 * MINUTE),
        (5 * MINUTE, 2 * MINUTE, NOON + MINUTE, NOON - 3 * MINUTE),
        (timedelta(hours=6), 7 * MINUTE, NOON, NOON - timedelta(hours=5, minutes=53)),
        (timedelta(seconds=5), timedelta(0), NOON + timedelta(seconds=9), NOON + timedelta(seconds=5)),
    ],
    ids=["before :07", "at :07", "before :37", "every five", "every six hours", "seconds"],
)
def test_a_duty_is_due_at_fixed_moments(
    every: timedelta, offset: timedelta, now: datetime, due: datetime
) -> None:
    assert due_at(_duty(every, offset), now) == due


@dataclass
class Duties:
    """Two schedulers' worth of duties that note when they were done."""

    duskbell: Duskbell
    now: datetime = NOON
    steady_s: float = 0.0
    done: list[tuple[str, datetime]] = field(default_factory=list)
    is_broken: bool = False

    def scheduler(self) -> Scheduler:
        return Scheduler(
            self.duskbell, [Duty("rare", 30 * MINUTE, self._rare), Duty("often", MINUTE, self._often)]
        )

    def _rare(self, _session: Session, moment: datetime, _now: datetime) -> None:
        if self.is_broken:
            raise ZeroDivisionError
        self.done.append(("rare", moment))

    def _often(self, _session: Session, moment: datetime, _now: datetime) -> None:
        self.done.append(("often", moment))


@pytest.fixture
def duties(tmp_path: Path, new_postgres: Server) -> Iterator[Duties]:
    duskbell = Duskbell(Settings(data_dir=tmp_path, database_url=new_postgres.migrated()))
    duties = Duties(duskbell)
    duskbell.clock = lambda: duties.now
    duskbell.steady = lambda: duties.steady_s
    yield duties
    duskbell.engine.dispose()


def test_row_7_two_schedulers_do_each_thing_once(duties: Duties) -> None:
    first, second = duties.scheduler(), duties.scheduler()
    for minute in range(31):
        duties.now = NOON + minute * MINUTE
        threads = [threading.Thread(target=each.step) for each in (first, second)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert sorted(duties.done) == [
        *(("often", NOON + minute * MINUTE) for minute in range(31)),
        ("rare", NOON),
        ("rare", NOON + 30 * MINUTE),
    ]


def test_rows_11_and_13_missed_moments_are_made_up_for_once(duties: Duties) -> None:
    scheduler = duties.scheduler()
    scheduler.step()
    duties.now = NOON + timedelta(days=3)
    duties.done.clear()
    scheduler.step()
    duties.scheduler().step()
    assert duties.done == [("rare", duties.now), ("often", duties.now)]


def test_rows_12_and_121_after_a_clock_set_back_each_turn_is_taken_once_by_the_new_time(
    duties: Duties,
) -> None:
    duties.scheduler().step()
    duties.done.clear()
    first, second = duties.scheduler(), duties.scheduler()
    for minutes in (-360, -359, -330):
        duties.now = NOON + minutes * MINUTE
        first.step()
        second.step()
    assert duties.done == [
        ("rare", NOON - 360 * MINUTE),
        ("often", NOON - 360 * MINUTE),
        ("often", NOON - 359 * MINUTE),
        ("rare", NOON - 330 * MINUTE),
        ("often", NOON - 330 * MINUTE),
    ]


def test_row_121_schedulers_whose_clocks_differ_a_little_take_no_turn_twice(duties: Duties) -> None:
    duties.scheduler().step()
    duties.done.clear()
    duties.now = NOON - timedelta(seconds=50)
    duties.scheduler().step()
    assert duties.done == []


def test_row_122_a_duty_that_rests_is_not_late_by_what_the_clock_was_set_back(duties: Duties) -> None:
    scheduler = duties.scheduler()
    duties.is_broken = True
    assert scheduler.step() == ["often"]
    duties.is_broken = False
    duties.now -= timedelta(hours=6)
    duties.steady_s += REST_AFTER_FAULT.total_seconds()
    assert scheduler.step() == ["rare", "often"]


def test_a_duty_that_fails_keeps_no_other_back_and_comes_again(duties: Duties) -> None:
    scheduler = duties.scheduler()
    duties.is_broken = True
    assert scheduler.step() == ["often"]
    duties.is_broken = False
    assert scheduler.step() == []
    duties.steady_s += REST_AFTER_FAULT.total_seconds()
    assert scheduler.step() == ["rare"]


def test_a_turn_counts_only_with_what_was_done_in_it(duties: Duties) -> None:
    sessions = duties.duskbell.sessions
    session = sessions()
    assert take_turn(session, "d", NOON, NOON)
    session.rollback()
    assert take_turn(session, "d", NOON, NOON)
    session.commit()
    assert not take_turn(session, "d", NOON, NOON)
    assert not take_turn(session, "d", NOON - MINUTE, NOON - MINUTE)
    session.close()


def test_a_scheduler_begins_cycles_puts_in_chores_and_sweeps(fleet: Fleet) -> None:
    duskbell, done = fleet.world.duskbell, []
    chore = Chore("watch", lambda: done.append("watched"), MINUTE)
    fleet.world.wall = START
    scheduler = Scheduler(duskbell, find_duties(duskbell, [chore], 30 * MINUTE))
    assert scheduler.step() == [
        "cycle",
        "sweep messages",
        "sweep parts",
        "recall messages",
        "recover jobs",
        "verify",
        "chore watch",
    ]
    assert fleet.jobs() == ["sky", "upkeep", "verify", "upkeep"]
    fleet.work()
    assert fleet.world.kinds() == ["heads_up", "heads_up"]
    fleet.world.wall += timedelta(seconds=5)
    assert scheduler.step() == ["sweep messages", "sweep parts"]


@contextmanager
def _watched(
    ask: Callable[[], object], alive: Path | None = None, give_up_after_s: float = 0.05
) -> Iterator[threading.Event]:
    """A lifeline with a short breath; the event is set when it would have ended the process."""
    ended = threading.Event()
    with Lifeline(ask, alive=alive, end=ended.set, every_s=0.01, give_up_after_s=give_up_after_s):
        yield ended


def _refuse() -> None:
    raise OSError("no route")


def test_a_process_whose_database_is_gone_ends() -> None:
    with _watched(_refuse) as ended:
        assert ended.wait(10)


def test_a_process_whose_question_hangs_ends() -> None:
    forever = threading.Event()
    with _watched(forever.wait) as ended:
        assert ended.wait(10)
    forever.set()


def test_a_process_that_is_answered_goes_on_and_shows_it(tmp_path: Path) -> None:
    asked = threading.Semaphore(0)
    alive = tmp_path / "alive"
    with _watched(asked.release, alive, give_up_after_s=10) as ended:
        for _ in range(20):
            assert asked.acquire(timeout=10)
        assert not ended.is_set()
    assert alive.exists()
