"""Where there is nothing to show, the pages say why and what to do next."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from alerts.sites.model import Site
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, World, open_world
from tests.integration.web.acting import browsing_as, losing, new_person
from tests.integration.web.browsing import owner_browsing

FAR_NORTH = Site("Midnight Ridge", 68.42, 17.4, 300.0, "Europe/Oslo")


@pytest.fixture(scope="module")
def polar_world(tmp_path_factory: pytest.TempPathFactory, new_store: NewStore) -> Iterator[World]:
    folder = tmp_path_factory.mktemp("polar")
    with open_world(folder, new_store(folder), site=FAR_NORTH) as world:
        world.cycle(GO_TIME)
        yield world


@pytest.fixture
def polar(polar_world: World) -> Iterator[TestClient]:
    with owner_browsing(polar_world, shown_at=GO_TIME) as browser:
        yield browser


POLAR = {
    "/": ("No dark window in the coming fourteen nights", 'href="/sites/1/season"'),
    "/sites/1": ("stays above −18° all night", "The season below shows when there is one"),
    "/sites/1/season": ("No night has a window", "With the band there would be", "Wish for something else"),
    "/sites/1/nights/2027-07-03": ("Stay home", "the Sun stays above"),
    "/compare": ("None of these nights has a dark window", "Try other dates"),
    "/sites/1/subscribe": ("no night of a year", "With the band there would be"),
}


@pytest.mark.parametrize(("path", "said"), POLAR.items(), ids=POLAR)
def test_in_a_polar_summer_every_page_says_so_and_what_could_be(
    path: str, said: tuple[str, ...], polar: TestClient
) -> None:
    page = polar.get(path).text
    assert [words for words in said if words not in page] == []


def test_a_person_without_sites_is_led_to_adding_one(world: World) -> None:
    with browsing_as(world, new_person(world, "friend@example.org")) as friend:
        home = friend.get("/").text
        assert "No sites yet" in home
        assert 'href="/sites/import"' in home
        assert "Add a site" in friend.get("/compare").text
        assert "Nothing yet" in friend.get("/me").text


def test_before_the_first_cycle_the_sky_is_shown_and_the_cycle_announced(owner: TestClient) -> None:
    home = owner.get("/").text
    assert "the first cycle is still to come" in home
    assert "not judged yet" in home


def test_without_a_forecast_nobody_can_say_and_that_stands_first(world: World) -> None:
    world.weather.is_down = True
    world.cycle(GO_TIME)
    with owner_browsing(world, shown_at=GO_TIME) as browser:
        home = browser.get("/").text
        for said in ("say tonight: Windpump Flat", "asked again every 30 minutes", "How the feeds are"):
            assert said in home
        assert "No forecast reached us" in browser.get("/sites/1/nights/2027-07-03").text


def test_a_night_beyond_every_forecast_says_from_when_on_it_is_looked_at(played: TestClient) -> None:
    page = played.get("/sites/1/nights/2027-08-01").text
    assert "No forecast reaches this night yet" in page
    assert "nights are judged for you from" in page


@pytest.mark.parametrize("path", ["/nothing/here", "/sites/999", "/sites/1/nothing"])
def test_where_nothing_is_the_page_leads_back_whatever_is_missing(path: str, stranger: TestClient) -> None:
    answer = stranger.get(path)
    assert (answer.status_code, 'href="/">To the coming nights' in answer.text) == (404, True)
    assert "There is no page at this address, or it isn&#39;t shared with you." in answer.text


def test_the_store_can_not_be_read(owner: TestClient) -> None:
    web = owner.app.state.web  # type: ignore[attr-defined]
    with losing(web.reading.kw["bind"]):
        answer = owner.get("/")
    assert (answer.status_code, "Try again in a minute" in answer.text) == (503, True)
    assert owner.get("/").status_code == 200
