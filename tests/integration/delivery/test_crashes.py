"""Killed at any place, nothing is lost, nothing sticks, and a repeat bears the same id.

Rows 1 to 9 of tests/FAULTS.md with the real channels, in processes that are really killed.
"""

from __future__ import annotations

import random
import re
import threading
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select, update

from service.demo.play import mail_server
from service.runtime import single_process
from service.store.engine import open_engine
from service.store.maintenance.invariants import find_broken
from service.store.repositories.messages import Status
from service.store.schema.core_tables import AlertRow, MessageRow
from tests.integration.conftest import OpenYard
from tests.integration.delivery import child
from tests.integration.delivery.child import Ground
from tests.integration.delivery.receivers import Hook, Receiver, Talk
from tests.integration.delivery.yard import Yard
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, open_world

KILLED = -9
ROUNDS, CYCLE_ROUNDS = 10, 3


class Box:
    """A mailbox that only counts ids."""

    def __init__(self) -> None:
        self.ids: Counter[str] = Counter()

    def take(self, body: bytes) -> None:
        found = re.search(rb"(?m)^Message-ID: <(msg_\w+)@", body)
        assert found is not None
        self.ids[found[1].decode()] += 1


class Yardful:
    """Messages by mail and webhook that are due, and what came of them."""

    def __init__(self, yard: Yard, hook: Hook, box: Box, ground: Ground, url: str) -> None:
        self.yard, self.hook, self.box, self.ground, self.url = yard, hook, box, ground, url

    def fill(self, count: int) -> list[str]:
        """Half webhooks, half mails, all to addresses of their own."""
        self.yard.wall = datetime.now(UTC)
        made = []
        for number in range(count):
            hooked = ("webhook", f"{self.url}&n={number}")
            mailed = ("email", f"p{number}@example.net")
            made.append(self.yard.message(self.yard.address(*(hooked if number % 2 else mailed))))
        return made

    @property
    def arrived(self) -> Counter[str]:
        return self.hook.ids + self.box.ids

    def let_leases_run_out(self) -> None:
        with self.yard.sessions.begin() as session:
            session.execute(
                update(MessageRow)
                .where(MessageRow.status == Status.SENDING)
                .values(leased_until=datetime.now(UTC) - timedelta(seconds=1))
            )

    def check(self) -> None:
        self.yard.wall = datetime.now(UTC)
        assert self.yard.broken() == []


@pytest.fixture
def yardful(new_yard: OpenYard, tmp_path: Path) -> Iterator[Yardful]:
    hook, box = Hook(), Box()
    with (
        mail_server(box.take) as smtp_port,
        Receiver(hook.script) as receiver,
        new_yard() as yard,
    ):
        ground = Ground(str(tmp_path), yard.duskbell.settings.store_url, smtp_port)
        yield Yardful(yard, hook, box, ground, receiver.url)


ON_THE_WAY = {
    "deliver.begun": pytest.param("deliver.begun", 0, id="row_2_before_anything_is_claimed"),
    "deliver.claimed": pytest.param("deliver.claimed", 0, id="row_3_after_the_claim"),
    "deliver.composed": pytest.param("deliver.composed", 0, id="row_3_composed_and_unsent"),
    "deliver.sent": pytest.param("deliver.sent", 4, id="row_4_sent_and_unrecorded"),
    "deliver.recorded": pytest.param("deliver.recorded", 4, id="row_4_some_recorded"),
}
DECIDING = {
    "sky.kept": pytest.param("sky.kept", 0, id="row_1_nights_kept"),
    "refresh.asked": pytest.param("refresh.asked", 0, id="row_1_feeds_asked_and_nothing_kept"),
    "refresh.kept": pytest.param("refresh.kept", 0, id="row_1_forecasts_kept"),
    "judge.decided": pytest.param("judge.decided", 0, id="row_1_decided_and_nothing_told"),
    "message.written": pytest.param("message.written", 0, id="row_1_a_message_written"),
    "judge.told": pytest.param("judge.told", 0, id="row_1_told_and_not_committed"),
    "judge.committed": pytest.param("judge.committed", 2, id="row_2_committed_and_nothing_sent"),
}
"""By crash point: how many alerts are in the store after it."""


