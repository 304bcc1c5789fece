"""What its owner noted of a shared site is told to nobody else: not by page, feed, API, mail or export."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from alerts.wishes.model import DEFAULT_WISHES
from service.accounts import access
from service.demo.play import FLAT, SATURDAY
from service.store.repositories import subscriptions
from service.store.schema.core_tables import AddressRow, SiteRow
from service.web.feeds import routes as feed_routes
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, World, open_world
from tests.integration.web.acting import browsing_as, new_person, share_site, text_of
from tests.integration.web.browsing import owner_browsing
from tests.integration.web.formreading import fields_of_form

FRIEND, ONLOOKER = "friend@example.org", "onlooker@example.org"
NOTE = "gate code: 4711"
CLOSED = "the site can&#39;t be reached in July"
NIGHT = f"/sites/1/nights/{SATURDAY}"
PAGES = ("/", "/sites/1", NIGHT, f"{NIGHT}/field", "/compare", "/sites/1/subscribe", "/me", "/me/data.json")
API = ("/sites", "/sites/1", "/sites/1/nights", f"/sites/1/nights/{SATURDAY}", "/sites/1/season?year=2027",
       f"/compare?from={SATURDAY}&to={SATURDAY}")  # fmt: skip


@pytest.fixture(scope="module", params=["open", "closed"])
def road(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def noted(road: str, tmp_path_factory: pytest.TempPathFactory, new_store: NewStore) -> Iterator[World]:
    """A shared site with a note, its road open or closed in July; a friend is told about it too."""
    folder = tmp_path_factory.mktemp(road)
    months = tuple(month for month in range(1, 13) if road == "open" or month != 7)
    site = replace(FLAT, access_note=NOTE, access_months=months)
    with open_world(folder, new_store(folder), site=site) as world:
        share_site(world)
        subscribe_friend(world)
        for now in (START, ON_THE_DAY, GO_TIME):
            world.cycle(now)
        yield world


def subscribe_friend(world: World) -> None:
    person = new_person(world, FRIEND)
    with world.duskbell.sessions.begin() as session:
        address = session.query(AddressRow).filter_by(person_id=person).one()
        row = session.get_one(SiteRow, 1)
        subscriptions.subscribe(session, address, row, DEFAULT_WISHES, now=START)


def number_of(world: World, email: str) -> int:
    with world.duskbell.sessions() as session:
        found = session.query(AddressRow).filter_by(target=email).one_or_none()
        return found.person_id if found else 0


@pytest.fixture
def friend(noted: World) -> Iterator[TestClient]:
    with browsing_as(noted, number_of(noted, FRIEND)) as browser:
        yield browser


@pytest.fixture
def onlooker(noted: World) -> Iterator[TestClient]:
    """Somebody whom nobody tells anything: they see what is judged for the owner."""
    with browsing_as(noted, number_of(noted, ONLOOKER) or new_person(noted, ONLOOKER)) as browser:
        yield browser


@pytest.mark.parametrize("path", PAGES)
def test_a_friend_who_is_told_about_the_site_reads_no_note_of_it(path: str, friend: TestClient) -> None:
    answer = friend.get(path)
    assert (answer.status_code, NOTE in answer.text) == (200, False)


@pytest.mark.parametrize("path", PAGES)
def test_an_onlooker_reads_no_note_of_the_site(path: str, onlooker: TestClient) -> None:
    answer = onlooker.get(path)
    assert (answer.status_code, NOTE in answer.text) == (200, False)


@pytest.mark.parametrize(("who", "paths"), [(FRIEND, API), (ONLOOKER, API[:-1])], ids=["friend", "onlooker"])
def test_neither_does_the_api_give_it(
    who: str, paths: tuple[str, ...], noted: World, onlooker: TestClient
) -> None:
    with noted.duskbell.sessions.begin() as session:
        key = access.make_api_key(session, number_of(noted, who), who, START)
    for path in paths:
        answer = onlooker.get(f"/api/v1{path}", headers={"Authorization": f"Bearer {key}"})
        assert (path, answer.status_code, NOTE in answer.text) == (path, 200, False)


@pytest.mark.parametrize("ending", ["ics", "atom", "geojson"])
def test_neither_do_the_feeds(ending: str, noted: World, friend: TestClient) -> None:
    with noted.duskbell.sessions.begin() as session:
        key = feed_routes.make_key(session, number_of(noted, FRIEND), START)
        path = feed_routes.feed_path(noted.duskbell.keys, key, "all", ending)
    answer = friend.get(path)
    assert (answer.status_code, NOTE in answer.text.replace("\\", "")) == (200, False)


def test_neither_does_a_mail(noted: World, road: str) -> None:
    mails = [text_of(mail) for _, mail in noted.box.mails if FRIEND in str(mail["To"])]
    assert (len(mails) > 0) == (road == "open")
    assert [text for text in mails if NOTE in text] == []


def test_a_trip_over_a_closed_road_is_warned_of_without_the_note(friend: TestClient, road: str) -> None:
    path = "/sites/2/subscribe"
    form = fields_of_form(friend.get(f"{path}?another=true").text, path)
    page = friend.post(path, data={**form, "trips": f"{SATURDAY} to {SATURDAY}", "do": "count"}).text
    assert ("meets a closed road" in page) == (road == "closed")
    assert NOTE not in page


def test_its_owner_reads_the_note(noted: World, road: str) -> None:
    with owner_browsing(noted, shown_at=GO_TIME) as owner:
        assert NOTE in owner.get("/sites/1").text
        night = owner.get(NIGHT).text
        assert NOTE in night
        assert (CLOSED in night) == (road == "closed")
