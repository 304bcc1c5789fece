"""How a night was, said on its page by those who were there."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from service.store.schema.core_tables import OutcomeRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, SUNDAY, World, open_world
from tests.integration.web.acting import browsing_as, new_person, share_site
from tests.integration.web.browsing import owner_browsing

NIGHT = "/sites/1/nights/2027-07-03"


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory, new_store: NewStore) -> Iterator[World]:
    """An installation on the Sunday after the Saturday that was a go."""
    folder = tmp_path_factory.mktemp("past")
    with open_world(folder, new_store(folder)) as world:
        for now in (START, ON_THE_DAY, GO_TIME, SUNDAY):
            world.cycle(now)
        yield world


@pytest.fixture
def morning_after(past: World) -> Iterator[TestClient]:
    with owner_browsing(past, shown_at=SUNDAY) as browser:
        yield browser


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("clear", "You said: clear."),
        ("partly", "You said: partly clear."),
        ("cloudy", "You said: cloudy."),
        ("did_not_go", "You said: you didn"),
    ],
)
def test_one_tap_says_it_and_the_last_word_counts(state: str, words: str, morning_after: TestClient) -> None:
    answer = morning_after.post(f"{NIGHT}/outcome", data={"state": state})
    assert answer.status_code == 200
    assert words in answer.text
    assert words.rstrip(".") in morning_after.get("/sites/1").text


def test_a_word_that_is_none_is_refused(morning_after: TestClient) -> None:
    answer = morning_after.post(f"{NIGHT}/outcome", data={"state": "splendid"})
    assert (answer.status_code, "Choose one of" in answer.text) == (400, True)


def test_a_night_that_is_still_to_come_can_not_be_told(played: TestClient) -> None:
    assert "How was it?" not in played.get(NIGHT).text
    answer = played.post(f"{NIGHT}/outcome", data={"state": "clear"})
    assert (answer.status_code, "over yet" in answer.text) == (400, True)


def test_only_those_who_were_told_or_own_the_site_are_asked(past: World) -> None:
    share_site(past)
    with browsing_as(past, new_person(past, "friend@example.org")) as friend:
        assert "How was it?" not in friend.get(NIGHT).text
        assert friend.post(f"{NIGHT}/outcome", data={"state": "clear"}).status_code == 404
    with past.duskbell.sessions() as session:
        reporters = {row.person_id for row in session.query(OutcomeRow) if row.person_id}
    assert reporters <= {1}


def test_the_sites_page_tells_how_a_night_turned_out_and_who_settled_it(world: World) -> None:
    for now in (START, ON_THE_DAY, GO_TIME, SUNDAY):
        world.cycle(now)
    with owner_browsing(world, shown_at=SUNDAY) as browser:
        browser.post(f"{NIGHT}/outcome", data={"state": "cloudy"})
        world.cycle(SUNDAY + timedelta(hours=1))
        page = browser.get("/sites/1").text
    assert "It wasn&#39;t clear, judged by people&#39;s reports. You said: cloudy." in page
