"""Signed-in browsers: listed, ended, asked to sign in once more; links that die; cookies."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from http.cookies import SimpleCookie

import pytest
from sqlalchemy import Engine, event, select
from sqlalchemy.exc import OperationalError
from starlette.testclient import TestClient

from service.accounts import access
from service.store.repositories import browsers
from service.store.schema.core_tables import AddressRow
from service.web.shared import sessions
from tests.integration.pipeline.world import World
from tests.integration.web.acting import (
    browsing_as,
    deliver_mail,
    links_in_mail,
    new_person,
    share_site,
)
from tests.integration.web.browsing import browsing, owner_browsing, sign_in_as_owner
from tests.integration.web.formreading import fields_of_form

LAST_YEARS = (
    "Mozilla/5.0 (iPhone; CPU iPhone OS 18_1 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) "
    "Version/18.1 Mobile/15E148 Safari/604.1"
)
EDGE = (
    "Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/131.0 "
    "Safari/537.36 Edg/131.0"
)


@pytest.mark.parametrize(
    ("user_agent", "words"),
    [
        (LAST_YEARS, "Safari on an iPhone"),
        (EDGE, "Edge on Windows"),
        ("Mozilla/5.0 (X11; Linux x86_64; rv:128.0) Gecko/20100101 Firefox/128.0", "Firefox on Linux"),
        ("Mozilla/5.0 (Linux; Android 14) Chrome/130.0 Mobile Safari/537.36", "Chrome on Android"),
        ("curl/8.5.0", "a browser"),
        ("", "a browser"),
    ],
)  # fmt: skip
def test_row_92_a_browser_is_named_roughly_and_no_more_is_kept(
    world: World, user_agent: str, words: str
) -> None:
    assert sessions.roughly(user_agent) == words
    with owner_browsing(world) as browser:
        browser.headers["User-Agent"] = user_agent
        sign_in_as_owner(browser)
        page = browser.get("/me").text
    assert words.lower() in page.lower()
    assert "AppleWebKit" not in page


def test_row_92_browsers_are_listed_and_ended_one_by_one(world: World) -> None:
    mine, other = new_person(world, "a@example.org"), new_person(world, "b@example.org")
    with (
        browsing_as(world, mine) as here,
        browsing_as(world, mine) as there,
        browsing_as(world, other) as foreign,
    ):
        page = here.get("/me").text
        (end,) = re.findall(r"/me/browsers/\d+/end", page)
        assert page.count("This browser.") == 1
        assert foreign.post(end).status_code == 404, "nobody ends another person's"
        assert there.get("/me").status_code == 200
        assert "Signed out there." in here.post(end).text
        assert there.get("/me", follow_redirects=False).headers["location"] == "/sign-in?next=/me"
        assert here.get("/me").status_code == 200
        assert foreign.get("/me", follow_redirects=False).status_code == 200


def test_row_92_all_others_are_ended_at_once_and_links_die_with_them(world: World) -> None:
    mine = new_person(world, "a@example.org")
    with browsing_as(world, mine) as here, browsing_as(world, mine) as there:
        here.post("/sign-in", data={"email": "a@example.org"})
        deliver_mail(world)
        (link,) = links_in_mail(world, "sign-in")
        here.post("/me/browsers/end-others")
        assert there.get("/me", follow_redirects=False).status_code == 303
        assert there.post(link).status_code == 404
        here.post("/sign-in", data={"email": "a@example.org"})
        deliver_mail(world)
        here.post("/me/sign-out-everywhere")
        assert there.post(links_in_mail(world, "sign-in")[-1]).status_code == 404
        assert here.get("/me", follow_redirects=False).status_code == 303


def test_row_92_when_it_was_last_seen_is_kept_to_the_hour_and_never_keeps_a_page_back(world: World) -> None:
    mine = new_person(world, "a@example.org")

    def seen() -> set[object]:
        with world.duskbell.sessions() as session:
            return {row.seen_at for row in browsers.find_browsers(session, mine, world.wall)}

    with browsing_as(world, mine) as browser:
        first = seen()
        world.wall += timedelta(minutes=50)
        browser.get("/me")
        assert seen() == first
        world.wall += timedelta(minutes=20)
        with refusing_updates(world.duskbell.engine):
            assert browser.get("/me").status_code == 200
        assert seen() == first
        browser.get("/me")
        assert seen() == {world.wall}


@contextmanager
def refusing_updates(engine: Engine) -> Iterator[None]:
    """The database is read, and takes no change of a token."""

    def refuse(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        if statement.startswith("UPDATE token"):
            raise OperationalError(statement, None, ConnectionError("locked"))

    event.listen(engine, "before_cursor_execute", refuse)
    try:
        yield
    finally:
        event.remove(engine, "before_cursor_execute", refuse)


def test_row_93_keys_data_and_erasure_ask_for_a_sign_in_of_just_now(world: World) -> None:
    mine = new_person(world, "a@example.org")
    with browsing_as(world, mine) as browser:
        world.wall += timedelta(minutes=16)
        for act, back in (
            (lambda: browser.post("/me/keys", data={"label": "phone"}, follow_redirects=False), "feeds"),
            (lambda: browser.get("/me/data.json", follow_redirects=False), "data"),
            (lambda: browser.post("/me/erase", data={"sure": "on"}, follow_redirects=False), "data"),
        ):
            answer = act()
            assert answer.status_code == 303
            assert answer.headers["location"] == f"/me/again?next=/me%3Fsaid%3Dfresh%23{back}"
        again = browser.get(answer.headers["location"])
        assert (
            "a…@example.org" in again.text or "a***@example.org" in again.text or "@example.org" in again.text
        )
        assert "Open it in this browser" in browser.post("/me/again").text
        deliver_mail(world)
        (link,) = links_in_mail(world, "sign-in")
        arrived = browser.post(link, follow_redirects=False)
        assert arrived.headers["location"] == "/me?said=fresh#data"
        assert "go on within 15 minutes" in browser.get("/me?said=fresh").text
        assert browser.get("/me/data.json", follow_redirects=False).status_code == 200
        assert "dbk_" in browser.post("/me/keys", data={"label": "phone", "use": "read", "days": "30"}).text
        with world.duskbell.sessions() as session:
            assert len(browsers.find_browsers(session, mine, world.wall)) == 1, "the token before it is over"
        assert browser.post("/me/erase", data={"sure": "on"}).status_code == 200


def test_row_93_a_mail_address_that_could_sign_in_is_added_by_who_just_did(world: World) -> None:
    share_site(world)
    mine = new_person(world, "a@example.org")
    with browsing_as(world, mine) as browser:
        world.wall += timedelta(minutes=16)
        added = browser.post(
            "/me/addresses", data={"channel": "email", "target": "b@example.org"}, follow_redirects=False
        )
        assert added.headers["location"] == "/me/again?next=/me%3Fsaid%3Dfresh%23where"
        page = browser.get("/sites/2/subscribe").text
        form = fields_of_form(page, "/sites/2/subscribe") | {"email": "b@example.org", "do": "save"}
        answer = browser.post("/sites/2/subscribe", data=form | {"address": "new"})
        assert "once more on the page You" in answer.text
        assert 'value="b@example.org"' in answer.text, "what was typed isn't lost"
        hook = {"channel": "webhook", "target": "https://hooks.example.org/a"}
        assert browser.post("/me/addresses", data=hook, follow_redirects=False).status_code == 200
    with world.duskbell.sessions() as session:
        targets = set(session.scalars(select(AddressRow.target).where(AddressRow.person_id == mine)))
    assert targets == {"a@example.org", "https://hooks.example.org/a"}


def test_row_93_a_clock_set_back_makes_no_sign_in_fresh(world: World) -> None:
    with browsing_as(world, new_person(world, "a@example.org")) as browser:
        world.wall -= timedelta(hours=6)
        assert browser.get("/me/data.json", follow_redirects=False).status_code == 303


def test_row_93_the_operator_without_a_mail_address_is_shown_the_command(
    world: World, owner: TestClient
) -> None:
    world.wall += timedelta(hours=1)
    page = owner.get("/me/data.json")
    assert "duskbell link" in page.text
    sign_in_as_owner(owner)
    assert owner.get("/me/data.json").headers["content-type"] == "application/json"


@pytest.mark.parametrize("back", ["//evil.example", "https://evil.example", "/\\evil.example"])
def test_row_93_nobody_is_sent_elsewhere_after_it(world: World, back: str) -> None:
    with browsing_as(world, new_person(world, "a@example.org")) as browser:
        browser.get("/me/again", params={"next": back})
        browser.post("/me/again")
        deliver_mail(world)
        answer = browser.post(links_in_mail(world, "sign-in")[-1], follow_redirects=False)
    assert answer.headers["location"] == "/"


def test_row_92_erasing_ends_every_browser(world: World) -> None:
    mine = new_person(world, "a@example.org")
    with browsing_as(world, mine) as here, browsing_as(world, mine) as there:
        assert here.post("/me/erase", data={"sure": "on"}).status_code == 200
        assert there.get("/me", follow_redirects=False).status_code == 303


@pytest.mark.parametrize("path", ["/", "/me", "/sign-in", "/api/v1/sites", "/healthz"])
def test_what_was_sent_is_never_sent_back(path: str, owner: TestClient) -> None:
    answer = owner.request("TRACE", path, headers={"X-Mine": "seen"})
    assert answer.status_code == 405
    assert "seen" not in answer.text


def test_row_94_older_links_die_when_one_is_used_and_those_of_others_do_not(world: World) -> None:
    for mail in ("a@example.org", "b@example.org"):
        new_person(world, mail)
    with browsing(world) as browser:
        for mail in ("a@example.org", "b@example.org", "a@example.org"):
            browser.post("/sign-in", data={"email": mail})
            deliver_mail(world)
        first, others, second = links_in_mail(world, "sign-in")
        assert browser.post(second, follow_redirects=False).status_code == 303
        assert browser.get(first).status_code == 404
        assert browser.post(first).status_code == 404
        assert browser.post(second).status_code == 404, "it works once"
        assert browser.post(others, follow_redirects=False).status_code == 303


def test_row_94_a_link_lives_for_a_quarter_of_an_hour(world: World) -> None:
    with world.duskbell.sessions.begin() as session:
        links = [access.make_owner_link(session, world.wall, public_url="") for _ in range(2)]
    with browsing(world) as browser:
        world.wall += timedelta(minutes=14, seconds=59)
        assert browser.get(links[0]).status_code == 200
        world.wall += timedelta(seconds=2)
        assert [browser.post(link).status_code for link in links] == [404, 404]


def cookies_of(answer: object) -> dict[str, object]:
    found = SimpleCookie()
    for line in answer.headers.get_list("set-cookie"):  # type: ignore[attr-defined]
        found.load(line)
    return dict(found)


@pytest.mark.parametrize("public_url", ["http://192.0.2.10:8765", "https://duskbell.example.org"])
def test_row_95_the_cookie_is_as_strict_as_the_way_allows(world: World, public_url: str) -> None:
    world.duskbell.settings = world.duskbell.settings.model_copy(update={"public_url": public_url})
    is_https = public_url.startswith("https")
    with browsing(world) as browser:
        browser.base_url = public_url
        browser.get("/sign-in?next=/compare")
        with world.duskbell.sessions.begin() as session:
            path = access.make_owner_link(session, world.wall, public_url="")
        answer = browser.post(path, follow_redirects=False)
        assert answer.headers["location"] == "/compare"
        name = "__Host-duskbell" if is_https else "duskbell"
        cookie = cookies_of(answer)[name]
        assert (cookie["path"], cookie["domain"], cookie["samesite"]) == ("/", "", "lax")  # type: ignore[index]
        assert cookie["httponly"]  # type: ignore[index]
        assert bool(cookie["secure"]) is is_https  # type: ignore[index]
        assert browser.get("/me").status_code == 200
        out = browser.post("/sign-out", follow_redirects=False)
        assert out.headers["clear-site-data"] == '"cache", "storage"'
        assert cookies_of(out)[name]["max-age"] == "0"  # type: ignore[index]
        assert browser.get("/me", follow_redirects=False).status_code == 303


def test_row_95_who_was_signed_out_elsewhere_loses_what_the_browser_kept_and_whose_time_is_over_does_not(
    world: World,
) -> None:
    mine = new_person(world, "a@example.org")
    with browsing_as(world, mine) as here, browsing_as(world, mine) as there:
        here.post("/me/browsers/end-others")
        ended = there.get("/me", follow_redirects=False)
        assert ended.headers["clear-site-data"] == '"cache", "storage"'
        world.wall += browsers.LIVES + timedelta(minutes=1)
        over = here.get("/me", follow_redirects=False)
    assert over.status_code == 303
    assert "clear-site-data" not in over.headers, "the field page has to open tonight"
