"""Messages and their jobs: written together, lost together, found again, sent once."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import timedelta

import pytest
from procrastinate.jobs import Job
from sqlalchemy import create_engine, select, text, update
from sqlalchemy.orm import Session, sessionmaker

from service.channels import host_state
from service.common.backoff import Breaker, BreakerState
from service.delivery.fair_queue import WaitingMessage
from service.runtime.fleet import scheduler
from service.runtime.fleet.sending import BATCH, LANES, batch_up
from service.store.engine import open_engine
from service.store.repositories import messages
from service.store.repositories.job_queue import UPKEEP, defer
from service.store.repositories.messages import LEASE, NewNotice, NoticeKind, Status
from service.store.schema.core_tables import AddressRow, MessageRow, PersonRow
from tests.integration.pipeline.world import START
from tests.integration.postgres import Server
from tests.integration.runtime.fleet.conftest import Fleet


def job(queueing_lock: str | None, task: str = "duskbell.nothing") -> Job:
    return Job(id=None, queue=UPKEEP, lock=None, queueing_lock=queueing_lock, task_name=task)


NUDGE = job("one")


@pytest.fixture
def told(fleet: Fleet) -> Fleet:
    """Judged, with two messages waiting and the jobs that send them."""
    fleet.tick(START)
    fleet.work("sky", "refresh", "judge")
    return fleet


def _sweep(fleet: Fleet) -> int:
    with fleet.world.duskbell.sessions.begin() as session:
        return scheduler.put_in_messages(session, fleet.world.duskbell, fleet.world.wall)


def test_a_message_comes_with_its_job(told: Fleet) -> None:
    assert told.jobs() == ["deliver", "deliver"]
    assert _sweep(told) == 0
    told.work()
    assert set(told.world.statuses()) == {Status.SENT}


def test_a_message_that_was_rolled_back_leaves_no_job(told: Fleet) -> None:
    told.lose_jobs()
    session = told.world.duskbell.sessions()
    _another(session, told)
    session.rollback()
    session.execute(select(PersonRow))
    session.commit()
    assert told.jobs() == []


def test_a_message_that_is_held_gets_its_job_when_it_is_due(told: Fleet) -> None:
    told.work()
    with told.world.duskbell.sessions.begin() as session:
        _another(session, told, after=timedelta(hours=1))
    assert told.jobs() == []
    assert _sweep(told) == 0
    told.world.wall += timedelta(hours=1)
    assert _sweep(told) == 1
    assert told.jobs() == ["deliver"]


def test_jobs_that_were_lost_are_put_in_again(told: Fleet) -> None:
    told.lose_jobs()
    assert _sweep(told) == 2
    assert _sweep(told) == 0
    told.work()
    assert len(told.world.box.mails) == 1
    assert len(told.world.room.posts) == 1


def test_row_3_a_message_of_a_sender_that_died_is_sent_once_more_under_its_id(told: Fleet) -> None:
    with told.world.duskbell.sessions.begin() as session:
        ids = set(session.scalars(select(MessageRow.id)))
        messages.claim_many(session, list(ids), START)
    told.work()
    assert _sweep(told) == 0
    told.world.wall = START + LEASE + timedelta(seconds=1)
    assert _sweep(told) == 2
    told.work()
    assert {post["data"]["message_id"] for _, post in told.world.room.posts} <= ids
    assert set(told.world.statuses()) == {Status.SENT}


def test_a_second_job_for_the_same_messages_sends_nothing(told: Fleet) -> None:
    with told.world.duskbell.sessions.begin() as session:
        session.execute(
            text(
                "INSERT INTO procrastinate_jobs (queue_name, task_name, args) "
                "SELECT queue_name, task_name, args FROM procrastinate_jobs"
            )
        )
    told.work()
    assert len(told.world.box.mails) == 1
    assert len(told.world.room.posts) == 1


def test_a_host_that_rests_gets_no_jobs(told: Fleet) -> None:
    told.lose_jobs()
    room = told.world.duskbell.channels["webhook"].destination(_target(told, "webhook"))
    rest = Breaker(BreakerState.OPEN, 5, START, START + timedelta(minutes=5), "timeout", timedelta(minutes=5))
    with told.world.duskbell.sessions.begin() as session:
        host_state.keep_breakers(session, {room: rest})
    assert _sweep(told) == 1
    told.work()
    assert len(told.world.box.mails) == 1
    assert told.world.room.posts == []


def test_a_job_for_a_host_that_has_come_to_rest_leaves_its_messages_waiting(told: Fleet) -> None:
    room = told.world.duskbell.channels["webhook"].destination(_target(told, "webhook"))
    rest = Breaker(BreakerState.OPEN, 5, START, START + timedelta(minutes=5), "timeout", timedelta(minutes=5))
    with told.world.duskbell.sessions.begin() as session:
        host_state.keep_breakers(session, {room: rest})
    told.work()
    assert sorted(told.world.statuses()) == [Status.DUE, Status.SENT]


def test_row_6_a_worker_that_is_to_stop_claims_nothing_more(told: Fleet) -> None:
    told.world.duskbell.delivery.stopping.set()
    told.work()
    assert set(told.world.statuses()) == {Status.DUE}


def test_an_alert_too_late_to_help_ends_without_being_sent(told: Fleet) -> None:
    with told.world.duskbell.sessions.begin() as session:
        session.execute(update(MessageRow).values(expires_at=START))
    _sweep(told)
    told.work()
    assert set(told.world.statuses()) == {Status.EXPIRED}


@pytest.mark.parametrize("count", [1, BATCH, BATCH + 1, 10 * BATCH])
def test_batches_hold_each_message_once_and_stay_in_their_lanes(count: int) -> None:
    waiting = [WaitingMessage(f"msg_{n}", "https://a.example") for n in range(count)]
    nudges = batch_up([*waiting, WaitingMessage("msg_x", "https://b.example")])
    sent = [each for nudge in nudges for each in nudge.task_kwargs["message_ids"]]
    assert sorted(sent) == sorted(["msg_x", *(each.message_id for each in waiting)])
    assert len({nudge.lock for nudge in nudges}) <= LANES + 1
    assert nudges[-1].lock not in {nudge.lock for nudge in nudges[:-1]}


@pytest.fixture
def queue(new_postgres: Server) -> Iterator[sessionmaker[Session]]:
    engine = open_engine(new_postgres.migrated())
    yield sessionmaker(engine)
    engine.dispose()


def test_a_job_that_waits_already_is_not_put_in_twice(queue: sessionmaker[Session]) -> None:
    with queue.begin() as session:
        assert defer(session, [NUDGE]) == 1
        assert defer(session, [NUDGE]) == 0
    with queue.begin() as session:
        assert defer(session, [NUDGE]) == 0


def test_a_job_that_slips_in_between_does_not_break_the_transaction(queue: sessionmaker[Session]) -> None:
    """The unique index would abort the whole transaction on PostgreSQL."""
    outcomes: list[int] = []
    other = job("two")

    def put_in_too() -> None:
        with queue.begin() as session:
            session.execute(text("SET application_name = 'late'"))
            outcomes.append(defer(session, [NUDGE, other]))
            session.execute(text("CREATE TABLE still_alive ()"))

    first = queue()
    defer(first, [NUDGE])
    late = threading.Thread(target=put_in_too)
    late.start()
    _wait_for_lock(queue)
    first.commit()
    late.join()
    first.close()
    assert outcomes == [1]
    with queue() as session:
        assert session.scalar(text("SELECT to_regclass('still_alive')")) is not None
        assert session.scalar(text("SELECT count(*) FROM procrastinate_jobs")) == 2


def test_jobs_need_postgresql() -> None:
    from service.store.engine import StoreError

    engine = create_engine("sqlite://")
    with sessionmaker(engine)() as session, pytest.raises(StoreError, match="PostgreSQL"):
        defer(session, [job(None, "t")])
    engine.dispose()


def _wait_for_lock(queue: sessionmaker[Session]) -> None:
    """Until the late transaction waits for the first one."""
    query = text(
        "SELECT count(*) FROM pg_stat_activity WHERE application_name = 'late' AND wait_event_type = 'Lock'"
    )
    with queue() as session:
        while not session.scalar(query):
            session.rollback()


def _another(session: Session, fleet: Fleet, after: timedelta = timedelta(0)) -> None:
    address = session.scalars(select(AddressRow).where(AddressRow.channel == "email")).one()
    due_at = fleet.world.wall + after
    notice = NewNotice(NoticeKind.CONFIRM, {}, helps_until=due_at + timedelta(hours=1))
    messages.enqueue_notice(session, address.id, notice, created_at=START, due_at=due_at)


def _target(fleet: Fleet, channel: str) -> str:
    with fleet.world.duskbell.sessions() as session:
        return session.scalars(select(AddressRow.target).where(AddressRow.channel == channel)).one()
