"""Rows 226 and 227: a place that looks like a slip is asked about before it is kept."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import func, select
from starlette.testclient import TestClient

from alerts.field.trip_plan import Home
from service.store.repositories import people
from service.store.schema.core_tables import PersonRow, SiteRevisionRow, SiteRow
from tests.integration.pipeline.world import World
from tests.integration.web.acting import browsing_as, new_person
from tests.integration.web.formreading import fields_of_form
from tests.integration.web.test_api import API, bearer

ASKED = "41.0000° N, 2.0000° E lies at sea. Did you mean 2.0000° N, 41.0000° E?"


def kept(world: World) -> list[tuple[str, float, float]]:
    """Name and place of every site but the first."""
    row, site = SiteRevisionRow, SiteRow
    with world.duskbell.sessions() as session:
        newest = select(func.max(row.id)).where(row.site_id > 1).group_by(row.site_id)
        query = select(site.name, row.facts).join(site, site.id == row.site_id).where(row.id.in_(newest))
        rows = session.execute(query.order_by(site.id)).all()
    return [(name, facts["site"]["lat_deg"], facts["site"]["lon_deg"]) for name, facts in rows]


def filled(browser: TestClient, path: str, **more: Any) -> dict[str, Any]:
    return {**fields_of_form(browser.get(path).text, ""), "do": "save", **more}


def test_row_226_a_new_site_at_sea_is_kept_only_with_the_tick(world: World) -> None:
    mine = new_person(world, "a@example.org")
    with browsing_as(world, mine) as browser:
        asked = browser.post("/sites/new", data=filled(browser, "/sites/new", name="Skerry", at="41, 2"))
        assert ASKED in asked.text
        assert kept(world) == []
        form = {**fields_of_form(asked.text, ""), "do": "save"}
        assert "sure" not in form, "the tick is the person's"
        again = browser.post("/sites/new", data=form)
        assert ASKED in again.text
        moved = browser.post("/sites/new", data={**form, "sure": "41.000000,2.000000", "at": "52, 3"})
        assert "52.0000° N, 3.0000° E lies at sea." in moved.text, "the tick holds for that place alone"
        answer = browser.post(
            "/sites/new", data={**form, "sure": "41.000000,2.000000"}, follow_redirects=False
        )
    assert answer.status_code == 303
    assert kept(world) == [("Skerry", 41.0, 2.0)]


def test_row_226_the_tick_stays_while_something_else_is_wrong(world: World) -> None:
    with browsing_as(world, new_person(world, "a@example.org")) as browser:
        form = filled(
            browser, "/sites/new", name="Skerry", at="41, 2", sure="41.000000,2.000000", do="preview"
        )
        shown = browser.post("/sites/new", data=form).text
    assert ASKED not in shown
    assert fields_of_form(shown, "")["sure"] == ["41.000000,2.000000"]


def test_row_226_the_swapped_pair_is_taken_by_a_tick(world: World) -> None:
    with browsing_as(world, new_person(world, "a@example.org")) as browser:
        asked = browser.post("/sites/new", data=filled(browser, "/sites/new", name="Hill", at="41, 2"))
        assert 'name="at" value="2.0, 41.0"' in asked.text
        form = {**fields_of_form(asked.text, ""), "do": "save"}
        browser.post("/sites/new", data={**form, "at": ["41, 2", "2.0, 41.0"]})
    assert kept(world) == [("Hill", 2.0, 41.0)]


def test_row_226_a_site_is_asked_about_when_it_moves_and_not_when_it_is_described(world: World) -> None:
    with browsing_as(world, new_person(world, "a@example.org")) as browser:
        form = filled(browser, "/sites/new", name="Skerry", at="41, 2", sure="41.000000,2.000000")
        assert browser.post("/sites/new", data=form, follow_redirects=False).status_code == 303
        described = filled(browser, "/sites/2/edit", notes="a lightship")
        assert browser.post("/sites/2/edit", data=described, follow_redirects=False).status_code == 303
        moved = browser.post("/sites/2/edit", data=filled(browser, "/sites/2/edit", at="52, 3"))
        assert "52.0000° N, 3.0000° E lies at sea." in moved.text
    assert kept(world) == [("Skerry", 41.0, 2.0)]


def test_row_226_a_place_far_from_ones_own_home_is_asked_about(world: World) -> None:
    mine = new_person(world, "a@example.org")
    with world.duskbell.sessions.begin() as session:
        people.set_home(session, session.get_one(PersonRow, mine), Home(40.4, -1.1))
    far = "1.4200° S, 40.3100° E lies 6,260 km from home. Did you mean 40.3100° N, 1.4200° W?"
    file = {"file": ("places.gpx", b'<gpx><wpt lat="-1.42" lon="40.31"><name>Hill</name></wpt></gpx>')}
    with browsing_as(world, mine) as browser:
        assert (
            far
            in browser.post(
                "/sites/new", data=filled(browser, "/sites/new", name="x", at="-1.42, 40.31")
            ).text
        )
        assert far in browser.post("/sites/import", files=file).text
    with browsing_as(world, new_person(world, "b@example.org")) as browser:
        assert far not in browser.post("/sites/import", files=file).text


def test_row_226_pasted_links_and_codes_are_read_on_the_page(world: World) -> None:
    with browsing_as(world, new_person(world, "a@example.org")) as browser:
        for name, at in {
            "Link": "https://maps.example.org/maps/@40.31,-1.42,15z",
            "Code": "8CGW8H6J+2X",
            "Letter": "40.31, 1.42W",
        }.items():
            browser.post("/sites/new", data=filled(browser, "/sites/new", name=name, at=at))
        short = browser.post(
            "/sites/new", data=filled(browser, "/sites/new", name="x", at="https://m.example/ab1")
        )
    assert [(round(lat, 2), round(lon, 2)) for _, lat, lon in kept(world)] == [(40.31, -1.42)] * 3
    assert "That link holds no coordinates" in short.text


def test_row_227_doubtful_places_of_a_file_are_listed_and_not_ticked(world: World) -> None:
    points = {"Hill": (40.5, -1.2), "Skerry": (41.0, 2.0)}
    waypoints = "".join(
        f'<wpt lat="{lat}" lon="{lon}"><name>{name}</name></wpt>' for name, (lat, lon) in points.items()
    )
    file = {"file": ("places.gpx", f"<gpx>{waypoints}</gpx>".encode())}
    with browsing_as(world, new_person(world, "a@example.org")) as browser:
        listed = browser.post("/sites/import", files=file).text
        assert ASKED in listed
        assert "1 place may not be where you mean" in listed
        form = fields_of_form(listed, "/sites/import/keep")
        assert form["keep"] == ["1"]
        browser.post("/sites/import/keep", data=form)
        assert [name for name, *_ in kept(world)] == ["Hill"]
        browser.post("/sites/import/keep", data={**form, "keep": ["2"]})
    assert [name for name, *_ in kept(world)] == ["Hill", "Skerry"]


@pytest.fixture
def key(played_world: World) -> dict[str, str]:
    return bearer(played_world)


def test_row_226_a_program_is_told_and_says_that_it_is_sure(played: TestClient, key: dict[str, str]) -> None:
    for place in ({"lat": 41, "lon": 2}, {"at": "41N 2E"}):
        asked = played.post(f"{API}/judge", headers=key, json={"site": place})
        assert asked.status_code == 422
        assert asked.json()["detail"] == f'{ASKED} Say "sure": true if that is the place.'
        sure = played.post(f"{API}/judge", headers=key, json={"site": {**place, "sure": True}})
        assert sure.status_code == 200


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ({"at": "2.19263W"}, "is a longitude alone"),
        ({"at": "40.31,-1.42", "lat": 40.31}, "say where"),
        ({"lat": 40.31}, "say where"),
        ({}, "say where"),
    ],
)
def test_row_225_a_program_is_told_what_is_wrong_with_coordinates(
    played: TestClient, key: dict[str, str], place: dict[str, Any], said: str
) -> None:
    answer = played.post(f"{API}/judge", headers=key, json={"site": place})
    assert answer.status_code == 422
    assert said in answer.json()["errors"][0]["what"]
