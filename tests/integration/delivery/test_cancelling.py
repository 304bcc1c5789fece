"""A message that the operator cancels stays cancelled: the cycles that follow don't raise its alerts anew."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from service.pipeline import judge_stage, refresh_stage, sky_stage
from service.pipeline.judge_stage import Judging
from service.store.maintenance.invariants import find_broken
from service.store.repositories import messages
from service.store.schema.core_tables import AddressRow, MessageRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, LATER, ON_THE_DAY, START, World, open_world

HALF_AN_HOUR = timedelta(minutes=30)


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    """Both addresses have had their heads-up; the go is decided, and not yet sent."""
    with open_world(tmp_path, new_store(tmp_path)) as world:
        world.cycle(START)
        world.cycle(ON_THE_DAY)
        _decide_go(world)
        yield world
        with world.duskbell.sessions() as session:
            assert find_broken(session, now=LATER, wall=world.wall) == []


def _decide_go(world: World) -> None:
    duskbell = world.duskbell
    sky_stage.run(duskbell.sessions, duskbell.ephemeris, GO_TIME)
    refresh_stage.run(duskbell.sessions, duskbell.gather, GO_TIME)
    judge_stage.run(Judging(duskbell.sessions, HALF_AN_HOUR, invented=True), GO_TIME, world.wall)


def _cancel_mail(world: World, *, maybe_sent: bool = False) -> str:
    """Cancel the go to the mail address; the chat keeps its own."""
    with world.duskbell.sessions.begin() as session:
        row = session.scalars(
            select(MessageRow)
            .join(AddressRow, AddressRow.id == MessageRow.address_id)
            .where(AddressRow.channel == "email", MessageRow.status == "due")
        ).one()
        row.maybe_sent = maybe_sent
        session.flush()
        messages.cancel(session, row, wall=world.wall)
        return row.id


def test_the_cycles_that_follow_do_not_raise_it_again(world: World) -> None:
    _cancel_mail(world)
    for later in range(3):
        world.cycle(GO_TIME + later * HALF_AN_HOUR)
    assert [subject.split(":")[0] for subject in world.subjects()] == ["[Invented] Heads-up"]
    assert world.kinds() == ["heads_up", "heads_up", "go", "go"]
    assert len(world.room.posts) == 2


def test_nothing_is_taken_back_that_was_cancelled_before_it_left(world: World) -> None:
    _cancel_mail(world)
    world.cycle(GO_TIME)
    world.weather.cloud_pct = 85.0
    world.cycle(LATER)
    assert world.kinds().count("stand_down") == 1, "the chat's"
    assert len(world.box.mails) == 1


def test_what_may_have_arrived_before_it_was_cancelled_is_taken_back(world: World) -> None:
    _cancel_mail(world, maybe_sent=True)
    world.cycle(GO_TIME)
    world.weather.cloud_pct = 85.0
    world.cycle(LATER)
    assert [subject.split(":")[0] for subject in world.subjects()][-1] == "[Invented] Stand down"


def test_a_cancelled_message_can_still_be_sent_by_hand(world: World) -> None:
    message_id = _cancel_mail(world)
    with world.duskbell.sessions.begin() as session:
        row = messages.get_message(session, message_id)
        messages.resend(session, row, again=False, now=GO_TIME, wall=world.wall)
    world.cycle(GO_TIME)
    assert [subject.split(":")[0] for subject in world.subjects()][-1] == "[Invented] Go tonight"
