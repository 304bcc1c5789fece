"""Being told: subscribing as a stranger and as oneself, changing wishes, pausing, leaving."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from starlette.testclient import TestClient

from alerts.wishes.model import Wishes
from service.store.json_values import from_json
from service.store.schema.core_tables import AddressRow, SubscriptionRow
from service.web.shared.forms import STAMP, TRAP, make_stamp
from service.web.subscriptions.wish_form import wish_fields
from tests.integration.pipeline.world import GO_TIME, World
from tests.integration.web.acting import (
    browsing_as,
    deliver_mail,
    links_in_mail,
    new_person,
    share_site,
    stamped,
    subscriptions,
)
from tests.integration.web.formreading import fields_of_form

FRIEND = "friend@example.org"
NEW, RUNNING = "/sites/1/subscribe", "/subscriptions/1"
OTHERS = "/sites/2/subscribe"
"""The form of the site's copy, which others are told about."""


def filled(browser: TestClient, path: str, **changed: object) -> dict[str, Any]:
    """The form of that page with some fields changed, as it is sent by its main button."""
    return {**fields_of_form(browser.get(f"{path}?another=true").text, path), "do": "save", **changed}


def wishes_of(row: SubscriptionRow) -> Wishes:
    return from_json(Wishes, row.wishes)


def test_the_page_asks_for_every_wish_that_its_form_reads(owner: TestClient) -> None:
    asked = set(re.findall(r'<(?:input|select|textarea)[^>]* name="(\w+)"', owner.get(RUNNING).text))
    assert sorted(wish_fields(Wishes()).keys() - asked) == []


def test_a_stranger_is_told_only_after_the_address_is_confirmed(world: World, stranger: TestClient) -> None:
    share_site(world)
    form = filled(stranger, OTHERS, email=FRIEND, chance_go="60", kit="aps-c 16mm f/1.4")
    answer = stranger.post(OTHERS, data=stamped(world, **form))
    assert "Look into your mail" in answer.text
    deliver_mail(world)
    assert [str(mail["To"]) for _, mail in world.box.mails] == [FRIEND]
    (row,) = [each for each in subscriptions(world) if wishes_of(each).chance_go_pct == 60]
    assert row.kit == "aps-c 16mm f/1.4"
    with world.duskbell.sessions() as session:
        assert session.get_one(AddressRow, row.address_id).confirmed_at is None
    (link,) = links_in_mail(world, "confirm")
    assert stranger.post(link).status_code == 200
    with world.duskbell.sessions() as session:
        assert session.get_one(AddressRow, row.address_id).confirmed_at is not None


def test_a_stranger_with_a_known_address_changes_nothing_and_its_owner_gets_a_link(
    world: World, stranger: TestClient
) -> None:
    share_site(world)
    new_person(world, FRIEND)
    before = len(subscriptions(world))
    answer = stranger.post(OTHERS, data=stamped(world, **filled(stranger, OTHERS, email=FRIEND)))
    assert "Look into your mail" in answer.text
    deliver_mail(world)
    assert len(subscriptions(world)) == before
    assert len(links_in_mail(world, "sign-in")) == 1


ROBOTS: dict[str, Callable[[World], dict[str, str]]] = {
    "fills the trap": lambda world: {**stamped(world), TRAP: "http://spam.example"},
    "is too quick": lambda world: {STAMP: make_stamp(world.duskbell.keys, world.wall)},
    "brings an old form": lambda world: {
        STAMP: make_stamp(world.duskbell.keys, world.wall - timedelta(days=1))
    },
    "makes the stamp up": lambda world: {STAMP: "1700000000.abc"},
    "brings no stamp": lambda world: {STAMP: ""},
}


