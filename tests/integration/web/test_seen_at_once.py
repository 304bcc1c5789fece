"""A page is made anew for whoever asks: what changes is seen with the next one, by those alone who may."""

from __future__ import annotations

from datetime import timedelta

from starlette.testclient import TestClient

from service.store.schema.core_tables import SiteRow
from tests.integration.pipeline.world import GO_TIME, World
from tests.integration.web.acting import browsing_as, new_person, share_site
from tests.integration.web.browsing import owner_browsing


def test_what_is_committed_is_seen_with_the_next_page(world: World, owner: TestClient) -> None:
    first = owner.get("/")
    again = owner.get("/")
    assert (again.content, again.headers["content-type"]) == (first.content, first.headers["content-type"])
    assert again.headers["content-security-policy"] == first.headers["content-security-policy"]
    with world.duskbell.sessions.begin() as session:
        session.get_one(SiteRow, 1).name = "Another Name"
    assert "Another Name" in owner.get("/").text


def test_nobody_is_shown_what_was_made_for_somebody_else(world: World, owner: TestClient) -> None:
    assert "Windpump Flat" in owner.get("/").text
    with browsing_as(world, new_person(world, "friend@example.org")) as friend:
        friend.app = owner.app
        assert "Windpump Flat" not in friend.get("/").text
    owner.cookies.clear()
    assert "Windpump Flat" not in owner.get("/").text
    assert owner.get("/sites/1").status_code == 404


def test_signing_out_is_seen_at_once(owner: TestClient) -> None:
    assert owner.get("/sites/1").status_code == 200
    kept = dict(owner.cookies)
    owner.post("/sign-out")
    owner.cookies.update(kept)
    assert owner.get("/sites/1").status_code == 404


def test_a_night_that_is_over_is_gone(world: World) -> None:
    world.wall = GO_TIME
    share_site(world)
    with owner_browsing(world) as browser:
        assert "Sat 3 July" in browser.get("/sites/1").text
        world.wall += timedelta(days=2)
        assert "Sat 3 July:" not in browser.get("/sites/1").text


def test_a_site_that_is_shared_is_seen_at_once(world: World, stranger: TestClient) -> None:
    assert stranger.get("/sites/1").status_code == 404
    share_site(world)
    assert stranger.get("/sites/1").status_code == 200
