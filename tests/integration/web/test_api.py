"""The JSON API: what it answers, to whom, and how it refuses."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from starlette.testclient import TestClient

from alerts.track.observations.coded_reports import read_metar
from alerts.track.observations.evidence import SkyReport, Station
from alerts.track.observations.stations import METAR, Observed
from service.accounts import access
from service.observations.model import Heard
from service.store.repositories.people import get_operator
from service.store.repositories.rate_limits import LIMITS
from service.store.repositories.sites import share_site
from service.store.schema.core_tables import PersonRow, SiteRow
from tests.integration.pipeline.world import GO_TIME, START, World
from tests.integration.web.browsing import browsing

API = "/api/v1"
FLAT = {"lat": 40.31, "lon": -1.42, "elevation_m": 1180}


def bearer(world: World, label: str = "test") -> dict[str, str]:
    with world.duskbell.sessions.begin() as session:
        operator = get_operator(session, zone="UTC", now=START)
        return {"Authorization": f"Bearer {access.make_api_key(session, operator.id, label, START)}"}


@pytest.fixture(scope="module")
def key(played_world: World) -> dict[str, str]:
    return bearer(played_world)


def test_a_key_opens_what_its_owner_sees(played: TestClient, key: dict[str, str]) -> None:
    played.cookies.clear()
    answer = played.get(f"{API}/sites", headers=key)
    (site,) = answer.json()["items"]
    assert (site["name"], site["lat"], site["lon"], site["rounded"]) == ("Windpump Flat", 40.31, -1.42, False)
    assert answer.json()["next"] is None


def test_the_coming_nights_have_their_verdicts(played: TestClient, key: dict[str, str]) -> None:
    found = played.get(f"{API}/sites/1/nights", headers=key).json()
    first = found["nights"][0]
    assert (first["night"], first["verdict"]) == ("2027-07-03", "go")
    assert first["leave_by"] == "2027-07-03T19:11:59Z"
    assert [night["verdict"] for night in found["nights"]].count(None) >= 8
    assert len(found["nights"]) == 14


def test_a_night_is_the_object_that_the_command_prints(played: TestClient, key: dict[str, str]) -> None:
    found = played.get(f"{API}/sites/1/nights/2027-07-03", headers=key).json()
    assert found["verdict"] == "go"
    assert found["site"]["name"] == "Windpump Flat"
    assert found["reasons"][0]["result"] == "pass"
    assert len(found["outlook"]["per_source"]) == 3


def test_a_season_and_a_comparison(played: TestClient, key: dict[str, str]) -> None:
    season = played.get(f"{API}/sites/1/season?year=2027", headers=key).json()
    assert 140 < len(season["nights"]) < 170
    compared = played.get(f"{API}/compare?from=2027-07-03&to=2027-07-06", headers=key).json()
    assert compared["nights"][0]["verdict"] == "go"
    assert (compared["sort"], compared["nights"][0]["drive_minutes"]) == ("worth", 90)
    by_date = played.get(f"{API}/compare?from=2027-07-03&to=2027-07-06&sort=date", headers=key).json()
    dates = [each["night"] for each in by_date["nights"]]
    assert (by_date["sort"], dates) == ("date", sorted(dates))
    assert (compared["first"], compared["last"]) == ("2027-07-03", "2027-07-06")


def test_sites_come_in_pages(world: World, owner: TestClient) -> None:
    key = bearer(world)
    for number in range(3):
        form = {"name": f"Field {number}", "at": f"4{number}, -1", "months": ["7"], "do": "save"}
        assert owner.post("/sites/new", data=form, follow_redirects=False).status_code == 303
    names: list[str] = []
    path = f"{API}/sites?limit=2"
    while path:
        page = owner.get(path, headers=key).json()
        names += [site["name"] for site in page["items"]]
        path = page["next"]
    assert names == ["Windpump Flat", "Field 0", "Field 1", "Field 2"]


def test_an_unchanged_answer_is_not_sent_again(played: TestClient, key: dict[str, str]) -> None:
    etag = played.get(f"{API}/sites", headers=key).headers["etag"]
    again = played.get(f"{API}/sites", headers={**key, "If-None-Match": etag})
    assert (again.status_code, again.content) == (304, b"")


REFUSED = {
    "no key": ("GET", "/sites", {}, 401, "needs an API key"),
    "wrong key": ("GET", "/sites", {"Authorization": "Bearer dbk_wrong"}, 401, "doesn't work"),
    "no such site": ("GET", "/sites/999", None, 404, "isn't shared with you"),
    "no such path": ("GET", "/nothing", None, 404, "nothing here"),
    "a date that isn't one": ("GET", "/sites/1/nights/2027-02-30", None, 422, "can't be used"),
    "a year without an ephemeris": (
        "GET",
        "/sites/1/nights/2999-01-01",
        None,
        400,
        "1899-08-04 to 2053-10-02",
    ),
    "dates the wrong way round": ("GET", "/compare?from=2027-07-06&to=2027-07-03", None, 400, "swap them"),
    "the wrong method": ("DELETE", "/sites", None, 405, "doesn't take that method"),
}


@pytest.mark.parametrize(("method", "path", "headers", "status", "said"), REFUSED.values(), ids=REFUSED)
def test_refusals_are_problem_details(
    played: TestClient,
    key: dict[str, str],
    method: str,
    path: str,
    headers: dict[str, str] | None,
    status: int,
    said: str,
) -> None:
    played.cookies.clear()
    answer = played.request(method, API + path, headers=key if headers is None else headers)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert (problem["status"], problem["type"]) == (status, "about:blank")
    assert problem["instance"] == API + path.partition("?")[0]
    assert said in problem["detail"]


def ask(browser: TestClient, key: dict[str, str], **question: Any) -> Any:
    return browser.post(f"{API}/judge", headers=key, json=question)


def test_judge_gives_a_verdict_and_keeps_nothing(
    played_world: World, played: TestClient, key: dict[str, str]
) -> None:
    asked = played_world.weather.asked
    answer = ask(played, key, site={"name": "Elsewhere", **FLAT})
    assert answer.status_code == 200
    report = answer.json()["report"]
    assert (report["verdict"], report["night"]) == ("go", "2027-07-03")
    assert played_world.weather.asked == asked + 1
    assert "Elsewhere" not in played.get(f"{API}/sites", headers=key).text


def test_judge_takes_wishes(played: TestClient, key: dict[str, str]) -> None:
    wishes = {"shortest_window": "PT6H", "sky": {"lowest_altitude_deg": 10}}
    report = ask(played, key, site=FLAT, wishes=wishes).json()["report"]
    assert report["verdict"] == "stay"
    assert "6 h" in report["reasons"][0]["text"]


def test_judge_asks_no_feed_where_the_sky_says_no(
    played_world: World, played: TestClient, key: dict[str, str]
) -> None:
    asked = played_world.weather.asked
    report = ask(played, key, site=FLAT, night="2027-07-16").json()["report"]
    assert report["verdict"] == "stay"
    assert played_world.weather.asked == asked


BAD_QUESTIONS: dict[str, tuple[dict[str, Any], int]] = {
    "latitude off the Earth": ({"site": {"lat": 95, "lon": 0}}, 422),
    "unknown field": ({"site": FLAT, "colour": "red"}, 422),
    "unknown zone": ({"site": {**FLAT, "zone": "Moon/Tranquility"}}, 400),
    "a name of control characters": ({"site": {**FLAT, "name": "a\u202eb"}}, 400),
    "contradicting wishes": ({"site": FLAT, "wishes": {"chance_go_pct": 40, "chance_back_pct": 60}}, 400),
    "a horizon too high": ({"site": {**FLAT, "horizon": [[0, 89]]}}, 400),
    "a year without an ephemeris": ({"site": FLAT, "night": "2999-01-01"}, 400),
}


@pytest.mark.parametrize(("question", "status"), BAD_QUESTIONS.values(), ids=BAD_QUESTIONS)
def test_questions_that_can_not_be_judged_are_refused_in_words(
    played: TestClient, key: dict[str, str], question: dict[str, Any], status: int
) -> None:
    answer = ask(played, key, **question)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"


def test_judge_needs_a_key_even_for_who_is_signed_in(played: TestClient) -> None:
    assert ask(played, {}, site=FLAT).status_code == 401


def test_a_key_has_a_quota_and_it_fills_again(played_world: World, played: TestClient) -> None:
    key = bearer(played_world, "thirsty")
    most = LIMITS["judge"]["key"].most
    statuses = [ask(played, key, site=FLAT, night="2027-07-16").status_code for _ in range(most + 1)]
    assert statuses == [200] * most + [429]
    before = played_world.wall
    played_world.wall += LIMITS["judge"]["key"].per
    assert ask(played, key, site=FLAT, night="2027-07-16").status_code == 200
    played_world.wall = before


def test_others_read_a_shared_site_rounded_and_a_private_one_not_at_all(world: World) -> None:

    world.cycle(GO_TIME)
    with world.duskbell.sessions.begin() as session:
        friend = PersonRow(name="", zone="UTC", is_operator=False, created_at=START)
        session.add(friend)
        session.flush()
        key = {"Authorization": f"Bearer {access.make_api_key(session, friend.id, 'f', START)}"}
    with browsing(world, shown_at=GO_TIME) as browser:
        assert browser.get(f"{API}/sites/1", headers=key).status_code == 404
        with world.duskbell.sessions.begin() as session:
            share_site(session, session.get_one(SiteRow, 1), is_shared=True, now=GO_TIME)
        site = browser.get(f"{API}/sites/1", headers=key).json()
        assert (site["lat"], site["lon"], site["rounded"]) == (40.3, -1.4, True)
        night = browser.get(f"{API}/sites/1/nights/2027-07-03", headers=key).json()
        assert (night["site"]["lat"], night["site"]["lon"]) == (40.3, -1.4)
        nights = browser.get(f"{API}/sites/1/nights", headers=key).json()["nights"]
        assert {each["leave_by"] for each in nights} == {None}


def test_what_is_judged_on_request_hears_the_stations_nearby(world: World, owner: TestClient) -> None:
    key = bearer(world)
    before = ask(owner, key, site=FLAT, night="2027-07-03").json()["report"]
    at = GO_TIME - timedelta(minutes=20)
    raw = f"METAR LETE {at:%d%H%M}Z AUTO 21005KT 9999 OVC020 12/06 Q1015"
    station = Station("LETE", METAR, FLAT["lat"] + 0.1, FLAT["lon"], FLAT["elevation_m"])
    heard = Heard((Observed(station, SkyReport("LETE", at, read_metar(raw), raw, at), "test"),))
    world.duskbell.invented_stations = lambda asks: heard
    after = ask(owner, key, site=FLAT, night="2027-07-03").json()["report"]
    assert after["outlook"]["chance_pct"] < before["outlook"]["chance_pct"]
    assert (after["from"], after["wishes"]["chance"]) == ("judged", 70)