@pytest.mark.parametrize("robot", ROBOTS.values(), ids=ROBOTS)
def test_row_64_a_program_gets_the_same_page_and_nothing_happens(
    robot: Callable[[World], dict[str, str]], world: World, stranger: TestClient
) -> None:
    share_site(world)
    before = len(subscriptions(world))
    answer = stranger.post(OTHERS, data=filled(stranger, OTHERS, email=FRIEND, **robot(world)))
    assert (answer.status_code, "Look into your mail" in answer.text) == (200, True)
    deliver_mail(world)
    assert (len(subscriptions(world)), world.box.mails) == (before, [])


def test_the_form_opens_with_the_running_subscription_and_keeps_changed_wishes(
    world: World, owner: TestClient
) -> None:
    with world.duskbell.sessions.begin() as session:
        session.get_one(SubscriptionRow, 2).ended_at = world.wall
    page = owner.get("/sites/1/subscribe").text
    assert 'action="/subscriptions/1"' in page
    form = filled(
        owner, RUNNING, target="band", moon="any", darkness="near", shortest="1:15", drive="120",
        chance_go="80", chance_back="45", quiet="22:00-07:00", weekdays=["4", "5"],
        trips="2027-08-01 to 2027-08-09, 20 minutes, from Lodge", kit="full frame 14mm f/2.8",
        temperature="fahrenheit",
    )  # fmt: skip
    assert owner.post(RUNNING, data=form, follow_redirects=False).status_code == 303
    (row,) = subscriptions(world)
    kept = wishes_of(row)
    assert (kept.sky.target.kind, kept.sky.moonless, kept.chance_go_pct) == ("band", False, 80)
    assert (kept.shortest_window, kept.drive) == (timedelta(minutes=75), timedelta(hours=2))
    assert (kept.weekdays, kept.trips[0].start, row.kit) == ((4, 5), "Lodge", "full frame 14mm f/2.8")
    shown = owner.get(RUNNING).text
    assert 'value="full frame 14mm f/2.8"' in shown
    assert "2027-08-01 to 2027-08-09, 20 minutes, from Lodge" in shown


UNUSABLE = {
    "a kit that isn't one": ({"kit": "a potato"}, "kit-fault"),
    "a length in words": ({"shortest": "a while"}, "shortest-fault"),
    "a trip without dates": ({"trips": "next week"}, "trips-fault"),
    "quiet hours that aren't": ({"quiet": "at night"}, "quiet-fault"),
    "a target nobody knows": ({"target_named": "Mordor"}, "target-fault"),
    "a go below its taking back": ({"chance_go": "40", "chance_back": "60"}, 'role="alert"'),
}


@pytest.mark.parametrize(("fields", "mark"), UNUSABLE.values(), ids=UNUSABLE)
def test_what_can_not_be_used_is_shown_at_its_field_and_nothing_is_kept(
    fields: dict[str, str], mark: str, world: World, owner: TestClient
) -> None:
    before = [row.wishes for row in subscriptions(world)]
    answer = owner.post(RUNNING, data=filled(owner, RUNNING, **fields))
    assert answer.status_code == 400
    assert mark in answer.text
    for value in fields.values():
        assert value in answer.text
    assert [row.wishes for row in subscriptions(world)] == before


def test_wishes_are_counted_as_they_are_typed(owner: TestClient) -> None:
    count = "/sites/1/wish-count"
    usual = owner.post(count, data=filled(owner, NEW)).json()
    assert usual["text"].startswith("With these wishes 1")
    assert "the weather isn't in it" in usual["text"]
    picky = owner.post(count, data=filled(owner, NEW, lowest="60")).json()
    assert "no night of a year" in picky["text"]
    assert picky["notes"]
    refused = owner.post(count, data=filled(owner, NEW, shortest="a while")).json()
    assert "'a while'" in refused["text"]
    assert refused.keys() == usual.keys(), "the page's script reads them all"
    assert [line.split(",")[0] for line in usual["prices"]] == ["eager", "even", "choosy"]


