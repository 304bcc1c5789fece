"""Every page is valid HTML: read by html5lib, which reports what the standard calls a parse error."""

from __future__ import annotations

import re
from collections.abc import Iterator

import html5lib
import pytest
from starlette.testclient import TestClient

from tests.integration.pipeline.world import GO_TIME, World
from tests.integration.web.acting import browsing_as, new_person, share_site
from tests.integration.web.browsing import browsing
from tests.integration.web.formreading import read_page

NIGHT = "/sites/1/nights/2027-07-03"
OWNERS = (
    "/", "/sites/1", NIGHT, "/sites/1/nights/2027-07-16", f"{NIGHT}/field", "/sites/1/season", "/compare",
    "/compare?site=1&from=2027-07-10&to=2027-07-01", "/sites/new", "/sites/1/edit", "/sites/import",
    "/sites/1/subscribe?another=true", "/subscriptions/1", "/sites/1/subscribed", "/me", "/me?said=tested",
    "/feeds", "/operator", "/operator/messages", "/operator/outbox", "/operator/decisions",
    "/operator/decisions/1", "/operator/people", "/sign-in", "/nothing", "/sites/1/nights/1800-01-01",
)  # fmt: skip
STRANGERS = ("/", "/sites/1", NIGHT, "/sites/1/subscribe", "/sign-in", "/sign-in/x", "/confirm/x")
LABELLED = ("input", "select", "textarea")


def faults_of(html: str) -> list[str]:
    parser = html5lib.HTMLParser(namespaceHTMLElements=False)
    parser.parse(html)
    return [f"{code} {facts} at {at}" for at, code, facts in parser.errors]


def other_faults(html: str) -> list[str]:
    """What html5lib lets pass: ids given twice, fields without a label, references to nothing."""
    page = read_page(html)
    ids = [each.get("id", "") for each in page.iter() if each.get("id")]
    labels = {each.get("for") for each in page.iter("label")}
    wrapped = {id(field) for label in page.iter("label") for field in label.iter() if field.tag in LABELLED}
    faults = [f"id {name!r} twice" for name in set(ids) if ids.count(name) > 1]
    for each in page.iter():
        if each.tag in LABELLED and each.get("type") != "hidden" and id(each) not in wrapped:
            faults += [] if each.get("id") in labels else [f"no label for {each.attrib}"]
        named = f"{each.get('aria-labelledby', '')} {each.get('aria-describedby', '')}".split()
        faults += [f"nothing is called {name!r}" for name in named if name not in ids]
    return faults


@pytest.fixture
def friend(played_world: World) -> Iterator[TestClient]:
    with browsing_as(played_world, new_person(played_world, "nobody@example.org")) as browser:
        yield browser


@pytest.mark.parametrize("path", OWNERS)
def test_an_owners_page_is_valid(path: str, played: TestClient) -> None:
    page = played.get(path).text
    assert [*faults_of(page), *other_faults(page)] == []


def test_pages_for_strangers_are_valid(played_world: World) -> None:
    share_site(played_world)
    with browsing(played_world, shown_at=GO_TIME) as browser:
        for path in STRANGERS:
            page = browser.get(path).text
            assert [*faults_of(page), *other_faults(page)] == []


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("/sites/new", {"name": "", "at": "nowhere", "do": "save"}),
        ("/sites/new", {"name": "Hill", "at": "67.5, 25", "months": "7", "do": "preview"}),
        ("/sites/new", {"name": "Skerry", "at": "41, 2", "months": "7", "do": "save"}),
        ("/subscriptions/1", {"shortest": "a while", "kit": "x", "trips": "y", "do": "save"}),
        ("/me", {"zone": "Moon"}),
    ],
    ids=["faulty site", "preview", "a place at sea", "faulty wishes", "faulty zone"],
)
def test_a_page_that_answers_a_form_is_valid(path: str, form: dict[str, str], played: TestClient) -> None:
    page = played.post(path, data=form).text
    assert [*faults_of(page), *other_faults(page)] == []


def test_an_empty_page_is_valid_and_says_what_to_do(friend: TestClient) -> None:
    page = friend.get("/").text
    assert [*faults_of(page), *other_faults(page)] == []
    assert re.search(r'href="/sites/new">Add a site', page)


def test_the_page_after_asking_for_a_link_is_valid(stranger: TestClient) -> None:
    page = stranger.post("/sign-in", data={"email": "nobody@example.org"}).text
    assert [*faults_of(page), *other_faults(page)] == []
