"""The operator's pages: what runs, what was sent and decided; and that nobody else sees them."""

from __future__ import annotations

import re

import pytest
from starlette.testclient import TestClient

from service.store.repositories.messages import UNSETTLED
from service.store.schema.core_tables import MessageRow
from service.store.schema.delivery_tables import TroubleRow
from tests.integration.pipeline.world import MAIL, START, World
from tests.integration.web.acting import browsing_as, new_person

PAGES = ("/operator", "/operator/messages", "/operator/outbox", "/operator/decisions", "/operator/people")


@pytest.mark.parametrize("path", PAGES)
def test_to_everyone_else_the_pages_do_not_exist(path: str, world: World, stranger: TestClient) -> None:
    assert stranger.get(path, follow_redirects=False).status_code == 303
    with browsing_as(world, new_person(world, "friend@example.org")) as friend:
        assert friend.get(path).status_code == 404
        assert path.partition("/operator")[1] not in friend.get("/").text


@pytest.mark.parametrize("path", PAGES)
def test_the_part_that_one_reads_is_marked(path: str, played: TestClient) -> None:
    (parts,) = re.findall(r'<nav class="sub".*?</nav>', played.get(path).text)
    assert re.findall(r'href="([^"]+)" aria-current="page"', parts) == [path]


def test_a_decision_is_marked_as_one_of_the_decisions(played: TestClient) -> None:
    assert 'href="/operator/decisions" aria-current="page"' in played.get("/operator/decisions/1").text


def test_before_anything_happened_the_pages_say_so(owner: TestClient) -> None:
    assert "No cycle has finished yet" in owner.get("/operator").text
    assert "No messages" in owner.get("/operator/messages").text
    assert "Nothing was decided that fits" in owner.get("/operator/decisions").text


def test_the_overview_tells_of_the_cycle_the_feeds_and_what_waits(played: TestClient) -> None:
    page = played.get("/operator").text
    assert "judged as of 2027-07-03 17:07 UTC" in page
    assert '/operator/messages?status=sent"' in page
    assert "Open-Meteo" in page or "open-meteo" in page


def test_troubles_stand_on_top(world: World, owner: TestClient) -> None:
    with world.duskbell.sessions.begin() as session:
        trouble = TroubleRow(
            key="test", since=world.wall, last_at=world.wall, text="The relay takes nothing."
        )
        session.add(trouble)
    assert "The relay takes nothing." in owner.get("/operator").text


def test_messages_can_be_looked_through_without_a_whole_address(played: TestClient) -> None:
    page = played.get("/operator/messages?status=sent").text
    assert MAIL not in page
    assert "go: Windpump Flat, Sat 3 July" in page
    (path, *_) = re.findall(r"/operator/messages/[\w-]+", page)
    one = played.get(path).text
    assert "Attempts" in one
    assert "Send once more" in one
    assert played.get("/operator/messages/no-such-message").status_code == 400
    assert played.get("/operator/messages?status=nonsense").status_code == 200


def test_a_message_is_sent_again_only_when_that_is_meant(world: World, owner: TestClient) -> None:
    world.cycle(START)
    (path, *_) = re.findall(r"/operator/messages/[\w-]+", owner.get("/operator/messages?status=sent").text)
    refused = owner.post(path, data={"do": "resend"})
    assert refused.status_code == 400
    assert owner.post(path, data={"do": "resend", "again": "on"}).status_code == 200
    assert owner.post(path, data={"do": "burn"}).status_code == 400
    with world.duskbell.sessions() as session:
        row = session.get_one(MessageRow, path.rpartition("/")[2])
        assert row.status in UNSETTLED


SEARCHES = {
    "by a part of the name": ("site=windpump", True),
    "by another name": ("site=nowhere", False),
    "by its night": ("night=2027-07-03", True),
    "by another night": ("night=2026-01-01", False),
    "by its verdict": ("verdict=go", True),
    "by a verdict that nobody gave": ("verdict=maybe", False),
    "older than the first": ("before=1", False),
    "a name that is a pattern": ("site=%25", False),
}


@pytest.mark.parametrize(("query", "is_found"), SEARCHES.values(), ids=SEARCHES)
def test_decisions_are_searched(query: str, is_found: bool, played: TestClient) -> None:
    page = played.get(f"/operator/decisions?{query}").text
    assert ("/operator/decisions/" in page) == is_found


def test_a_decision_is_explained_with_its_forecasts_and_wishes(played: TestClient) -> None:
    page = played.get("/operator/decisions?verdict=go").text
    (path, *_) = re.findall(r"/operator/decisions/\d+", page)
    one = played.get(path).text
    for said in (
        "Why",
        "Forecasts behind it",
        "The wishes it was judged by",
        "lark",
        "&#34;chance_go_pct&#34;",
    ):
        assert said in one


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/operator/decisions?night=soon", 400),
        ("/operator/decisions?before=-1", 400),
        ("/operator/decisions/999999999", 404),
        ("/operator/decisions/99999999999999999999", 404),
    ],
)
def test_what_is_not_there_is_said(path: str, status: int, played: TestClient) -> None:
    assert played.get(path).status_code == status


def test_people_are_counted_without_telling_who_they_are(world: World, owner: TestClient) -> None:
    new_person(world, "secretive@example.org")
    page = owner.get("/operator/people").text
    assert "the operator" in page
    assert "secretive@example.org" not in page
    assert "s…@example.org" in page


def test_a_feed_that_rests_can_be_asked_again(owner: TestClient) -> None:
    assert owner.post("/operator/feeds/metno/ask-again", follow_redirects=False).status_code == 303
    assert owner.post("/operator/feeds/tea-leaves/ask-again").status_code in (303, 400)