@pytest.mark.parametrize(
    ("typed", "limits"),
    [
        ({"chance_go": "choosy"}, (85, 65)),
        ({"chance_go": "Eager"}, (50, 30)),
        ({"chance_go": "even", "chance_back": "40"}, (70, 40)),
        ({"chance_go": "65"}, (65, 50)),
    ],
    ids=["choosy", "eager", "even, taken back later", "a number"],
)
def test_limits_are_named_or_numbers(
    world: World, owner: TestClient, typed: dict[str, str], limits: tuple[int, int]
) -> None:
    assert owner.post(RUNNING, data=filled(owner, RUNNING, **typed)).status_code in (200, 303)
    kept = wishes_of(subscriptions(world)[0])
    assert (kept.chance_go_pct, kept.chance_back_pct) == limits


def test_count_again_shows_the_count_without_keeping_anything(world: World, owner: TestClient) -> None:
    before = [row.wishes for row in subscriptions(world)]
    answer = owner.post(RUNNING, data=filled(owner, RUNNING, target="none", do="count"))
    assert (answer.status_code, "nights of the last 12 months" in answer.text) == (200, True)
    assert [row.wishes for row in subscriptions(world)] == before


def test_one_may_add_a_second_address_and_is_told_there_once_it_is_confirmed(
    world: World, owner: TestClient
) -> None:
    form = filled(owner, NEW, address="new", email="second@example.org")
    assert "Confirm your address" in owner.post(NEW, data=form).text
    again = owner.post(NEW, data=form)
    assert (again.status_code, "already subscribed" in again.text) == (400, True)


@pytest.mark.parametrize("address", ["999", "²", "-1", "9" * 30, "x"])
def test_an_address_that_is_not_ones_own_is_refused(address: str, owner: TestClient) -> None:
    answer = owner.post(NEW, data=filled(owner, NEW, address=address))
    assert (answer.status_code, "choose one of your addresses" in answer.text.lower()) == (400, True)


def test_a_pause_lasts_until_the_noon_of_its_day_and_can_be_ended(world: World, owner: TestClient) -> None:
    owner.post(f"{RUNNING}/pause", data={"until": "2027-07-20"})
    (first, _) = subscriptions(world)
    assert first.paused_until is not None
    assert first.paused_until.isoformat() == "2027-07-20T10:00:00+00:00"
    assert "Paused until Tue 20 July" in owner.get("/me").text
    owner.post(f"{RUNNING}/pause", data={"do": "resume"})
    assert subscriptions(world)[0].paused_until is None


@pytest.mark.parametrize("until", ["", "soon", "2027-07-01", "2031-01-01"])
def test_a_pause_needs_a_day_that_comes(until: str, world: World, owner: TestClient) -> None:
    answer = owner.post(f"{RUNNING}/pause", data={"until": until})
    assert answer.status_code == 400
    assert subscriptions(world)[0].paused_until is None


def test_leaving_ends_the_subscription_and_keeps_what_was_decided(world: World, owner: TestClient) -> None:
    owner.post(f"{RUNNING}/end")
    assert [row.id for row in subscriptions(world)] == [2]
    assert owner.get(RUNNING).status_code == 404


def test_nobody_touches_another_persons_subscription(world: World) -> None:
    share_site(world)
    with browsing_as(world, new_person(world, FRIEND)) as friend:
        for method, path in (("GET", ""), ("POST", ""), ("POST", "/pause"), ("POST", "/end")):
            assert friend.request(method, f"/subscriptions/1{path}").status_code == 404
    assert len(subscriptions(world)) == 2


def test_times_and_figures_come_as_they_were_wished(world: World, owner: TestClient) -> None:
    world.cycle(GO_TIME)
    assert "23:4" in owner.get("/").text
    owner.post(RUNNING, data=filled(owner, RUNNING, clock="12", temperature="fahrenheit", distance="miles"))
    for path in ("/", "/sites/1", "/sites/1/nights/2027-07-03", "/sites/1/nights/2027-07-03/field"):
        page = owner.get(path).text
        assert "11:4" in page
        assert "23:4" not in page
    assert "°F" in owner.get("/sites/1/nights/2027-07-03").text
