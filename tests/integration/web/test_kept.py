"""Pages kept as they were sent: to the same browser, until something is committed or time passes."""

from __future__ import annotations

from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from service.store.engine import open_engine
from service.store.read_sessions import watch_changes
from service.store.schema.core_tables import SiteRow
from service.web.response_cache import KEPT_PATHS, KeptPage, page_cache
from tests.integration.pipeline.world import GO_TIME, World
from tests.integration.web.acting import browsing_as, losing, new_person, share_site
from tests.integration.web.browsing import browsing, owner_browsing


def rename(world: World, name: str) -> None:
    with world.duskbell.sessions.begin() as session:
        session.get_one(SiteRow, 1).name = name


def test_a_page_is_the_same_until_something_is_committed(world: World, owner: TestClient) -> None:
    first = owner.get("/")
    again = owner.get("/")
    assert (again.content, again.headers["content-type"]) == (first.content, first.headers["content-type"])
    assert again.headers["content-security-policy"] == first.headers["content-security-policy"]
    rename(world, "Another Name")
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


def test_what_time_alone_changes_is_seen_after_five_minutes(world: World) -> None:
    world.wall = GO_TIME
    share_site(world)
    with owner_browsing(world) as browser:
        assert "Sat 3 July" in browser.get("/sites/1").text
        world.wall += timedelta(days=2)
        assert "Sat 3 July:" not in browser.get("/sites/1").text


def test_a_refusal_is_not_kept(world: World, stranger: TestClient) -> None:
    assert stranger.get("/sites/1").status_code == 404
    share_site(world)
    assert stranger.get("/sites/1").status_code == 200


@pytest.mark.parametrize(
    ("path", "is_kept"),
    [
        ("/", True),
        ("/sites/12", True),
        ("/sites/12/season", True),
        ("/sites/12/season.svg", True),
        ("/sites/12/nights/2027-07-03", True),
        ("/sites/12/nights/2027-07-03/view.svg", True),
        ("/sites/12/subscribe", False),
        ("/me", False),
        ("/sign-in/abc", False),
        ("/operator", False),
        ("/api/v1/sites", False),
        ("/healthz", False),
    ],
)
def test_only_pages_that_show_are_kept(path: str, is_kept: bool) -> None:
    assert bool(KEPT_PATHS.fullmatch(path)) == is_kept


def test_what_is_kept_is_bounded() -> None:
    cache = page_cache()
    for number in range(200):
        cache.put(number, KeptPage("v", (), 250_000))
    assert cache.held <= 32 * 1024 * 1024
    assert cache.get(0) is None
    kept = cache.get(199)
    assert kept is not None
    assert kept.version == "v"


def test_a_commit_is_noticed_on_either_store_and_reading_is_none(ready_url: str) -> None:
    engine = open_engine(ready_url)
    from service.store.migrate import require_current

    require_current(engine)
    changes = watch_changes(engine)
    assert changes is not None
    before = changes()
    with engine.connect() as connection:
        connection.exec_driver_sql("SELECT count(*) FROM site").scalar()
    assert changes() == before
    with engine.begin() as connection:
        connection.exec_driver_sql("UPDATE site SET name = 'x' WHERE id = 1")
        connection.exec_driver_sql(
            "INSERT INTO limit_bucket (key, level, filled_at) VALUES ('k', 1, '2027-07-03 00:00:00')"
        )
    assert changes() != before
    changes.close()
    engine.dispose()


def test_a_store_that_can_not_be_read_keeps_nothing(world: World) -> None:
    """SQLite is asked over a connection of its own, PostgreSQL through the engine."""
    with browsing(world, shown_at=GO_TIME) as browser:
        web = browser.app.state.web  # type: ignore[attr-defined]
        assert web.store_version() is not None
        web.changes.close()
        with losing(world.duskbell.engine):
            assert web.store_version() is None
