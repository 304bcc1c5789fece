"""The briefing for use in the dark: what it says, that it is dark and dim, and complete in itself."""

from __future__ import annotations

import re

import pytest
from starlette.testclient import TestClient

from service.web.shared.assets import read_asset
from tests.integration.pipeline.world import World
from tests.integration.web.acting import browsing_as, new_person, share_site

FIELD = "/sites/1/nights/2027-07-03/field"


def test_it_says_what_the_field_needs(played: TestClient) -> None:
    page = played.get(FIELD).text
    said = (
        "Leave by",
        "21:11 CEST",
        "Window opens",
        "Camera",
        "To pack",
        "Chance of cloud",
        "rescue services",
    )
    assert [words for words in said if words not in page] == []


@pytest.mark.parametrize("address", [FIELD, FIELD.removesuffix("/field")])
def test_the_camera_is_two_recipes_and_the_land_and_why_is_folded_away(
    played: TestClient, address: str
) -> None:
    page = played.get(address).text
    start, end = page.index("Sharp stars, to be stacked: eight frames of"), page.index("By compass: magnetic")
    camera = page[start:end]
    assert "One frame: " in camera
    assert "The land for itself: " in camera
    assert "° magnetic" in page
    folded = re.search(r"<details><summary>Why these settings</summary><p>([^<]+)</p></details>", page)
    assert folded is not None
    assert "is what the rule of 500 gives" in folded[1]


def test_a_night_to_stay_home_has_its_sky_and_says_why_there_is_no_plan(played: TestClient) -> None:
    page = played.get("/sites/1/nights/2027-07-16/field").text
    assert "Stay home" in page
    assert "nobody would drive out" in page


def test_others_see_it_without_the_trip_and_strangers_not_at_all(world: World, stranger: TestClient) -> None:
    assert stranger.get(FIELD).status_code == 404
    share_site(world)
    with browsing_as(world, new_person(world, "friend@example.org")) as friend:
        page = friend.get(FIELD).text
    assert "Leave by" not in page
    assert "made for who is told about this site" in page


def test_it_needs_one_stylesheet_one_script_and_nothing_else(played: TestClient) -> None:
    page = played.get(FIELD).text
    wanted = re.findall(r'(?:src|href)="([^"]+)"', page)
    assert sorted(re.sub(r"/\w{12}/", "/…/", each) for each in wanted) == [
        "/icon.svg", "/sites/1/nights/2027-07-03", "/static/…/field.css", "/static/…/field.js",
    ]  # fmt: skip
    assert not re.search(r"<style|style=|<img|url\(", page)


def luminance(colour: str) -> float:
    """Relative luminance of `#rrggbb`; WCAG 2.2."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("name", ["amber", "dim"])
def test_its_text_is_dim_amber_on_black_and_still_meets_contrast(name: str) -> None:
    style = read_asset("field.css").decode()
    colour = re.findall(rf"--{name}: (#\w{{6}})", style)[0]
    contrast = (luminance(colour) + 0.05) / (luminance("#000000") + 0.05)
    assert 4.5 <= contrast <= 7
    red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    assert red > green > blue


def test_nothing_on_the_screen_is_brighter_than_its_text() -> None:
    screen = read_asset("field.css").decode().partition("@media print")[0]
    colours = re.findall(r"#\w{6}\b", screen)
    assert max(map(luminance, colours)) < 0.25
    assert "#fff" not in screen
    assert "background: #000" in screen


def test_the_worker_is_at_the_top_and_looks_at_field_pages_alone(played: TestClient) -> None:
    worker = played.get("/field-worker.js")
    assert (worker.status_code, worker.headers["cache-control"]) == (200, "no-cache")
    assert worker.headers["content-type"].startswith("text/javascript")
    assert "/field$/" in worker.text
