"""Can this ring? Asked of real stores: by place, subscription and site, and of all at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from alerts.judging.obstacles import Level
from alerts.wishes.model import DEFAULT_WISHES, Trip
from service.common.backoff import Breaker, BreakerState
from service.feeds import feed_state
from service.feeds.shared.guards import DAY_S
from service.reports.ring_check import RingCheck
from service.store.repositories import people, subscriptions
from service.store.schema.core_tables import PersonRow, SiteRow, SubscriptionRow
from service.store.schema.feed_tables import FeedWindowRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.bare import DECLARED, FELL, FLAT, MESA, NOW, RELAY, opening
from tests.integration.pipeline.world import open_world


@pytest.fixture
def opened(tmp_path: Path, new_store: NewStore) -> Iterator[Any]:
    with opening(tmp_path, new_store) as open_bare:
        yield open_bare


def test_row_195_a_newcomer_outside_the_us_is_told_why_it_never_rings_and_what_to_do(opened: Any) -> None:
    here = opened(**RELAY)
    here.subscribe(here.settle(FLAT)["Windpump Flat"])
    (line,) = here.lines()
    assert line == (
        "This can't ring: Only MET Norway answers for this place (ECMWF), and a go needs two providers. If "
        "nobody pays for this and it shows no adverts, declare that with open_meteo_noncommercial = true, "
        "else set open_meteo_key (duskbell setup or the page /setup asks for both)."
    )
    declared = opened(**RELAY, **DECLARED)
    declared.subscribe(declared.settle(FLAT)["Windpump Flat"])
    assert declared.lines() == []


def test_in_the_us_two_answer_without_a_declaration_and_in_the_north_another_family_does(opened: Any) -> None:
    here = opened(**RELAY)
    settled = here.settle(FLAT, MESA, FELL)
    for site_id in settled.values():
        here.subscribe(site_id)
    found = here.ask(lambda check: {name: check.of_site(site_id) for name, site_id in settled.items()})
    assert not found["Dry Mesa"]
    assert [each.lineages for each in found["Windpump Flat"]] == [("ecmwf",)]
    assert [each.lineages for each in found["Grey Fell"]] == [("harmonie",)]
    assert [line.partition(":")[0] for line in here.lines()] == [
        "This can't ring (Windpump Flat)",
        "This can't ring (Grey Fell)",
    ]


def test_places_that_lack_the_same_are_one_line(opened: Any) -> None:
    here = opened(**RELAY)
    moor = replace(FLAT, name="Wide Moor", lat_deg=50.6, lon_deg=-4.0, zone="Europe/London")
    for site_id in here.settle(FLAT, moor).values():
        here.subscribe(site_id)
    (line,) = here.lines()
    assert line.startswith("This can't ring: Only MET Norway")
    here.subscribe(here.settle(MESA)["Dry Mesa"])
    (line,) = here.lines()
    assert line.startswith("This can't ring (2 sites, Windpump Flat among them): Only MET Norway")


def test_without_contact_sites_or_anybody_who_is_told(opened: Any) -> None:
    here = opened(contact="", **DECLARED)
    assert here.codes() == ["no_contact", "no_site"]
    here.settle(FLAT)
    assert here.codes() == ["no_contact", "nobody_told"]


def test_each_state_of_a_subscription_is_told(opened: Any) -> None:
    here = opened(**DECLARED, named_targets={"club": "json://127.0.0.1/"})
    site_id = here.settle(FLAT)["Windpump Flat"]
    numbers = {
        "outbox": here.subscribe(site_id),
        "unconfirmed": here.subscribe(site_id, "webhook", "https://club.example/a"),
        "off": here.subscribe(site_id, "webhook", "https://club.example/b"),
        "paused": here.subscribe(site_id, "webhook", "https://club.example/c"),
        "ended": here.subscribe(site_id, "webhook", "https://club.example/d"),
        "gone": here.subscribe(site_id, "named", "choir"),
        "99": here.subscribe(site_id, "webhook", "https://club.example/e", chance_go_pct=99),
        "over": here.subscribe(
            site_id,
            "webhook",
            "https://club.example/f",
            trips=(Trip(date(2027, 6, 1), date(2027, 6, 9)),),
        ),
        "fine": here.subscribe(site_id, "webhook", "https://club.example/g"),
    }
    with here.duskbell.sessions.begin() as session:
        rows = {name: session.get_one(SubscriptionRow, each) for name, each in numbers.items()}
        rows["unconfirmed"].address.confirmed_at = None
        rows["off"].address.off_since, rows["off"].address.off_reason = NOW, "it took nothing for five days"
        subscriptions.pause_subscription(session, rows["paused"], NOW + timedelta(days=3))
        subscriptions.end_subscription(session, rows["ended"], NOW, "ended by the operator")
    found = here.ask(
        lambda check: {
            name: [str(each.code) for each in check.of_subscription(number)]
            for name, number in numbers.items()
        }
    )
    assert found == {
        "outbox": ["outbox_only"],
        "unconfirmed": ["not_confirmed"],
        "off": ["switched_off"],
        "paused": ["paused"],
        "ended": ["ended"],
        "gone": ["no_target"],
        "99": ["beyond_reach"],
        "over": ["trips_over"],
        "fine": [],
    }
    assert set(here.codes()) == {code for codes in found.values() for code in codes} - {"paused", "ended"}
    assert not here.ask(lambda check: check.of_site(site_id)), "it rings for one of them"


def test_a_pause_that_is_over_and_a_day_to_come_hinder_nothing(opened: Any) -> None:
    here = opened(**DECLARED, **RELAY)
    number = here.subscribe(
        here.settle(FLAT)["Windpump Flat"], trips=(Trip(date(2027, 6, 1), date(2027, 6, 30)),)
    )
    with here.duskbell.sessions.begin() as session:
        subscriptions.pause_subscription(session, session.get_one(SubscriptionRow, number), NOW)
    assert here.ask(lambda check: check.of_subscription(number)) == ()


def test_where_all_are_paused_that_is_told(opened: Any) -> None:
    here = opened(**DECLARED, **RELAY)
    number = here.subscribe(here.settle(FLAT)["Windpump Flat"])
    with here.duskbell.sessions.begin() as session:
        subscriptions.pause_subscription(
            session, session.get_one(SubscriptionRow, number), NOW + timedelta(days=3)
        )
    (line,) = here.lines()
    assert line.startswith(f"For now this can't ring: Subscription {number} is paused until 2027-07-03")


def test_one_person_s_obstacles_are_theirs_and_the_operator_s(opened: Any) -> None:
    here = opened(**DECLARED, **RELAY)
    site_id = here.settle(FLAT)["Windpump Flat"]
    here.subscribe(site_id)
    with here.duskbell.sessions.begin() as session:
        friend = PersonRow(name="friend", zone="UTC", is_operator=False, created_at=NOW)
        session.add(friend)
        session.flush()
        address = people.add_address(session, friend, "email", "friend@example.org", secrets=[], now=NOW)
        subscriptions.subscribe(session, address, session.get_one(SiteRow, site_id), DEFAULT_WISHES, now=NOW)
        address.confirmed_at = None
        friend_id, operator_id = friend.id, session.get_one(SiteRow, site_id).owner_id
    assert here.codes(friend_id) == ["not_confirmed"]
    assert here.codes(operator_id) == ["not_confirmed"], (
        "who is told of the operator's sites is theirs to know"
    )
    assert here.codes() == ["not_confirmed"]


BREAKERS = {
    "refused": (
        Breaker(BreakerState.SHUT, 1, NOW, None, "403 Forbidden"),
        Level.NEVER,
        "duskbell feeds close",
    ),
    "down for a moment": (Breaker(BreakerState.OPEN, 3, NOW, NOW + timedelta(minutes=5), "down"), None, ""),
    "down for hours": (
        Breaker(BreakerState.OPEN, 14, NOW, NOW + timedelta(hours=1), "down"),
        Level.FOR_NOW,
        "2027-06-30 17:07 UTC",
    ),
    "told to wait for long": (
        Breaker(BreakerState.OPEN, 1, NOW, NOW + timedelta(hours=9), "429"),
        Level.FOR_NOW,
        "2027-07-01 01:07 UTC",
    ),
}


@pytest.mark.parametrize(("breaker", "level", "says"), BREAKERS.values(), ids=BREAKERS.keys())
def test_row_196_a_feed_that_is_left_alone(
    opened: Any, breaker: Breaker, level: Level | None, says: str
) -> None:
    here = opened(**DECLARED, **RELAY)
    here.subscribe(here.settle(FLAT)["Windpump Flat"])
    with here.duskbell.sessions.begin() as session:
        for feed in ("open-meteo", "open-meteo-ensemble"):
            feed_state.write_breaker(session, feed, breaker)
    found = here.ask(lambda check: check.of_all())
    assert [each.obstacle.level for each in found] == ([level] if level else [])
    assert all(says in each.line() for each in found)


@pytest.mark.parametrize(("hour", "is_told"), [(16, True), (20, False)])
def test_row_196_a_day_s_allowance_used_up_counts_while_it_lasts_for_hours(
    opened: Any, hour: int, is_told: bool
) -> None:
    here = opened(**DECLARED, **RELAY)
    site_id = here.settle(FLAT)["Windpump Flat"]
    here.subscribe(site_id)
    midnight = NOW.replace(hour=0, minute=0)
    with here.duskbell.sessions.begin() as session:
        session.add(FeedWindowRow(provider="open-meteo", unit_s=DAY_S, starts=midnight, used=9_600.0))
    with here.duskbell.sessions() as session:
        found = RingCheck(here.duskbell, session, NOW.replace(hour=hour)).of_site(site_id)
    assert [each.level for each in found] == ([Level.FOR_NOW] if is_told else [])


def test_row_197_settings_that_name_an_unknown_model_are_told(opened: Any) -> None:
    here = opened(**DECLARED, **RELAY, open_meteo_models=("no_such_model",))
    here.subscribe(here.settle(FLAT)["Windpump Flat"])
    (line,) = here.lines()
    assert "No weather feed answers for this place. Mend the settings of open-meteo: " in line
    assert "no_such_model" in line


def test_invented_weather_lacks_no_feed(tmp_path: Path, new_store: NewStore) -> None:
    with open_world(tmp_path, new_store(tmp_path)) as world, world.duskbell.sessions() as session:
        assert RingCheck(world.duskbell, session, NOW).of_all() == ()
