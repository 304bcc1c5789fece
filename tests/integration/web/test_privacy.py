"""Sites are private; sharing is a choice and shows a place only to 0.05 degrees."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from alerts.common.errors import BadInput
from alerts.sites.model import Foreground
from service.demo.play import FLAT
from service.store.repositories.sites import get_site, newest_revision, revise_site
from service.store.schema.core_tables import SiteRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, World, open_world
from tests.integration.web.acting import browsing_as, new_person, share_site
from tests.integration.web.browsing import browsing

FRIEND = "friend@example.org"
SECRETS = ("40.31", "-1.42", "−1.42", "1.42°", "Old Windpump", "behind the barn", "ask the farmer", "196")
NIGHT = "/sites/1/nights/2027-07-03"
SHARED = ("/sites/1", NIGHT, f"{NIGHT}/field", f"{NIGHT}/night.svg", "/sites/1/season")


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory, new_store: NewStore) -> Iterator[World]:
    """A site with a foreground and notes, shared by its owner, judged up to a go."""
    folder = tmp_path_factory.mktemp("shared")
    site = replace(
        FLAT,
        foregrounds=(Foreground("Old Windpump", 196.0),),
        notes="park behind the barn",
        access_note="ask the farmer",
    )
    with open_world(folder, new_store(folder), site=site) as world:
        for now in (START, ON_THE_DAY, GO_TIME):
            world.cycle(now)
        share_site(world)
        yield world


@pytest.fixture
def friend(shared: World) -> Iterator[TestClient]:
    with browsing_as(shared, new_person(shared, FRIEND)) as browser:
        yield browser


@pytest.mark.parametrize("path", [*SHARED, "/sites/1/edit", "/sites/1/subscribe", f"{NIGHT}/view.svg"])
def test_a_site_is_private_until_its_owner_shares_it(path: str, world: World, stranger: TestClient) -> None:
    assert stranger.get(path, follow_redirects=False).status_code in (404, 303)
    with browsing_as(world, new_person(world, FRIEND)) as friend:
        assert friend.get(path).status_code == 404
    assert "Windpump" not in stranger.get("/").text


@pytest.mark.parametrize("path", SHARED)
def test_others_see_nothing_that_leads_to_a_shared_place(path: str, friend: TestClient) -> None:
    answer = friend.get(path)
    assert answer.status_code == 200
    text = re.sub(r"<[^>]+>", " ", answer.text) if path.endswith("svg") else answer.text
    assert [secret for secret in SECRETS[4:7] if secret in text] == []
    assert not re.search(r"40\.31\d*|[−-]1\.42\d*|1\.42° W", text)


def test_a_shared_place_is_rounded_and_said_to_be(friend: TestClient) -> None:
    page = friend.get("/sites/1").text
    assert "40.30" in page
    assert "rounded to 0.05°" in page
    assert 'href="/sites/1/edit"' not in page


def test_its_owner_sees_it_exactly(played: TestClient) -> None:
    page = played.get("/sites/1").text
    assert "40.31" in page
    assert "rounded to" not in page.replace("coordinates rounded to 0.05", "")


def test_leaving_and_coming_home_are_only_the_persons_own(friend: TestClient) -> None:
    assert "Leave by" not in friend.get(NIGHT).text
    assert "Leave by" not in friend.get("/sites/1").text


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_nobody_else_changes_or_removes_a_shared_site(method: str, friend: TestClient, shared: World) -> None:
    assert friend.request(method, "/sites/1/edit").status_code == 404
    assert friend.post("/sites/1/remove").status_code == 404
    with shared.duskbell.sessions() as session:
        assert session.get_one(SiteRow, 1).archived_at is None


def test_a_site_that_is_no_longer_shared_is_gone_for_others(world: World) -> None:
    share_site(world)
    with browsing_as(world, new_person(world, FRIEND)) as friend:
        assert friend.get("/sites/1").status_code == 200
        share_site(world, is_shared=False)
        assert friend.get("/sites/1").status_code == 404


def test_an_older_description_stays_private_too(world: World) -> None:
    """A night that was judged when the site stood elsewhere doesn't tell where that was."""
    for now in (START, ON_THE_DAY, GO_TIME):
        world.cycle(now)
    share_site(world)
    with world.duskbell.sessions.begin() as session:
        row = session.get_one(SiteRow, 1)
        site = newest_revision(session, 1).site
        revise_site(session, row, replace(site, lat_deg=40.5), elevation_known=True, now=GO_TIME)
    with browsing(world, shown_at=GO_TIME) as stranger:
        assert "40.31" not in stranger.get(NIGHT).text


def test_two_people_may_have_sites_of_one_name(world: World) -> None:
    person = new_person(world, FRIEND)
    with browsing_as(world, person) as friend:
        form = {"name": "Windpump Flat", "at": "42, 3", "months": ["7"], "do": "save"}
        assert "42.00000" in friend.post("/sites/new", data=form).text
        again = friend.post("/sites/new", data=form)
        assert (again.status_code, "name-fault" in again.text) == (400, True)
        assert friend.get("/").text.count("Windpump Flat") >= 1
        assert friend.get("/sites/1").status_code == 404
    with world.duskbell.sessions() as session:
        assert get_site(session, "windpump flat").owner_id == 1
        assert get_site(session, "#2").owner_id == person


def test_nothing_is_requested_from_elsewhere(played: TestClient) -> None:
    for path in ("/", "/sites/1", NIGHT, f"{NIGHT}/field", "/sites/new", "/me", "/operator"):
        page = played.get(path).text
        loaded = re.findall(r'(?:src|srcset|href)="([^"]*)"', re.sub(r"<a [^>]*>", "", page))
        assert [each for each in loaded if not each.startswith(("/", "#", "data:"))] == []
    for file in Path("service/web/static").iterdir():
        assert not re.search(r"https?://(?!www\.w3\.org/)", file.read_text(encoding="utf-8"))


def test_of_two_strangers_sites_of_one_name_one_is_named_by_its_number(world: World) -> None:
    for number in range(2):
        with browsing_as(world, new_person(world, f"friend{number}@example.org")) as friend:
            friend.post("/sites/new", data={"name": "Hill", "at": "42, 3", "months": ["7"], "do": "save"})
    with world.duskbell.sessions() as session:
        with pytest.raises(BadInput, match="#2, #3"):
            get_site(session, "Hill")
        assert get_site(session, "#3").name == "Hill"
