"""A night's page argues for those whose wishes were judged; a stranger reads nothing of it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from service.demo.play import SATURDAY
from tests.integration.pipeline.world import GO_TIME, World
from tests.integration.web.acting import share_site
from tests.integration.web.browsing import browsing

PAGE = f"/sites/1/nights/{SATURDAY}"


@pytest.fixture
def shared(played_world: World) -> Iterator[TestClient]:
    """A stranger's browser over the same installation, its site shared."""
    share_site(played_world)
    with browsing(played_world, shown_at=GO_TIME) as browser:
        yield browser
    share_site(played_world, is_shared=False)


def test_the_owner_reads_why_it_rang_and_how_it_went(played: TestClient) -> None:
    page = played.get(PAGE).text
    assert "Why it rang" in page
    assert "It rang: a heads-up on Wed 30 June, 18:07 CEST and a go on Sat 3 July, 19:07 CEST." in page
    assert "Told: a go." in page
    assert "the newest run" in page


def test_a_silent_night_says_why_it_did_not_ring(played: TestClient) -> None:
    page = played.get("/sites/1/nights/2027-07-05").text
    assert "Why didn't it ring?" in page
    assert "It hasn&#39;t rung: " in page


def test_a_stranger_reads_nothing_of_what_others_were_told(shared: TestClient) -> None:
    page = shared.get(PAGE).text
    assert "You aren&#39;t told about this site, so nothing could ring." in page
    for private in ("It rang", "Told: a go", "How it went"):
        assert private not in page
