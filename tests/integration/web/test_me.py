"""The page `You`: addresses and their tests, keys, name and clock, one's data, leaving."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from service.demo.play import SATURDAY
from service.store.schema.core_tables import AddressRow
from service.web.shared.context import Web
from tests.integration.pipeline.world import MAIL, World
from tests.integration.web.acting import (
    browsing_as,
    deliver_mail,
    links_in_mail,
    new_person,
    share_site,
    subscriptions,
)

FRIEND = "friend@example.org"


@pytest.fixture
def friend(world: World) -> Iterator[TestClient]:
    """A browser of somebody who owns nothing here."""
    with browsing_as(world, new_person(world, FRIEND)) as browser:
        yield browser


def address(world: World, address_id: int) -> AddressRow:
    with world.duskbell.sessions() as session:
        return session.get_one(AddressRow, address_id)


def web_of(browser: TestClient) -> Web:
    web: Web = browser.app.state.web  # type: ignore[attr-defined]
    return web


def test_it_asks_to_sign_in_and_leads_back(stranger: TestClient) -> None:
    answer = stranger.get("/me", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?next=/me")


def test_it_lists_what_one_is_told_where_to_and_with_which_secret(owner: TestClient) -> None:
    page = owner.get("/me").text
    assert page.count('href="/sites/1"') == 2
    assert (MAIL in page, "whsec_" in page) == (True, True)


def test_a_mail_address_gets_a_test_and_a_new_one_a_mail_to_confirm(world: World, owner: TestClient) -> None:
    assert "A test is on its way" in owner.post("/me/addresses/1/test").text
    added = owner.post("/me/addresses", data={"channel": "email", "target": "second@example.org"})
    assert "It gets nothing before it is confirmed" in added.text
    deliver_mail(world)
    assert {str(mail["To"]) for _, mail in world.box.mails} == {MAIL, "second@example.org"}
    assert len(links_in_mail(world, "confirm")) == 1


def test_a_webhook_that_does_not_answer_with_the_code_is_confirmed_by_typing_it(
    world: World, owner: TestClient
) -> None:
    other = re.sub(r"/club$", "/other", address(world, 2).target)
    tested = owner.post("/me/addresses", data={"channel": "webhook", "target": other})
    assert "The test arrived" in tested.text
    code = world.room.posts[-1][1]["data"]["challenge"]
    wrong = owner.post("/me/addresses/3/code", data={"code": "something else"})
    assert (wrong.status_code, address(world, 3).confirmed_at) == (400, None)
    assert "Confirmed." in owner.post("/me/addresses/3/code", data={"code": code}).text
    assert address(world, 3).confirmed_at is not None


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"channel": "carrier pigeon", "target": "roof"}, "choose one of the kinds"),
        ({"channel": "webhook", "target": "http://10.0.0.1/x"}, "https"),
        ({"channel": "email", "target": "not an address"}, "no mail address"),
    ],
    ids=["unknown kind", "webhook on a private network", "no mail address"],
)
def test_an_address_that_can_not_be_used_is_refused_in_words(
    form: dict[str, str], said: str, world: World, owner: TestClient
) -> None:
    answer = owner.post("/me/addresses", data=form)
    assert (answer.status_code, said in answer.text.lower()) == (400, True)
    with world.duskbell.sessions() as session:
        assert session.query(AddressRow).count() == 2


def test_removing_an_address_ends_what_was_told_there(world: World, owner: TestClient) -> None:
    owner.post("/me/addresses/1/remove")
    assert [row.address_id for row in subscriptions(world)] == [2]
    assert MAIL not in owner.get("/me").text


def test_an_address_that_was_switched_off_can_be_switched_on(world: World, owner: TestClient) -> None:
    with world.duskbell.sessions.begin() as session:
        row = session.get_one(AddressRow, 1)
        row.off_since, row.off_reason = world.wall, "it bounced"
    assert "Off: it bounced." in owner.get("/me").text
    owner.post("/me/addresses/1/on")
    assert address(world, 1).off_since is None


def test_row_84_test_mails_are_few_for_an_address_and_for_a_person(world: World, friend: TestClient) -> None:
    for number in range(3):
        person = find_person(world).person_id
        with world.duskbell.sessions.begin() as session:
            target = f"{number}@example.org"
            session.add(
                AddressRow(
                    person_id=person, channel="email", target=target, secrets=[],
                    created_at=world.wall, confirmed_at=world.wall,
                )
            )  # fmt: skip
    numbers = re.findall(r"/me/addresses/(\d+)/test", friend.get("/me").text)
    answers = {number: [friend.post(f"/me/addresses/{number}/test") for _ in range(7)] for number in numbers}
    sent = {number: sum(each.status_code == 200 for each in tries) for number, tries in answers.items()}
    assert list(sent.values()) == [5, 5, 0, 0], "five an hour for an address, ten for a person"
    assert "enough tests for now" in answers[numbers[0]][-1].text
    with browsing_as(world, 1) as owner:
        assert "A test is on its way" in owner.post("/me/addresses/1/test").text
    deliver_mail(world)
    assert len(world.box.mails) == 11


def test_row_84_receivers_are_tested_as_seldom(world: World, owner: TestClient) -> None:
    answers = [owner.post("/me/addresses/2/test").status_code for _ in range(7)]
    assert (answers, len(world.room.posts)) == ([200] * 5 + [400] * 2, 5)


@pytest.mark.parametrize("act", ["test", "code", "on", "remove"])
def test_nobody_touches_another_persons_address(act: str, friend: TestClient) -> None:
    assert friend.post(f"/me/addresses/1/{act}", data={"code": "x"}).status_code == 404


def test_a_key_is_shown_once_works_and_can_be_revoked(owner: TestClient) -> None:
    key = re.findall(r"dbk_\w+", owner.post("/me/keys", data={"label": "my phone"}).text)[0]
    assert key not in owner.get("/me").text
    bearer = {"Authorization": f"Bearer {key}"}
    assert owner.get("/api/v1/sites", headers=bearer).status_code == 200
    (revoke,) = re.findall(r"/me/keys/\d+/revoke", owner.get("/me").text)
    assert "no longer works" in owner.post(revoke).text
    assert owner.get("/api/v1/sites", headers=bearer).status_code == 401


def test_nobody_revokes_another_persons_key(world: World, owner: TestClient, friend: TestClient) -> None:
    owner.post("/me/keys", data={"label": "mine"})
    (revoke,) = re.findall(r"/me/keys/\d+/revoke", owner.get("/me").text)
    assert friend.post(revoke).status_code == 404
    assert revoke in owner.get("/me").text


def test_name_and_clock_are_kept_and_an_unknown_zone_is_refused(owner: TestClient) -> None:
    owner.post("/me", data={"name": "Mira", "zone": "Europe/Lisbon"})
    assert 'value="Europe/Lisbon"' in owner.get("/me").text
    answer = owner.post("/me", data={"name": "Mira", "zone": "Moon/Tranquility"})
    assert (answer.status_code, 'role="alert"' in answer.text) == (400, True)


def test_a_home_is_kept_shown_as_an_estimate_and_forgotten(world: World, owner: TestClient) -> None:
    page = owner.post("/me/home", data={"home": "40.1234 N, 1.4211 W", "speed": "50"}).text
    assert 'value="40.12, -1.42"' in page
    assert 'value="50"' in page
    assert "about 40 min to drive, an estimate from home" in page  # 21 km x 1.4 / 50 km/h
    assert "Empty: about 40 min to drive" in owner.get("/subscriptions/1").text
    assert owner.get("/me/data.json").json()["person"][0]["home_lat_deg"] == 40.12
    refused = owner.post("/me/home", data={"home": "somewhere"})
    assert (refused.status_code, "no LAT,LON" in refused.text) == (400, True)
    too_fast = owner.post("/me/home", data={"home": "40,-1", "speed": "900"})
    assert (too_fast.status_code, "km/h" in too_fast.text) == (400, True)
    assert "Your home is forgotten." in owner.post("/me/home", data={"do": "forget"}).text
    assert "an estimate" not in owner.get("/me").text


def test_row_216_nobody_else_sees_where_somebody_lives(
    world: World, owner: TestClient, friend: TestClient
) -> None:
    share_site(world)
    owner.post("/me/home", data={"home": "40.12, -1.42"})
    for page in ("/", "/me", "/sites/1", f"/sites/1/nights/{SATURDAY}"):
        assert "40.12" not in friend.get(page).text
        assert "estimate from home" not in friend.get(page).text


def test_everything_stored_about_a_person_comes_as_one_file(owner: TestClient) -> None:
    answer = owner.get("/me/data.json")
    assert "attachment" in answer.headers["content-disposition"]
    assert MAIL in json.dumps(answer.json())


def test_erasing_needs_a_tick_and_leaves_nothing_that_leads_back(world: World, friend: TestClient) -> None:
    share_site(world)
    assert friend.post("/me/erase").status_code == 400
    assert FRIEND in friend.get("/me").text
    assert "Nothing here leads back to you" in friend.post("/me/erase", data={"sure": "on"}).text
    assert friend.get("/me", follow_redirects=False).status_code == 303
    with world.duskbell.sessions() as session:
        assert session.query(AddressRow).filter(AddressRow.target == FRIEND).count() == 0


def test_signing_out_everywhere_ends_every_browser_and_takes_kept_pages_along(
    world: World, friend: TestClient
) -> None:
    (person,) = {row.person_id for row in [find_person(world)]}
    with browsing_as(world, person) as other:
        left = friend.post("/me/sign-out-everywhere", follow_redirects=False)
        assert left.headers["clear-site-data"] == '"cache", "storage"'
        assert other.get("/me", follow_redirects=False).status_code == 303


def find_person(world: World) -> AddressRow:
    with world.duskbell.sessions() as session:
        return session.query(AddressRow).filter(AddressRow.target == FRIEND).one()
