"""A cycle over many processes says what a cycle in one process says, whatever is lost on the way."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from sqlalchemy import func, select, text

from alerts.common.span import Span
from service.feeds.shared.model import Gathered
from service.pipeline import judge_stage
from service.pipeline.judging.process_pool import ProcessPool
from service.runtime.fleet import cycles
from service.runtime.fleet.worker_sessions import of_part
from service.store.repositories import cycle_parts
from service.store.repositories.cycle_parts import LeaseLost
from service.store.repositories.messages import Status
from service.store.schema.core_tables import CyclePartRow, CycleRow, PersonRow
from service.store.schema.delivery_tables import TroubleRow
from tests.integration.pipeline.world import GO_TIME, LATER, ON_THE_DAY, START
from tests.integration.runtime.fleet.conftest import Fleet

TICK = timedelta(minutes=30)


def test_a_good_night_is_announced_called_and_taken_back(fleet: Fleet) -> None:
    for now in (START, ON_THE_DAY, GO_TIME):
        fleet.tick(now)
        fleet.work()
    fleet.world.weather.cloud_pct = 85.0
    fleet.tick(LATER)
    fleet.work()
    assert [subject.split(":")[0] for subject in fleet.world.subjects()] == [
        "[Invented] Heads-up",
        "[Invented] Go tonight",
        "[Invented] Stand down",
    ]
    assert set(fleet.world.statuses()) == {Status.SENT}
    assert fleet.jobs() == []


def test_a_cycle_goes_through_its_stages_and_says_what_it_did(fleet: Fleet) -> None:
    cycle_id = fleet.tick(START)
    seen = []
    while fleet.jobs():
        seen.append(fleet.jobs()[0])
        fleet.work(seen[-1])
    assert seen == ["sky", "refresh", "judge", "deliver"]
    with fleet.world.duskbell.sessions() as session:
        cycle = session.get_one(CycleRow, cycle_id)
    assert cycle.finished_at == START
    assert cycle.counts["nights"] > 0
    assert cycle.counts["heads_up"] == 2


def test_row_7_of_two_schedulers_one_begins_the_cycle(fleet: Fleet) -> None:
    begun: list[int | None] = []
    together = threading.Barrier(2)

    def tick() -> None:
        together.wait()
        begun.append(fleet.tick(START))

    threads = [threading.Thread(target=tick) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(each is None for each in begun) == [False, True]
    assert fleet.jobs() == ["sky"]


def test_row_10_the_same_tick_again_changes_nothing(fleet: Fleet) -> None:
    fleet.tick(START)
    fleet.work()
    assert fleet.tick(START) is None
    assert fleet.jobs() == []


def test_a_tick_during_a_cycle_is_left_out(fleet: Fleet) -> None:
    fleet.tick(START)
    assert fleet.tick(START + TICK) is None
    fleet.work()
    assert fleet.tick(START + 2 * TICK) is not None


def test_a_cycle_that_never_ends_is_left_behind_and_whoever_works_on_it_is_refused(fleet: Fleet) -> None:
    fleet.tick(START)
    with fleet.world.duskbell.sessions.begin() as session:
        held = cycle_parts.take(session, _open_part(fleet), START)
    assert held is not None
    assert fleet.tick(START + cycles.GIVEN_UP_AFTER + TICK) is not None
    mine = of_part(fleet.world.duskbell.sessions, held)
    with pytest.raises(LeaseLost), mine.begin() as session:
        session.execute(select(PersonRow))
    fleet.work()
    assert fleet.world.kinds() == ["heads_up", "heads_up"]


@pytest.mark.parametrize("done", [True, False], ids=["done", "under way"])
def test_row_121_after_a_clock_set_back_cycles_begin_again(fleet: Fleet, done: bool) -> None:
    for now in (START, START + TICK):
        fleet.tick(now)
        fleet.work()
    fleet.tick(START + 12 * TICK)
    if done:
        fleet.work()
    assert fleet.tick(START) is not None, "the minute of the first cycle, another time"
    fleet.work()
    fleet.tick(START + TICK)
    fleet.work()
    with fleet.world.duskbell.sessions() as session:
        unfinished = session.scalars(select(CycleRow.as_of).where(CycleRow.finished_at.is_(None)))
        assert unfinished.all() == ([] if done else [START + 12 * TICK])
        assert session.scalar(select(func.count()).select_from(CycleRow)) == 5


def test_row_122_a_part_whose_worker_died_is_not_late_by_what_the_clock_was_set_back(fleet: Fleet) -> None:
    fleet.tick(START)
    with fleet.world.duskbell.sessions.begin() as session:
        part_id = session.scalars(select(CyclePartRow.id)).one()
        assert cycle_parts.take(session, part_id, START + 12 * TICK)
    with fleet.world.duskbell.sessions.begin() as session:
        assert [part.id for part in cycle_parts.find_idle(session, START)] == [part_id]
        assert cycle_parts.take(session, part_id, START, lease=cycle_parts.LONGEST_LEASE)
    with fleet.world.duskbell.sessions.begin() as session:
        assert cycle_parts.find_idle(session, START) == []
        assert cycle_parts.take(session, part_id, START) is None


def test_jobs_that_were_lost_are_put_in_again(fleet: Fleet) -> None:
    fleet.tick(START)
    for _stage in ("sky", "refresh", "judge"):
        fleet.lose_jobs()
        assert fleet.sweep() == 1
        assert fleet.sweep() == 0
        fleet.work(_stage)
    assert fleet.world.kinds() == ["heads_up", "heads_up"]


def test_row_9_a_worker_that_lost_its_part_writes_nothing(fleet: Fleet) -> None:
    fleet.tick(START)
    part_id = _open_part(fleet)
    sessions = fleet.world.duskbell.sessions
    with sessions.begin() as session:
        frozen = cycle_parts.take(session, part_id, START)
    later = START + cycle_parts.LEASE + timedelta(seconds=1)
    with sessions.begin() as session:
        assert cycle_parts.take(session, part_id, later) is not None
    assert frozen is not None
    with pytest.raises(LeaseLost), of_part(sessions, frozen).begin() as session:
        session.add(PersonRow(name="x", zone="UTC", is_operator=False, created_at=START))
    with pytest.raises(LeaseLost), sessions.begin() as session:
        cycle_parts.finish(session, frozen, later, {})
    with sessions() as session:
        assert session.scalar(select(func.count()).where(PersonRow.name == "x")) == 0


def test_a_part_in_hand_is_taken_by_nobody_else(fleet: Fleet) -> None:
    fleet.tick(START)
    with fleet.world.duskbell.sessions.begin() as session:
        assert cycle_parts.take(session, _open_part(fleet), START) is not None
        assert cycle_parts.take(session, _open_part(fleet), START) is None


def test_work_moves_the_lease_on(fleet: Fleet) -> None:
    fleet.tick(START)
    with fleet.world.duskbell.sessions.begin() as session:
        held = cycle_parts.take(session, _open_part(fleet), START)
    assert held is not None
    fleet.world.wall = START + cycle_parts.LEASE - timedelta(seconds=1)
    with of_part(fleet.world.duskbell.sessions, held).begin() as session:
        session.execute(select(PersonRow))
    with fleet.world.duskbell.sessions.begin() as session:
        assert (
            cycle_parts.take(session, held.part_id, START + cycle_parts.LEASE + timedelta(seconds=1)) is None
        )


def test_a_stage_that_fails_is_tried_again_then_told_of_and_the_cycle_goes_on(fleet: Fleet) -> None:
    def broken(*_: object) -> Gathered:
        raise RuntimeError("the answer was a haiku")

    fleet.world.duskbell.invented_weather = broken
    fleet.tick(START)
    fleet.work()
    for _ in range(cycle_parts.TRIES_BEFORE_DIVIDING + 1):
        fleet.sweep()
        fleet.work()
    with fleet.world.duskbell.sessions() as session:
        trouble = session.get_one(TroubleRow, "stage refresh")
        assert session.scalars(select(CycleRow)).one().finished_at is not None
    assert "haiku" in trouble.text
    assert fleet.world.verdict() == "unknown"


def test_a_block_that_fails_is_halved_until_the_one_stands_alone(fleet: Fleet) -> None:
    cycle_id = fleet.tick(START)
    assert cycle_id is not None
    with fleet.world.duskbell.sessions.begin() as session:
        [part_id] = cycle_parts.open_parts(session, cycle_id, "judge", [[1, 2, 3]], START)
        halves = cycle_parts.divide(session, session.get_one(CyclePartRow, part_id), START)
        assert [session.get_one(CyclePartRow, each).ids for each in halves] == [[1], [2, 3]]
        assert cycle_parts.divide(session, session.get_one(CyclePartRow, halves[0]), START) == []


def test_judging_does_not_wait_for_ever_for_the_feeds(fleet: Fleet) -> None:
    fleet.tick(START)
    fleet.work("sky")
    assert fleet.jobs() == ["refresh"]
    fleet.world.wall = START + cycles.FEEDS_BUDGET + timedelta(seconds=1)
    fleet.sweep()
    assert fleet.jobs() == ["refresh", "judge"]
    fleet.work("judge")
    assert fleet.world.verdict() == "unknown"
    with fleet.world.duskbell.sessions() as session:
        assert session.scalars(select(CycleRow)).one().finished_at is not None


def test_blocks_hold_whole_addresses_and_all_of_them(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cycles, "SUBSCRIPTIONS_IN_A_BLOCK", 1)
    fleet.tick(START)
    fleet.work("sky", "refresh")
    assert fleet.jobs() == ["judge", "judge"]
    fleet.work()
    assert fleet.world.kinds() == ["heads_up", "heads_up"]
    assert len(fleet.world.box.mails) == 1
    assert len(fleet.world.room.posts) == 1


def test_a_worker_judges_by_itself_and_starts_no_processes(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There is one for each core already."""

    def refuse(*_: object) -> None:
        raise AssertionError("a worker has no crew")

    monkeypatch.setattr(judge_stage, "WORTH_A_POOL", 0)
    monkeypatch.setattr(ProcessPool, "each", refuse)
    fleet.tick(START)
    fleet.work()
    assert fleet.world.kinds() == ["heads_up", "heads_up"]