def test_every_named_crash_point_is_died_at_here() -> None:
    service = Path(single_process.__file__).parents[1]
    named = {
        name
        for file in service.rglob("*.py")
        for name in re.findall(r'crash_point\("([\w.]+)"\)', file.read_text(encoding="utf-8"))
    }
    assert named == ON_THE_WAY.keys() | DECIDING.keys()


@pytest.mark.parametrize(("place", "most_repeats"), ON_THE_WAY.values())
def test_killed_at_a_named_place_nothing_is_lost_and_repeats_bear_the_same_id(
    place: str, most_repeats: int, yardful: Yardful
) -> None:
    made = yardful.fill(4)
    assert child.run(child.send, yardful.ground, crash_at=place) == KILLED
    yardful.let_leases_run_out()
    assert child.run(child.send, yardful.ground) == 0
    assert set(yardful.arrived) == set(made)
    assert sum(yardful.arrived.values()) - len(made) <= most_repeats
    assert {yardful.yard.status(each) for each in made} == {Status.SENT}
    yardful.check()


def test_row_3_a_lease_that_still_runs_keeps_others_away(yardful: Yardful) -> None:
    made = yardful.fill(2)
    assert child.run(child.send, yardful.ground, crash_at="deliver.claimed") == KILLED
    assert child.run(child.send, yardful.ground) == 0
    assert yardful.arrived == Counter()
    assert {yardful.yard.status(each) for each in made} == {Status.SENDING}
    yardful.let_leases_run_out()
    assert child.run(child.send, yardful.ground) == 0
    assert yardful.arrived == Counter(made)
    yardful.check()


@pytest.mark.parametrize("seed", range(ROUNDS))
def test_row_5_killed_at_a_random_moment_nothing_is_lost(seed: int, yardful: Yardful) -> None:
    made = yardful.fill(12)
    child.run_and_kill(child.send, yardful.ground, after_s=random.Random(seed).uniform(0.05, 0.6))
    yardful.let_leases_run_out()
    assert child.run(child.send, yardful.ground) == 0
    assert set(yardful.arrived) == set(made), "something was lost, or came under another id"
    assert {yardful.yard.status(each) for each in made} == {Status.SENT}
    yardful.check()


def test_row_8_four_senders_send_each_message_once(yardful: Yardful) -> None:
    made = yardful.fill(80)
    senders = [child.start(child.send, yardful.ground) for _ in range(4)]
    for sender in senders:
        sender.join(child.PATIENCE_S)
    assert [sender.exitcode for sender in senders] == [0] * 4
    assert yardful.arrived == Counter(made)
    yardful.check()


def test_row_9_a_sender_frozen_past_its_lease_changes_nothing_when_it_wakes(yardful: Yardful) -> None:
    first_came, first_may_end = threading.Event(), threading.Event()

    class Slow(Hook):
        def serve(self, talk: Talk, number: int) -> None:
            if number == 1:
                first_came.set()
                first_may_end.wait(child.PATIENCE_S)
            super().serve(talk, number)

    slow = Slow()
    with Receiver(slow.script) as receiver:
        yardful.yard.wall = datetime.now(UTC)
        message_id = yardful.yard.message(yardful.yard.address("webhook", receiver.url))
        sender = child.start(child.send, yardful.ground)
        assert first_came.wait(child.PATIENCE_S)
        with child.frozen(sender):
            yardful.let_leases_run_out()
            assert child.run(child.send, yardful.ground) == 0
            settled = yardful.yard.row(message_id)
        first_may_end.set()
        sender.join(child.PATIENCE_S)
    assert sender.exitcode == 0
    assert slow.ids == {message_id: 2}
    after = yardful.yard.row(message_id)
    assert (after.status, after.settled_at) == (Status.SENT, settled.settled_at)
    assert yardful.yard.codes(message_id) == ["204", "204"]
    yardful.check()


