"""The first page of a fresh installation: the same steps as forms, for its owner alone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
import responses
from starlette.testclient import TestClient

from service.app import Duskbell
from service.store.repositories import browsers, people
from service.store.schema.core_tables import PersonRow
from service.web.app import build_app
from service.web.shared import sessions
from tests.integration.channels.channel_receivers import Receiver
from tests.integration.channels.mail_relays import Relay, running
from tests.integration.delivery.receivers import Hook, answer
from tests.integration.setup.conftest import Fresh
from tests.integration.setup.test_setup_command import PLACED, SAID, code_in, told
from tests.integration.web.browsing import HOST, owner_path

PLACE = {"step": "place", "name": "Windpump Flat", "at": "59 N, 10 E", "elevation_m": "63"}
FEEDS = {"step": "feeds", "contact": "you@example.org", "terms": "declared"}
WHO = {"step": "who", "mail": "you@example.org"}


@pytest.fixture
def wired(fresh: Fresh) -> Iterator[Duskbell]:
    duskbell = fresh.duskbell()
    yield duskbell
    duskbell.engine.dispose()


@pytest.fixture
def stranger(wired: Duskbell) -> Iterator[TestClient]:
    headers = {"Sec-Fetch-Site": "same-origin"}
    with TestClient(build_app(wired), base_url=HOST, headers=headers) as browser:
        yield browser


@pytest.fixture
def owner(stranger: TestClient, wired: Duskbell) -> TestClient:
    came = stranger.post(owner_path(wired), follow_redirects=False)
    assert (came.status_code, came.headers["location"]) == (303, "/setup")
    return stranger


def relay_form(relay: Relay, **more: str) -> dict[str, str]:
    return {
        "step": "relay",
        "host": "127.0.0.1",
        "port": str(relay.port),  # type: ignore[attr-defined]
        "security": "none",
        "user": "",
        "sender": "bell@example.org",
        **more,
    }


def came_of(page: Any) -> str:
    """What the page says of the form that was sent."""
    found = re.search(r'id="came">(.*?)</p>', page.text, re.DOTALL)
    assert found is not None, page.text
    return found[1]


def test_from_nothing_to_a_bell_that_its_reader_confirmed(
    owner: TestClient, fresh: Fresh, feeds: responses.RequestsMock, relay: Relay
) -> None:
    assert "Set Duskbell up" in owner.get("/setup").text
    assert "Kept." in came_of(owner.post("/setup", data=WHO))
    assert "Kept." in came_of(owner.post("/setup", data=FEEDS))
    placed = owner.post("/setup", data=PLACE)
    assert "MET Norway and Open-Meteo answered for Windpump Flat" in came_of(placed)
    sent = owner.post("/setup", data=relay_form(relay))
    assert "type the code that is in it" in came_of(sent)
    number = re.search(r'name="number" value="(\d+)"', sent.text)
    assert number is not None
    confirmed = owner.post("/setup", data={"step": "code", "number": number[1], "code": code_in(relay)()})
    assert "you@example.org is confirmed" in came_of(confirmed)
    assert "All is set." in confirmed.text
    assert told(fresh) == [("email", "Windpump Flat", True)]
    assert fresh.duskbell().settings.mail_from == "bell@example.org"


def test_what_is_kept_counts_at_once_in_the_running_service(
    owner: TestClient, wired: Duskbell, relay: Relay
) -> None:
    owner.post("/setup", data=WHO)
    owner.post("/setup", data=relay_form(relay))
    assert wired.settings.smtp_host == "127.0.0.1"
    channel = wired.delivery.channels["email"]
    assert channel.destination("") == f"relay 127.0.0.1:{relay.port}"  # type: ignore[attr-defined]


def test_row_192_strangers_see_one_sentence_and_the_way_for_its_owner(
    stranger: TestClient, fresh: Fresh, wired: Duskbell
) -> None:
    said = stranger.get("/").text
    assert "This Duskbell isn&#39;t set up yet" in said or "This Duskbell isn't set up yet" in said
    assert "Its owner opens the link that <code>duskbell serve</code> printed." in said
    refused = stranger.get("/setup", follow_redirects=False)
    assert (refused.status_code, "/sign-in" in refused.headers["location"]) == (303, True)
    assert stranger.post("/setup", data=FEEDS, follow_redirects=False).status_code == 303
    assert not fresh.file.exists()


def test_row_192_somebody_signed_in_who_is_not_the_operator_finds_nothing(
    stranger: TestClient, fresh: Fresh, wired: Duskbell
) -> None:
    now = wired.clock()
    with wired.sessions.begin() as session:
        friend = PersonRow(name="", zone="UTC", is_operator=False, created_at=now)
        session.add(friend)
        session.flush()
        token = browsers.start(session, friend.id, now)
    stranger.cookies.set(sessions.cookie_name(is_https=False), token)
    assert stranger.get("/setup").status_code == 404
    assert stranger.post("/setup", data=FEEDS).status_code == 404
    assert not fresh.file.exists()


def test_row_192_what_lets_somebody_in_needs_a_sign_in_of_just_now(
    owner: TestClient, wired: Duskbell, fresh: Fresh, relay: Relay
) -> None:
    later = wired.clock() + sessions.FRESH_FOR * 2
    wired.clock = lambda: later
    for form in (WHO, relay_form(relay), {"step": "phone"}):
        sent = owner.post("/setup", data=form, follow_redirects=False)
        assert sent.status_code == 303
    assert (relay.taken, fresh.file.exists()) == ([], False)
    assert "sign in once more" in owner.get("/setup").text
    assert "Kept." in came_of(owner.post("/setup", data=FEEDS))


def test_a_strangers_page_changes_once_it_is_set_up(stranger: TestClient, wired: Duskbell) -> None:
    assert "set up yet" in stranger.get("/").text
    wired.use(wired.settings.model_copy(update={"contact": "you@example.org"}))
    assert "When is a night worth the drive?" in stranger.get("/").text


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({**WHO, "mail": "nobody"}, "nobody"),
        ({**FEEDS, "contact": "somewhere"}, "contact"),
        ({**FEEDS, "terms": "key", "key": ""}, "Type the key"),
        ({"step": "feeds", "contact": "you@example.org"}, "Choose how Open-Meteo may be asked"),
        ({**PLACE, "at": "159, 10"}, "did you mean 10,159"),
        ({**PLACE, "at": "nowhere"}, "nowhere"),
        ({**PLACE, "name": ""}, "name is empty"),
        ({**PLACE, "elevation_m": "high"}, "is no number"),
    ],
)
def test_what_can_not_be_used_is_said_beside_its_form_and_nothing_is_kept(
    owner: TestClient, fresh: Fresh, form: dict[str, str], says: str
) -> None:
    sent = owner.post("/setup", data=form)
    assert sent.status_code == 400
    assert says in came_of(sent)
    assert "Nothing was kept." in came_of(sent)
    assert not fresh.file.exists()


def test_row_194_a_place_at_sea_is_asked_about_and_kept_once_it_is_sure(
    owner: TestClient, fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    at_sea = {**PLACE, "name": "Skerry", "at": "52.0, 3.5"}
    asked = owner.post("/setup", data=at_sea)
    assert "lies at sea" in came_of(asked)
    sure = re.search(r'name="sure" value="([^"]+)"', asked.text)
    assert sure is not None
    assert "Skerry at" not in owner.get("/setup").text
    kept = owner.post("/setup", data={**at_sea, "sure": sure[1]})
    assert "Skerry at 52.0000° N" in kept.text


def test_row_188_a_relay_that_refuses_is_not_kept_unless_its_owner_says_so(
    owner: TestClient, fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    owner.post("/setup", data=WHO)
    owner.post("/setup", data=PLACE)
    refusing = Relay(sender="550 5.7.1 not for you")
    with running(refusing) as server:
        refusing.port = server.port  # type: ignore[attr-defined]
        form = relay_form(refusing, user="ada", password="correct horse")
        sent = owner.post("/setup", data={**form, "user": "", "password": ""})
    assert "550 5.7.1 not for you" in came_of(sent)
    assert "Nothing was kept." in came_of(sent)
    assert "Keep it all the same" in sent.text
    assert fresh.duskbell().settings.smtp_host == ""
    kept = owner.post("/setup", data={**form, "do": "keep"})
    assert "correct horse" not in kept.text
    settings = fresh.duskbell().settings
    assert settings.smtp_host == "127.0.0.1"
    assert settings.smtp_password is not None
    assert told(fresh) == [("email", "Windpump Flat", True)]


def test_row_189_a_chat_that_answers_404_is_told(
    fresh: Fresh, feeds: responses.RequestsMock, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Receiver(Hook(lambda _: answer("404 Not Found")).script) as receiver:
        monkeypatch.setenv("DUSKBELL_WEBHOOK_ALLOW", f'["127.0.0.1:{receiver.port}"]')
        wired = fresh.duskbell()
        headers = {"Sec-Fetch-Site": "same-origin"}
        with TestClient(build_app(wired), base_url=HOST, headers=headers) as owner:
            owner.post(owner_path(wired))
            form = {"step": "chat", "form": "text", "url": f"http://127.0.0.1:{receiver.port}/secret-room"}
            sent = owner.post("/setup", data=form)
        wired.engine.dispose()
    assert "The service knows no such address" in came_of(sent)
    assert "secret-room" not in sent.text
    assert told(fresh) == []


def test_a_chat_that_was_confirmed_before_rings_at_once(
    fresh: Fresh, feeds: responses.RequestsMock, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Receiver(Hook().script) as receiver:
        monkeypatch.setenv("DUSKBELL_WEBHOOK_ALLOW", f'["127.0.0.1:{receiver.port}"]')
        wired = fresh.duskbell()
        headers = {"Sec-Fetch-Site": "same-origin"}
        with TestClient(build_app(wired), base_url=HOST, headers=headers) as owner:
            owner.post(owner_path(wired))
            form = {"step": "chat", "form": "text", "url": f"http://127.0.0.1:{receiver.port}/room"}
            waiting = owner.post("/setup", data=form)
            assert "The code in the message to" in waiting.text
            owner.post("/setup", data={"step": "code", "number": "1", "do": "vouch"})
            owner.post("/setup", data=PLACE)
            owner.post("/setup", data=form)
        wired.engine.dispose()
    assert told(fresh) == [("text", "Windpump Flat", True)]


def test_before_the_feeds_may_be_asked_a_place_is_kept_and_that_is_said(owner: TestClient) -> None:
    placed = owner.post("/setup", data=PLACE)
    assert "No feed was asked: they want to know whom they may write to." in came_of(placed)
    assert "Windpump Flat at 59.0000° N" in placed.text


def test_row_189_an_address_inside_is_not_called(owner: TestClient) -> None:
    form = {"step": "chat", "form": "text", "url": "https://127.0.0.1/room"}
    assert owner.post("/setup", data=form).status_code == 400


def test_only_here_rings_on_the_pages_and_in_the_outbox(
    owner: TestClient, fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    for form in (WHO, PLACE, {"step": "here"}):
        sent = owner.post("/setup", data=form)
    assert "The test message lies in" in came_of(sent)
    assert told(fresh) == [("email", "Windpump Flat", True)]


def test_row_185_what_the_environment_sets_is_shown_and_has_no_field(
    fresh: Fresh, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("CONTACT", "OPERATOR_EMAIL"):
        monkeypatch.setenv(f"DUSKBELL_{name}", "ops@example.org")
    monkeypatch.setenv("DUSKBELL_OPEN_METEO_NONCOMMERCIAL", "true")
    wired = fresh.duskbell()
    with TestClient(build_app(wired), base_url=HOST, headers={"Sec-Fetch-Site": "same-origin"}) as owner:
        owner.post(owner_path(wired))
        page = owner.get("/setup").text
        assert "set by DUSKBELL_CONTACT; setup can" in page
        assert "is set by DUSKBELL_OPEN_METEO_NONCOMMERCIAL" in page
        assert 'name="contact"' not in page
        assert 'name="terms"' not in page
    wired.engine.dispose()


@pytest.mark.parametrize("step", ["", "nothing", "code"])
def test_a_form_of_no_step_finds_nothing(owner: TestClient, step: str) -> None:
    assert owner.post("/setup", data={"step": step, "number": "7", "code": "abcdefgh"}).status_code == 404


def test_the_phone_gets_a_picture_of_a_link_that_signs_in_once(owner: TestClient, wired: Duskbell) -> None:
    shown = owner.post("/setup", data={"step": "phone"})
    assert "<svg" in shown.text.partition('class="qr"')[2]
    assert "a phone can&#39;t open it" in shown.text or "a phone can't open it" in shown.text
    with wired.sessions() as session:
        assert people.find_operator(session) is not None


def test_it_stays_reachable_from_the_operators_page_and_landing_is_for_the_first_time(
    owner: TestClient, wired: Duskbell, fresh: Fresh
) -> None:
    assert 'href="/setup"' in owner.get("/operator").text
    owner.post("/setup", data=FEEDS)
    came = owner.post(owner_path(wired), follow_redirects=False)
    assert came.headers["location"] == "/"


def test_set_up_by_the_command_the_page_shows_it_and_asks_nothing(
    owner: TestClient, fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    fresh.script(*SAID, *PLACED, "--only-here")
    page = owner.get("/setup").text
    assert "Windpump Flat at 59.0000° N, 10.0000° E, 63 m" in page
    assert "you@example.org" in page
