"""Who wished for a 12-hour clock and other units reads them wherever times of their sites stand."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from alerts.wishes.model import DEFAULT_WISHES, UnitWishes
from service.demo.play import SATURDAY
from service.store.json_values import to_json
from service.store.repositories import subscriptions
from service.store.schema.core_tables import SubscriptionRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, SUNDAY, World, open_world
from tests.integration.web.browsing import owner_browsing

ON_24 = re.compile(r"(?<![\d:-])(?:[01]\d|2[0-3]):[0-5]\d(?![\d:]| [ap]m)")
NIGHT = f"/sites/1/nights/{SATURDAY}"


@pytest.fixture(scope="module")
def twelve(tmp_path_factory: pytest.TempPathFactory, new_store: NewStore) -> Iterator[World]:
    folder = tmp_path_factory.mktemp("twelve")
    with open_world(folder, new_store(folder)) as world:
        for now in (START, ON_THE_DAY, GO_TIME):
            world.cycle(now)
        wishes = to_json(replace(DEFAULT_WISHES, units=UnitWishes(clock_hours=12)))
        with world.duskbell.sessions.begin() as session:
            for row in session.query(SubscriptionRow):
                row.wishes = wishes
        yield world


@pytest.fixture
def reader(twelve: World) -> Iterator[TestClient]:
    with owner_browsing(twelve, shown_at=GO_TIME) as browser:
        yield browser


def words_of(html: str) -> str:
    """What is read: without tags, and without the sources' issue times, which are in UTC everywhere."""
    text = re.sub(r"<[^>]+>", " ", html)
    return re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d UTC", "", text)


@pytest.mark.parametrize("path", ["/", "/sites/1", NIGHT, f"{NIGHT}/field", "/compare", "/sites/1/season"])
def test_no_time_of_the_site_is_on_24_hours(path: str, reader: TestClient) -> None:
    text = words_of(reader.get(path).text)
    assert [text[max(0, m.start() - 30) : m.end() + 10] for m in ON_24.finditer(text)] == []
    assert " pm" in text


def test_what_was_told_is_on_the_wished_clock(reader: TestClient) -> None:
    page = reader.get("/sites/1").text
    assert "Go, Sat 7:07 pm CEST, " in page
    assert "It rang: a heads-up on Wed 30 June, 6:07 pm CEST" in reader.get(NIGHT).text


def test_what_one_said_of_a_night_is_on_the_wished_clock(twelve: World) -> None:
    with owner_browsing(twelve, shown_at=SUNDAY) as browser:
        form = {"state": "partly", "from": "23:30", "to": "01:15"}
        page = browser.post(f"{NIGHT}/outcome", data=form).text
    assert "partly clear, 11:30 pm–1:15 am CEST" in page


def test_the_first_page_says_when_to_leave_on_the_clock_one_lives_by(world: World, owner: TestClient) -> None:
    with world.duskbell.sessions.begin() as session:
        for row in session.query(SubscriptionRow):
            subscriptions.change_wishes(session, row, replace(DEFAULT_WISHES, clock_zone="Europe/London"))
    for now in (START, ON_THE_DAY, GO_TIME):
        world.cycle(now)
    assert "Leave by <strong>20:11 BST</strong>" in owner.get("/").text
    assert "Leave by <strong>20:11 BST</strong>" in owner.get(NIGHT).text
