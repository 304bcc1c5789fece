"""One person with five sites, a group with one of them: one message a cycle for each address."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from alerts.common.span import Span
from alerts.sky.night import Target, TargetKind
from alerts.weather.forecast import Place
from alerts.wishes.model import DEFAULT_WISHES
from service.delivery import dispatcher
from service.demo.play import FLAT, SATURDAY, ZONE, InventedSky, Turn
from service.feeds.shared.model import Gathered
from service.pipeline.run_cycle import think
from service.store.repositories import people, subscriptions
from service.store.repositories.messages import Status
from service.store.repositories.sites import add_site
from service.store.schema.core_tables import (
    AddressRow,
    AlertRow,
    DecisionRow,
    MessageAlertRow,
    SiteRow,
    SubscriptionRow,
)
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, LATER, MAIL, ON_THE_DAY, START, World, open_world

NAMES = ("Windpump Flat", "Salt Pan", "Cairn Ridge", "Old Pier", "Mill Pond")
CLOUDS = (5.0, 6.5, 1.0, 8.0, 90.0)
"""In % at each site; the ridge is the clearest, the pond is under cloud."""


class Clouds:
    """Cloud by site, as a test sets it."""

    def __init__(self) -> None:
        self.pct = dict(zip(NAMES, CLOUDS, strict=True))
        self.sites = {
            name: replace(FLAT, name=name, lat_deg=FLAT.lat_deg + 0.02 * number)
            for number, name in enumerate(NAMES)
        }

    def gather(self, places: Sequence[Place], hours: Span) -> Gathered:
        by_lat = {round(site.lat_deg, 2): self.pct[name] for name, site in self.sites.items()}
        issued_from = START - timedelta(days=30)
        script = {place: [Turn(issued_from, SATURDAY, by_lat[round(place.lat_deg, 2)])] for place in places}
        return InventedSky(script).gather(places, hours)


@pytest.fixture
def clouds() -> Clouds:
    return Clouds()


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore, clouds: Clouds) -> Iterator[World]:
    """Mail for five sites; the group's chat, which the world has already, for the flat alone."""
    with open_world(tmp_path, new_store(tmp_path)) as world:
        world.duskbell.invented_weather = clouds.gather
        with world.duskbell.sessions.begin() as session:
            owner = people.get_operator(session, zone=ZONE, now=START)
            mail = people.add_address(session, owner, "email", MAIL, secrets=[], now=START)
            for site in list(clouds.sites.values())[1:]:
                row = add_site(session, owner, site, elevation_known=True, now=START)
                subscriptions.subscribe(session, mail, row, DEFAULT_WISHES, now=START)
        yield world


def _wish(world: World, names: Sequence[str], channel: str = "email", **changes: object) -> None:
    """Change what is wished of these sites."""
    ids = [_subscription(world, name, channel) for name in names]
    wishes = replace(DEFAULT_WISHES, **changes)  # type: ignore[arg-type]
    with world.duskbell.sessions.begin() as session:
        for subscription_id in ids:
            subscriptions.change_wishes(session, session.get_one(SubscriptionRow, subscription_id), wishes)


def _pause(world: World, names: Sequence[str]) -> None:
    ids = [_subscription(world, name) for name in names]
    with world.duskbell.sessions.begin() as session:
        for subscription_id in ids:
            row = session.get_one(SubscriptionRow, subscription_id)
            subscriptions.pause_subscription(session, row, GO_TIME + timedelta(days=9))


def _subscription(world: World, name: str, channel: str = "email") -> int:
    row = SubscriptionRow
    query = (
        select(row.id)
        .join(SiteRow, SiteRow.id == row.site_id)
        .join(AddressRow, AddressRow.id == row.address_id)
        .where(SiteRow.name == name, AddressRow.channel == channel)
    )
    with world.duskbell.sessions() as session:
        return session.scalars(query).one()


def _mailed(world: World) -> str:
    """The text of the newest mail."""
    part = world.box.mails[-1][1].get_body(("plain",))
    assert part is not None
    return str(part.get_content())


def _order(text: str) -> list[str]:
    """The sites in the order in which the text first names them."""
    return sorted((name for name in NAMES if name in text), key=text.index)


def test_five_sites_make_one_message_a_cycle_the_best_first(world: World) -> None:
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    assert len(world.box.mails) == 1
    assert len(world.room.posts) == 1
    assert world.kinds().count("go") == 5  # four good sites by mail, the flat in the chat too
    assert _order(_mailed(world))[:4] == ["Cairn Ridge", "Windpump Flat", "Salt Pan", "Old Pier"]
    assert "Go tonight: Cairn Ridge" in world.subjects()[0]
    assert "either way; decide then: Cairn Ridge 94 %, Windpump Flat 90 %" in _mailed(world)


