"""A night beyond the forecasts is a plan on its pages; a bare one says what comes and what else there is."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from service.store.schema.core_tables import PersonRow
from tests.integration.pipeline.world import World
from tests.integration.web.acting import browsing_as

FAR, BARE = "2027-08-30", "2027-12-01"


@pytest.fixture
def asking(world: World) -> World:
    """The world with real feeds, of which MET Norway's looks ten days ahead; nobody is asked here."""
    world.duskbell.invented_weather = None
    return world


@pytest.fixture
def owner(asking: World) -> Iterator[TestClient]:
    with asking.duskbell.sessions() as session:
        number = session.query(PersonRow.id).filter(PersonRow.is_operator).scalar()
    with browsing_as(asking, number) as browser:
        yield browser


def test_row_222_a_night_beyond_the_forecasts_is_a_plan_on_its_pages(owner: TestClient) -> None:
    page = owner.get(f"/sites/1/nights/{FAR}").text
    assert re.search(r"Too early for weather\s*</h1>", page)
    assert "First look Sat 21 August. The sky itself: dark" in page
    assert "Leave by" in page
    assert ">unknown</th>" not in page, "what nobody can know yet is no reason"
    field = owner.get(f"/sites/1/nights/{FAR}/field").text
    assert "<h1>Too early for weather</h1>" in field
    for heading in ("The evening", "Camera", "To pack"):
        assert f"<h2>{heading}</h2>" in field
    values = owner.get(f"/api/v1/sites/1/nights/{FAR}").json()
    assert (values["verdict"], values["first_look"]) == ("unknown", "2027-08-21")


def test_a_bare_night_says_when_the_next_window_comes_and_what_else_there_is(owner: TestClient) -> None:
    page = owner.get(f"/sites/1/nights/{BARE}").text
    assert "Next dark window here: " in page
    assert "Other targets that night: the Milky Way&#39;s band " in page
    values = owner.get(f"/api/v1/sites/1/nights/{BARE}").json()
    assert values["next_window"] > "2028-01-01"
    assert [each["target"] for each in values["other_targets"]] == ["band", "winter", "none"]
