"""How it was, by the link in the go: without signing in, by the POST alone, one voice a person and night."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from email.message import EmailMessage
from pathlib import Path

import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from service.demo.play import SATURDAY
from service.hindsight.outcome_reports import Voice, find_said
from service.store.repositories import judged_events
from service.store.repositories.tokens import Purpose, standing_links
from service.store.schema.core_tables import AddressRow, OutcomeRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, SUNDAY, World, open_world
from tests.integration.web.browsing import browsing, owner_browsing

LINK = re.compile(r"https?://[^/\s\"]+(/how-was-it/[^\s\"<]+)")


@pytest.fixture(scope="module")
def played_by_mail(tmp_path_factory: pytest.TempPathFactory, new_store: NewStore) -> Iterator[World]:
    folder: Path = tmp_path_factory.mktemp("told")
    with open_world(folder, new_store(folder)) as world:
        for now in (START, ON_THE_DAY, GO_TIME, SUNDAY):
            world.cycle(now)
        yield world


@pytest.fixture
def world(played_by_mail: World) -> World:
    """With nothing said yet."""
    with played_by_mail.duskbell.sessions.begin() as session:
        for row in session.scalars(select(OutcomeRow).where(OutcomeRow.judge == judged_events.PERSON)):
            session.delete(row)
    return played_by_mail


@pytest.fixture
def reader(world: World) -> Iterator[TestClient]:
    """Whoever opened the mail on the Sunday; signed in as nobody."""
    with browsing(world, shown_at=SUNDAY) as browser:
        yield browser


def body_of(mail: EmailMessage, kind: str) -> str:
    part = mail.get_body((kind,))
    assert part is not None
    return str(part.get_content())


def go_mail(world: World) -> EmailMessage:
    (mail,) = (mail for _, mail in world.box.mails if " Go " in str(mail["Subject"]))
    return mail


def link_of(world: World) -> str:
    found = LINK.search(body_of(go_mail(world), "plain"))
    assert found is not None
    return found[1]


def said(world: World) -> list[OutcomeRow]:
    with world.duskbell.sessions() as session:
        query = select(OutcomeRow).where(OutcomeRow.judge == judged_events.PERSON).order_by(OutcomeRow.id)
        return list(session.scalars(query))


def test_the_go_carries_the_link_in_both_its_parts_and_no_other_mail_does(world: World) -> None:
    link = link_of(world)
    assert link.endswith(f"/1/{SATURDAY}")
    assert link in body_of(go_mail(world), "html")
    others = [mail for _, mail in world.box.mails if mail is not go_mail(world)]
    assert others
    assert not any(LINK.search(body_of(mail, "plain")) for mail in others)


def test_a_group_is_led_to_the_nights_page_and_to_nobodys_link(world: World) -> None:
    posts = [post for _, post in world.room.posts]
    (go,) = (post for post in posts if post["type"] == "alert.go")
    page = f"/sites/1/nights/{SATURDAY}"
    assert go["data"]["alerts"][0]["outcome_url"].endswith(page)
    assert page in go["data"]["text"]
    assert not any("how-was-it" in str(post) for post in posts)


def test_a_get_shows_the_buttons_and_changes_nothing(world: World, reader: TestClient) -> None:
    before = said(world)
    for _ in range(3):
        page = reader.get(link_of(world))
        assert page.status_code == 200
        reader.head(link_of(world))
    assert said(world) == before == []
    assert "Windpump Flat, night of Saturday 3 July 2027" in page.text
    assert [f'value="{state}"' in page.text for state in ("clear", "partly", "cloudy", "did_not_go")] == [
        True
    ] * 4
    assert f'action="{link_of(world)}"' in page.text
    assert page.headers["Referrer-Policy"] == "same-origin"
    assert page.headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"state": "clear"}, "You said: clear."),
        ({"state": "cloudy"}, "You said: cloudy."),
        ({"state": "did_not_go"}, "You said: you didn&#39;t go."),
        (
            {"state": "partly", "from": "23:30", "to": "01:15", "toward": "180"},
            "You said: partly clear, 23:30–01:15 CEST, toward the south.",
        ),
        ({"state": "clear", "from": "", "to": "", "toward": ""}, "You said: clear."),
    ],
    ids=["clear", "cloudy", "didn't go", "partly, when and where", "nothing filled in"],
)
def test_one_tap_keeps_it(form: dict[str, str], words: str, world: World, reader: TestClient) -> None:
    answer = reader.post(link_of(world), data=form)
    assert answer.status_code == 200
    assert "Kept, thank you." in answer.text
    assert words in answer.text
    (row,) = said(world)
    assert (row.state, row.night_name, row.site_id) == (form["state"], SATURDAY, 1)
    assert words.rstrip(".") in reader.get(link_of(world)).text


def test_a_later_word_stands_in_for_the_earlier_and_both_are_kept(world: World, reader: TestClient) -> None:
    for state in ("clear", "cloudy", "cloudy"):
        reader.post(link_of(world), data={"state": state})
    rows = said(world)
    assert [row.state for row in rows] == ["clear", "cloudy", "cloudy"]
    with world.duskbell.sessions() as session:
        last = find_said(session, Voice(1, SATURDAY, rows[0].person_id or 0))
        (outcome,) = judged_events.outcomes_of_night(session, 1, SATURDAY)
    assert last is not None
    assert last.seen.value == "cloudy"
    assert (outcome.state.value, str(outcome.why)) == ("not_clear", "1 of 1 who were there say so")


def test_what_is_said_is_judged_at_once_and_told_on_the_nights_page(world: World, reader: TestClient) -> None:
    reader.post(link_of(world), data={"state": "clear"})
    with owner_browsing(world, shown_at=SUNDAY) as owner:
        page = owner.get(f"/sites/1/nights/{SATURDAY}").text
    assert "What it was like" in page
    assert "it was clear, judged by people&#39;s reports" in page


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"state": "splendid"}, "Choose one of"),
        ({}, "Choose one of"),
        ({"state": "partly", "from": "23:30"}, "go together"),
        ({"state": "partly", "from": "02:00", "to": "23:00"}, "swap them"),
        ({"state": "partly", "from": "late", "to": "later"}, "is no time"),
        ({"state": "cloudy", "from": "23:00", "to": "23:30"}, "choose clear or partly clear"),
        ({"state": "clear", "toward": "south"}, "is no direction"),
        ({"state": "clear", "toward": "nan"}, "between 0 and 360"),
        ({"state": "clear", "toward": "400"}, "between 0 and 360"),
    ],
    ids=lambda value: str(value)[:40],
)
def test_what_cannot_be_read_is_refused_in_words_and_not_kept(
    form: dict[str, str], says: str, world: World, reader: TestClient
) -> None:
    answer = reader.post(link_of(world), data=form)
    assert answer.status_code == 400
    assert says in answer.text
    assert said(world) == []


def test_before_the_evening_nothing_can_be_said(world: World) -> None:
    with browsing(world, shown_at=datetime(2027, 7, 3, 12, tzinfo=START.tzinfo)) as early:
        answer = early.post(link_of(world), data={"state": "clear"})
    assert (answer.status_code, "lies ahead" in answer.text) == (400, True)


def test_said_before_the_window_it_is_kept_and_not_counted(world: World) -> None:
    with browsing(world, shown_at=GO_TIME) as early:
        assert early.post(link_of(world), data={"state": "cloudy"}).status_code == 200
    world.cycle(SUNDAY + timedelta(hours=1))
    with world.duskbell.sessions() as session:
        (outcome,) = judged_events.outcomes_of_night(session, 1, SATURDAY)
    (voice,) = (each for each in outcome.accounts if each.judge.value == "people")
    assert (voice.counts, str(voice.why)) == (False, "said before the night could be judged")


def test_a_link_opens_only_what_its_address_was_told_of(world: World, reader: TestClient) -> None:
    link = link_of(world)
    token = link.split("/")[2]
    with world.duskbell.sessions.begin() as session:
        (address_id,) = session.scalars(select(AddressRow.id).where(AddressRow.channel == "email"))
        keys, wall = world.duskbell.keys, world.wall
        others = [
            standing_links(session, keys, purpose, [address_id], wall)[address_id]
            for purpose in (Purpose.UNSUBSCRIBE, Purpose.MANAGE)
        ]
    wrong = [
        f"/how-was-it/{token}/1/2027-07-01",
        f"/how-was-it/{token}/2/{SATURDAY}",
        f"/how-was-it/guess/1/{SATURDAY}",
        *(f"/how-was-it/{other}/1/{SATURDAY}" for other in others),
        f"/unsubscribe/{token}",
    ]
    pages = {(answer.status_code, answer.text) for answer in map(reader.get, wrong)}
    assert len(pages) == 1
    assert pages.pop()[0] == 404
    assert reader.post(wrong[0], data={"state": "clear"}).status_code == 404
    assert said(world) == []


def test_another_sites_page_can_not_press_the_button(world: World) -> None:
    with browsing(world, shown_at=SUNDAY) as victim:
        answer = victim.post(
            link_of(world), data={"state": "cloudy"}, headers={"Sec-Fetch-Site": "cross-site"}
        )
    assert answer.status_code == 403
    assert said(world) == []