def test_a_job_whose_process_died_is_put_back(fleet: Fleet) -> None:
    fleet.tick(START)
    with fleet.world.duskbell.sessions.begin() as session:
        session.execute(
            text(
                "WITH dead AS (INSERT INTO procrastinate_workers (last_heartbeat) "
                "VALUES (now() - interval '1 minute') RETURNING id) "
                "UPDATE procrastinate_jobs SET status = 'doing', worker_id = dead.id FROM dead"
            )
        )
    fleet.work("sky")
    assert fleet.jobs("doing") == ["sky"]
    fleet.recover()
    assert fleet.jobs() == ["sky"]


def test_a_job_that_kills_each_of_its_processes_is_not_put_back_for_ever(fleet: Fleet) -> None:
    fleet.tick(START)
    with fleet.world.duskbell.sessions.begin() as session:
        session.execute(
            text("UPDATE procrastinate_jobs SET status = 'doing', attempts = 5, worker_id = NULL")
        )
    fleet.recover()
    assert fleet.jobs() == []
    assert fleet.jobs("failed") == ["sky"]


def test_weather_is_asked_for_blocks_of_sites_only(fleet: Fleet) -> None:
    asked: list[int] = []
    gather = fleet.world.weather.gather

    def counting(places: object, hours: Span) -> Gathered:
        asked.append(len(places))  # type: ignore[arg-type]
        return gather(places, hours)  # type: ignore[arg-type]

    fleet.world.duskbell.invented_weather = counting
    fleet.tick(START)
    fleet.work()
    assert asked == [1]


def _open_part(fleet: Fleet) -> int:
    with fleet.world.duskbell.sessions() as session:
        return session.scalars(select(CyclePartRow.id).where(CyclePartRow.done_at.is_(None))).one()