def test_row_233_what_was_taken_from_a_frozen_sender_is_sent_though_given_up_meanwhile(
    yardful: Yardful,
) -> None:
    """Another has found it too late by then; its reader has it all the same, so that it can be taken back."""
    came, may_end = threading.Event(), threading.Event()

    class Slow(Hook):
        def serve(self, talk: Talk, number: int) -> None:
            came.set()
            may_end.wait(child.PATIENCE_S)
            super().serve(talk, number)

    slow = Slow()
    with Receiver(slow.script) as receiver:
        yardful.yard.wall = datetime.now(UTC)
        message_id = yardful.yard.message(yardful.yard.address("webhook", receiver.url))
        sender = child.start(child.send, yardful.ground)
        assert came.wait(child.PATIENCE_S)
        with child.frozen(sender):
            yardful.let_leases_run_out()
            with yardful.yard.duskbell.sessions.begin() as session:
                session.get_one(MessageRow, message_id).expires_at = datetime.now(UTC)
            assert child.run(child.send, yardful.ground) == 0
            assert yardful.yard.status(message_id) == Status.EXPIRED
        may_end.set()
        sender.join(child.PATIENCE_S)
    assert sender.exitcode == 0
    assert slow.ids == {message_id: 1}
    assert yardful.yard.status(message_id) == Status.SENT
    assert yardful.yard.codes(message_id) == ["204"]
    yardful.check()


@pytest.mark.parametrize(("place", "alerts_left"), DECIDING.values())
def test_killed_while_it_decides_the_next_cycle_goes_on_from_what_is_committed(
    place: str, alerts_left: int, tmp_path: Path
) -> None:
    """A decision and its message are there together or not at all; what is there isn't told twice."""
    url = f"sqlite:///{tmp_path / 'store.sqlite3'}"
    with open_world(tmp_path, url) as world:
        ground = Ground(str(tmp_path), url, world.duskbell.settings.smtp_port)
        assert child.run(child.cycle, ground, START, crash_at=place) == KILLED
        with world.duskbell.sessions() as session:
            assert len(session.scalars(select(AlertRow)).all()) == alerts_left
            assert len(session.scalars(select(MessageRow)).all()) == alerts_left
            assert find_broken(session, now=START, wall=datetime.now(UTC)) == []
        assert child.run(child.cycle, ground, START) == 0
        assert child.run(child.cycle, ground, ON_THE_DAY) == 0
        assert child.run(child.cycle, ground, GO_TIME, crash_at="deliver.claimed") == KILLED
        _free_leases(world.duskbell.sessions)
        assert child.run(child.cycle, ground, GO_TIME) == 0
        assert world.kinds() == ["heads_up", "heads_up", "go", "go"]
        assert len(world.box.mails) == len(world.room.posts) == 2
        with world.duskbell.sessions() as session:
            assert find_broken(session, now=GO_TIME, wall=datetime.now(UTC)) == []


@pytest.mark.parametrize("seed", range(CYCLE_ROUNDS))
def test_row_5_a_whole_cycle_killed_at_a_random_moment_tells_each_once_and_loses_nothing(
    seed: int, tmp_path: Path
) -> None:
    url, dice = f"sqlite:///{tmp_path / 'store.sqlite3'}", random.Random(seed)
    with open_world(tmp_path, url) as world:
        ground = Ground(str(tmp_path), url, world.duskbell.settings.smtp_port)
        for now in (START, ON_THE_DAY, GO_TIME):
            child.run_and_kill(child.cycle, ground, now, after_s=dice.uniform(0.05, 1.5))
            _free_leases(world.duskbell.sessions)
            assert child.run(child.cycle, ground, now) == 0
            with world.duskbell.sessions() as session:
                assert find_broken(session, now=now, wall=datetime.now(UTC)) == []
        assert world.kinds() == ["heads_up", "heads_up", "go", "go"]
        assert len({str(mail["Message-ID"]) for _, mail in world.box.mails}) == 2
        assert len({post["data"]["message_id"] for _, post in world.room.posts}) == 2


def _free_leases(sessions: object) -> None:
    with sessions.begin() as session:  # type: ignore[attr-defined]
        session.execute(
            update(MessageRow)
            .where(MessageRow.leased_until.is_not(None))
            .values(leased_until=datetime(2020, 1, 1, tzinfo=UTC))
        )


def test_no_child_leaves_a_lock_behind(yardful: Yardful) -> None:
    yardful.fill(2)
    child.run(child.send, yardful.ground, crash_at="deliver.sent")
    engine = open_engine(yardful.ground.store_url)
    with engine.begin() as connection:
        connection.exec_driver_sql("UPDATE person SET name = name")
    engine.dispose()
