"""What people do while a cycle runs or after a go: pause, end, take themselves off, edit or remove a site."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.sites.model import HorizonLine, Site
from alerts.wishes.model import DEFAULT_WISHES, Trip
from service.delivery import dispatcher
from service.demo.play import FLAT, SATURDAY
from service.pipeline import judge_stage, refresh_stage
from service.pipeline.run_cycle import think
from service.store.repositories import subscriptions
from service.store.repositories.due_reviews import due_reviews
from service.store.repositories.messages import Status
from service.store.repositories.sites import revise_site
from service.store.schema.core_tables import AddressRow, SiteRow, SubscriptionRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, LATER, ON_THE_DAY, START, World, open_world

HOUR = timedelta(hours=1)
NEXT_WEEK = GO_TIME + timedelta(days=7)


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as world:
        yield world


def _pause(session: Session, subscription: SubscriptionRow) -> None:
    subscriptions.pause_subscription(session, subscription, NEXT_WEEK)


def _end(session: Session, subscription: SubscriptionRow) -> None:
    subscriptions.end_subscription(session, subscription, GO_TIME, "enough")


def _take_off(session: Session, subscription: SubscriptionRow) -> None:
    address = session.get_one(AddressRow, subscription.address_id)
    address.off_since, address.off_reason = GO_TIME, "opted out"


def _remove_site(session: Session, subscription: SubscriptionRow) -> None:
    session.get_one(SiteRow, subscription.site_id).archived_at = GO_TIME
    subscriptions.end_subscription(session, subscription, GO_TIME, "the site was removed by its owner")


LEAVING = {"paused": _pause, "ended": _end, "off": _take_off, "the site removed": _remove_site}
Leave = Callable[[Session, SubscriptionRow], None]
ways = pytest.mark.parametrize("leave", LEAVING.values(), ids=LEAVING.keys())


def _all_leave(world: World, leave: Leave) -> None:
    with world.duskbell.sessions.begin() as session:
        for subscription in subscriptions.running_subscriptions(session):
            leave(session, subscription)


@pytest.mark.parametrize("leave", [_pause, _remove_site], ids=["paused", "the site removed"])
def test_who_leaves_between_the_choice_of_who_is_due_and_the_judging_is_told_nothing(
    leave: Leave, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    world.cycle(ON_THE_DAY)
    with world.duskbell.sessions() as session:
        due = due_reviews(session, GO_TIME)
    assert len(due) == 2
    monkeypatch.setattr(judge_stage, "due_reviews", lambda *_: due)
    _all_leave(world, leave)
    think(world.duskbell, GO_TIME)
    assert world.kinds() == []


@ways
def test_who_leaves_while_a_go_waits_is_not_called_out(leave: Leave, world: World) -> None:
    world.cycle(ON_THE_DAY)
    think(world.duskbell, GO_TIME)
    _all_leave(world, leave)
    dispatcher.run(world.duskbell.delivery, GO_TIME)
    assert world.box.mails == []
    assert world.room.posts == []
    assert set(world.statuses()) <= {Status.SUPERSEDED, Status.SUPPRESSED}


@pytest.mark.parametrize("leave", [_pause, _end, _remove_site], ids=["paused", "ended", "the site removed"])
def test_who_left_after_a_go_is_still_called_back_and_told_nothing_else(leave: Leave, world: World) -> None:
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    _all_leave(world, leave)
    world.weather.cloud_pct = 90.0
    world.cycle(LATER)
    world.weather.cloud_pct = 2.0
    world.cycle(LATER + HOUR)
    assert world.kinds() == ["go", "go", "stand_down", "stand_down"]
    assert len(world.box.mails) == len(world.room.posts) == 2


def test_who_took_the_address_off_hears_nothing_not_even_a_stand_down(world: World) -> None:
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    _all_leave(world, _take_off)
    world.weather.cloud_pct = 90.0
    world.cycle(LATER)
    assert len(world.box.mails) == len(world.room.posts) == 1


def test_a_pause_that_runs_out_ends_by_itself(world: World) -> None:
    _all_leave(world, lambda session, each: subscriptions.pause_subscription(session, each, ON_THE_DAY))
    world.cycle(START)
    assert world.kinds() == []
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    assert world.kinds() == ["go", "go"]


def test_a_subscription_whose_last_trip_is_over_ends_and_is_called_back_until_then(world: World) -> None:
    wishes = replace(DEFAULT_WISHES, trips=(Trip(date(2027, 7, 1), SATURDAY),))
    with world.duskbell.sessions.begin() as session:
        for subscription in subscriptions.running_subscriptions(session):
            subscriptions.change_wishes(session, subscription, wishes)
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    world.weather.cloud_pct = 90.0
    world.cycle(LATER)
    world.cycle(LATER + timedelta(days=1))
    assert world.kinds() == ["go", "go", "stand_down", "stand_down"]
    with world.duskbell.sessions() as session:
        assert set(session.scalars(select(SubscriptionRow.ended_why))) == {"all its trips lie behind"}


# a site edited after a go

WALL = HorizonLine(tuple(float(each) for each in range(0, 360, 10)), (60.0,) * 36)
EDITS: dict[str, tuple[dict[str, object], str | None]] = {
    "a note alone says nothing new": ({"access_note": "gravel"}, None),
    "a ridge that hides the core takes it back": ({"horizon": WALL}, "stand_down"),
    "a road that is closed takes it back": ({"access_months": (5, 6)}, "stand_down"),
    "moved eight degrees east, the times move": ({"lon_deg": FLAT.lon_deg + 8.0}, "changed"),
}


@pytest.mark.parametrize(("edit", "says"), EDITS.values(), ids=EDITS.keys())
def test_a_site_edited_after_a_go(edit: dict[str, object], says: str | None, world: World) -> None:
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    _edit(world, replace(FLAT, **edit))  # type: ignore[arg-type]
    world.cycle(GO_TIME + HOUR)
    assert world.kinds() == ["go", "go"] + ([says, says] if says else [])
    assert len(world.box.mails) == (2 if says else 1)


def test_a_site_edited_between_the_sky_and_the_judging_is_judged_in_the_next_cycle(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its new nights aren't worked out yet: nothing is said of the old ones, and nothing is lost."""
    world.cycle(ON_THE_DAY)

    def edited_meanwhile(*_: object) -> dict[str, int]:
        _edit(world, replace(FLAT, lat_deg=40.4))
        return {}

    with monkeypatch.context() as patched:
        patched.setattr(refresh_stage, "run", edited_meanwhile)
        world.cycle(GO_TIME)
    assert world.kinds() == []
    world.cycle(GO_TIME + timedelta(minutes=30))
    assert world.kinds() == ["go", "go"]


def _edit(world: World, site: Site) -> None:
    with world.duskbell.sessions.begin() as session:
        row = session.scalars(select(SiteRow)).one()
        revise_site(session, row, site, elevation_known=True, now=GO_TIME)
