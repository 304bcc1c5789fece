"""A night's pictures for any of its times and shapes."""

from __future__ import annotations

import re

import pytest
from fastapi.testclient import TestClient

NIGHT = "/sites/1/nights/2027-07-03"


def test_the_page_leads_to_a_picture_of_each_shape(played: TestClient) -> None:
    page = played.get(NIGHT).text
    links = re.findall(rf'href="({NIGHT}/\w+\.svg\?shape=\w+)"', page)
    assert len(links) > 1
    for link in links:
        drawn = played.get(link)
        assert drawn.headers["content-type"].startswith("image/svg+xml")
    assert len({played.get(link).text for link in links}) == len(links)


def test_a_picture_is_of_the_time_that_is_asked_for(played: TestClient) -> None:
    assert "at 00:40" in played.get(f"{NIGHT}/view.svg?at_time=00:40").text
    assert "at 00:40" not in played.get(f"{NIGHT}/view.svg").text


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ("at_time=13:00", "is not between sunset and sunrise"),
        ("at_time=soon", "is no time of day"),
        ("shape=ring", "is no shape of the Milky Way"),
        ("shape=overhead", "stand as a band overhead in this night"),
        ("shape=column&at_time=00:40", "Ask for a time or for a shape"),
    ],
)
def test_what_the_night_has_not_is_said(played: TestClient, asked: str, says: str) -> None:
    answer = played.get(f"{NIGHT}/view.svg?{asked}")
    assert answer.status_code == 400
    assert says in answer.text
