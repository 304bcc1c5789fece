"""The operator's way in, the way back to the page that was asked for, and the outbox on the page."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from alerts.sites.model import Site
from service.store.repositories.people import UNKNOWN_ZONE
from service.store.repositories.sites import add_site
from service.store.schema.core_tables import PersonRow
from service.web.account.sign_in import is_own_path
from service.web.app import build_app
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, World, open_world
from tests.integration.web.browsing import HOST, browsing, owner_path, sign_in_as_owner


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as world:
        yield world


@pytest.fixture
def browser(world: World) -> Iterator[TestClient]:
    with browsing(world) as browser:
        yield browser


def test_the_owners_link_shows_a_button_and_lets_in_once(world: World, browser: TestClient) -> None:
    path = owner_path(world.duskbell)
    assert "<button>Sign in</button>" in browser.get(path).text
    assert "Operator" not in browser.get("/").text, "opening a link does nothing yet"
    assert "Operator" in browser.post(path).text
    browser.cookies.clear()
    again = browser.post(path)
    assert again.status_code == 404
    assert "has been used, or is too old" in again.text


def test_whoever_had_to_sign_in_first_comes_back_to_the_page_they_wanted(
    world: World, browser: TestClient
) -> None:
    asked = browser.get("/operator/messages")
    assert asked.url.path == "/sign-in"
    entered = browser.post(owner_path(world.duskbell))
    assert entered.url.path == "/operator/messages"
    browser.cookies.delete("duskbell")
    assert browser.post(owner_path(world.duskbell)).url.path == "/", "the way back is used up"


@pytest.mark.parametrize(
    ("path", "is_own"),
    [
        ("/me", True),
        ("/sites/3/nights/2027-07-03", True),
        ("", False),
        ("me", False),
        ("//elsewhere.example", False),
        ("/\\elsewhere.example", False),
        ("https://elsewhere.example", False),
        ("/me\r\nSet-Cookie: a=b", False),
    ],
)
def test_only_a_path_of_ours_is_returned_to(path: str, is_own: bool) -> None:
    assert is_own_path(path) is is_own


def test_real_sites_are_never_open_to_whoever_looks(world: World) -> None:
    world.duskbell.invented_weather = None
    with pytest.raises(ValueError, match="only to those who sign in"):
        build_app(world.duskbell, is_open=True)


def test_an_invented_story_is_open_and_shows_what_arrived(world: World) -> None:
    app = build_app(world.duskbell, shown_at=GO_TIME, is_open=True, arrived=world.box.folder)
    for now in (START, ON_THE_DAY, GO_TIME):
        world.cycle(now)
    with TestClient(app, base_url=HOST) as browser:
        assert "Windpump Flat" in browser.get("/").text
        page = browser.get("/operator/outbox").text
        assert "What arrived" in page
        assert world.subjects()[-1] in page
        assert "to chat" in page


def _write_mail(folder: Path, name: str, *, html: str = "", subject: str = "Go tonight") -> None:
    mail = EmailMessage()
    mail["Subject"], mail["To"] = subject, "you@example.org"
    mail.set_content("Leave by 18:10 <now>.")
    if html:
        mail.add_alternative(html, subtype="html")
        part = mail.get_body(("html",))
        assert part is not None
        part.add_related(b"\x89PNG", "image", "png", cid="<night@duskbell>")
    folder.mkdir(exist_ok=True)
    (folder / name).write_bytes(mail.as_bytes())


def test_mail_in_the_outbox_is_shown_with_its_pictures_and_nothing_from_elsewhere(
    world: World, browser: TestClient
) -> None:
    folder = world.duskbell.settings.outbox
    _write_mail(folder, "one.eml", html='<h1>Go</h1><img src="cid:night@duskbell" alt="The night">')
    sign_in_as_owner(browser)
    assert "Go tonight" in browser.get("/operator/outbox").text
    page = browser.get("/operator/outbox/one.eml").text
    assert "Leave by 18:10 &lt;now&gt;." in page
    shown = browser.get("/operator/outbox/one.eml/as-mail")
    assert re.search(r'src="data:image/png;base64,[A-Za-z0-9+/=]+"', shown.text)
    policy = shown.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "sandbox" in policy
    file = browser.get("/operator/outbox/one.eml/file")
    assert file.headers["Content-Disposition"].startswith("attachment")
    assert file.content == (folder / "one.eml").read_bytes()


@pytest.mark.parametrize(
    "name", ["none.eml", "..%2Fstore.sqlite3", "%2e%2e", "store.sqlite3", "big.eml", "notes.txt"]
)
def test_only_mails_and_posts_of_the_folder_itself_are_shown(
    world: World, browser: TestClient, name: str
) -> None:
    folder = world.duskbell.settings.outbox
    _write_mail(folder, "one.eml")
    (folder / "big.eml").write_bytes(b"Subject: large\r\n\r\n" + b"x" * 2_000_001)
    (folder / "notes.txt").write_text("not ours")
    sign_in_as_owner(browser)
    assert browser.get(f"/operator/outbox/{name}").status_code == 404
    assert browser.get(f"/operator/outbox/{name}/file").status_code == 404


def test_files_that_are_no_mail_are_listed_as_well_as_they_can_be(world: World, browser: TestClient) -> None:
    folder = world.duskbell.settings.outbox
    folder.mkdir(exist_ok=True)
    (folder / "chat.json").write_text(json.dumps({"type": "alert.go"}))
    (folder / "torn.json").write_text("{")
    (folder / "empty.eml").write_bytes(b"")
    os.utime(folder / "chat.json", (2_000_000_000, 2_000_000_000))
    sign_in_as_owner(browser)
    page = browser.get("/operator/outbox").text
    assert page.index("alert.go") < page.index("torn.json")
    assert "(no subject)" in page


def test_the_outbox_is_the_operators_alone(browser: TestClient) -> None:
    assert browser.get("/operator/outbox", follow_redirects=False).status_code == 303


def test_an_owner_whose_clock_is_not_known_lives_by_that_of_the_first_site(world: World) -> None:
    with world.duskbell.sessions.begin() as session:
        newcomer = PersonRow(name="", zone=UNKNOWN_ZONE, is_operator=False, created_at=GO_TIME)
        session.add(newcomer)
        session.flush()
        for name, zone in (("First", "Europe/Madrid"), ("Second", "Pacific/Apia")):
            site = Site(name, 40.3, -1.4, 900.0, zone)
            add_site(session, newcomer, site, elevation_known=True, now=GO_TIME)
        assert newcomer.zone == "Europe/Madrid"