def test_a_stand_down_comes_before_what_still_holds(world: World, clouds: Clouds) -> None:
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    clouds.pct["Old Pier"] = 95.0
    world.cycle(LATER)
    assert world.subjects()[-1].startswith("[Invented] Stand down: Old Pier")
    assert len(world.box.mails) == 2
    assert len(world.room.posts) == 1, "the chat follows the flat alone"


def test_what_sours_while_a_message_waits_is_left_out_and_the_rest_goes(world: World, clouds: Clouds) -> None:
    world.cycle(ON_THE_DAY)
    think(world.duskbell, GO_TIME)
    clouds.pct["Cairn Ridge"] = 95.0
    think(world.duskbell, GO_TIME + timedelta(hours=1))
    dispatcher.run(world.duskbell.delivery, GO_TIME + timedelta(hours=1))
    text = _mailed(world)
    assert len(world.box.mails) == 1
    assert _order(text)[0] == "Windpump Flat"
    assert "Go tonight: Windpump Flat" in world.subjects()[0]
    assert world.kinds().count("stand_down") == 0
    with world.duskbell.sessions() as session:
        assert list(session.scalars(select(MessageAlertRow.dropped).where(_IS_DROPPED))) == ["superseded"]


_IS_DROPPED = MessageAlertRow.dropped.is_not(None)


def test_what_expires_while_a_message_waits_is_left_out_and_the_rest_goes(world: World) -> None:
    """From the ridge the drive is long: there, it is too late to leave an hour sooner."""
    _wish(world, ["Cairn Ridge"], drive=timedelta(hours=4))
    world.cycle(ON_THE_DAY)
    think(world.duskbell, GO_TIME)
    with world.duskbell.sessions() as session:
        raised = session.scalars(select(AlertRow).where(AlertRow.kind == "go")).all()
        ends = {alert.subscription_id: alert.expires_at for alert in raised}
    first = ends.pop(_subscription(world, "Cairn Ridge"))
    assert first < min(ends.values())
    dispatcher.run(world.duskbell.delivery, first)
    text = _mailed(world)
    assert _order(text)[0] == "Windpump Flat"
    assert world.subjects()[-1].startswith("[Invented] Go tonight: Windpump Flat")
    with world.duskbell.sessions() as session:
        assert list(session.scalars(select(MessageAlertRow.dropped).where(_IS_DROPPED))) == ["expired"]


def test_a_paused_site_is_named_neither_as_a_go_nor_beside_one(world: World) -> None:
    world.cycle(ON_THE_DAY)
    _pause(world, ["Cairn Ridge"])
    world.cycle(GO_TIME)
    assert len(world.box.mails) == 1
    assert "Cairn Ridge" not in _mailed(world)


def test_the_other_sites_are_named_though_they_needed_no_look(world: World) -> None:
    """The pan's night moves alone; the fork names the best of the others, which stand as decided before."""
    world.cycle(ON_THE_DAY)
    _wish(world, NAMES[:1] + NAMES[2:], notice=timedelta(0))
    world.cycle(ON_THE_DAY + timedelta(minutes=30))
    world.cycle(GO_TIME)
    text = _mailed(world)
    assert _order(text)[0] == "Salt Pan"
    assert "Cairn Ridge" in text
    assert "Mill Pond" not in text, "nobody need hear of a site under cloud"


def test_a_group_is_told_as_anybody_is_by_wishes_of_its_own(world: World) -> None:
    """It wants to hear at once that the road is long; a pause of the mail keeps nothing from it."""
    _wish(world, NAMES[:1], "webhook", notice=timedelta(hours=8))
    _pause(world, NAMES)
    world.cycle(ON_THE_DAY)
    world.cycle(ON_THE_DAY + timedelta(hours=5))
    assert world.box.mails == []
    assert [post["type"] for _, post in world.room.posts] == ["alert.go"]
    assert set(world.statuses()) == {Status.SENT}


def test_any_target_that_was_asked_for_can_make_the_night(world: World) -> None:
    """In December the core isn't up in the dark; the band, wanted second, makes the night."""
    _wish(world, NAMES[:1], more_targets=(Target(TargetKind.BAND),))
    with_band = _subscription(world, NAMES[0])
    without = _subscription(world, NAMES[1])
    december = START.replace(month=12, day=2, hour=12)
    world.cycle(december)
    with world.duskbell.sessions() as session:
        decided = {
            row.subscription_id: (row.verdict, row.deciding_rule)
            for row in session.scalars(select(DecisionRow).where(DecisionRow.night_name == december.date()))
        }
    assert decided[without] == ("stay", "target")
    assert decided[with_band][1] != "target"
