"""Asking the US National Weather Service: places to cells, cells to forecasts."""

import pytest
import responses

from alerts.common.span import Span
from alerts.weather.forecast import Place
from service.feeds.nws.client import Nws, covers
from service.feeds.shared.cached_request import AskRound, MemoryCache
from tests.integration.feeds.feed_data import Clocks, cases, held_client, read_bytes, utc

API = "https://api.weather.gov"
POINTS = f"{API}/points/41.967,-71.189"
CELL = f"{API}/gridpoints/BOX/70,82"
NORTON = Place(41.967, -71.189, 40)
NIGHT = Span(utc("2026-07-16T02:00"), utc("2026-07-16T06:00"))
GRID = read_bytes("nws-gridpoint-box-70-82-reanchored-2026-07-15.json")
WHERE = read_bytes("nws-points-box-2026-07-15.json")


class Installation:
    def __init__(self):
        self.clocks = Clocks("2026-07-15T20:00")
        self.client = held_client(self.clocks)
        self.cache = MemoryCache()

    def fetch(self, *places):
        return Nws().fetch(
            places or (NORTON,), NIGHT, AskRound(self.client, self.cache, self.client.deadline(30))
        )


@pytest.fixture
def mocked():
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        mock.add(responses.GET, POINTS, body=WHERE)
        headers = {"Last-Modified": "Wed, 15 Jul 2026 18:29:19 GMT", "Cache-Control": "public, max-age=300"}
        mock.add(responses.GET, CELL, body=GRID, headers=headers)
        yield mock


def asked(mocked):
    return [call.request.url.removeprefix(API) for call in mocked.calls]


def test_a_place_is_found_in_its_cell_and_the_cell_asked_for_its_forecast(mocked):
    here = Installation()
    (forecast,) = here.fetch().forecasts
    assert asked(mocked) == ["/points/41.967,-71.189", "/gridpoints/BOX/70,82"]
    assert {call.request.headers["Accept"] for call in mocked.calls} == {"application/geo+json"}
    assert (forecast.place, forecast.source.fetched_at) == (NORTON, here.clocks.now)
    assert forecast.source.issued_at == utc("2026-07-15T18:29:19")


def test_the_cell_of_a_place_is_asked_once_a_day(mocked):
    here = Installation()
    for _ in range(25):
        here.fetch()
        here.clocks.forward(hours=1)
    assert asked(mocked).count("/points/41.967,-71.189") == 2


def test_a_forecast_is_asked_again_after_max_age_and_on_condition(mocked):
    here = Installation()
    here.fetch()
    here.clocks.forward(minutes=4)
    here.fetch()
    assert len(mocked.calls) == 2
    mocked.upsert(responses.GET, CELL, status=304)
    here.clocks.forward(minutes=2)
    (forecast,) = here.fetch().forecasts
    assert mocked.calls[-1].request.headers["If-Modified-Since"] == "Wed, 15 Jul 2026 18:29:19 GMT"
    assert forecast.source.fetched_at == here.clocks.now


@pytest.mark.parametrize(
    ("name", "place", "served"),
    [
        ("Massachusetts", Place(41.97, -71.19), True),
        ("Arizona", Place(35.2, -111.65), True),
        ("Alaska", Place(64.8, -147.7), True),
        ("Adak", Place(51.9, -176.6), True),
        ("Shemya", Place(52.7, 174.1), True),
        ("Hawaii", Place(19.8, -155.5), True),
        ("Puerto Rico", Place(18.2, -66.5), True),
        ("Guam", Place(13.4, 144.8), True),
        ("American Samoa", Place(-14.3, -170.7), True),
        ("Spain", Place(40.3, -1.4), False),
        ("Oslo", Place(59.9, 10.7), False),
        ("Melbourne", Place(-37.75, 144.875), False),
        ("Mexico City", Place(19.4, -99.1), False),
    ],
)
def test_only_places_near_the_states_and_their_territories_are_asked_about(name, place, served):
    assert covers(place) is served, name


def test_a_place_elsewhere_costs_no_request_and_is_no_failure(mocked):
    gathered = Installation().fetch(Place(40.3, -1.4))
    assert (gathered.forecasts, gathered.failures, len(mocked.calls)) == ((), (), 0)


def test_a_place_that_the_nws_does_not_serve_is_an_answer(mocked):
    problem = next(case for case in cases("nws-errors.json") if case["name"] == "invalid_point")
    mocked.add(responses.GET, f"{API}/points/49.9,-110", body=problem["body"], status=404)
    gathered = Installation().fetch(Place(49.9, -110), NORTON)
    assert [each.place for each in gathered.forecasts] == [NORTON]
    assert gathered.failures == ()


def test_places_in_one_cell_share_its_request(mocked):
    mocked.add(responses.GET, f"{API}/points/41.96,-71.2", body=WHERE)
    gathered = Installation().fetch(NORTON, Place(41.96, -71.2))
    assert [each.place for each in gathered.forecasts] == [NORTON, Place(41.96, -71.2)]
    assert asked(mocked).count("/gridpoints/BOX/70,82") == 1


def test_points_are_written_with_four_decimals_and_no_trailing_zeros(mocked):
    mocked.add(responses.GET, f"{API}/points/41.9671,-71.2", body=WHERE)
    assert Installation().fetch(Place(41.96711, -71.20000)).forecasts


def test_a_redirect_to_the_canonical_point_is_followed(mocked):
    mocked.upsert(responses.GET, POINTS, status=301, headers={"Location": "/points/41.96,-71.2"})
    mocked.add(responses.GET, f"{API}/points/41.96,-71.2", body=WHERE)
    assert Installation().fetch().forecasts


def moved_to(cell: str) -> bytes:
    return WHERE.replace(b"gridpoints/BOX/70,82", f"gridpoints/{cell}".encode())


@pytest.mark.parametrize("status", [404, 301])
def test_a_cell_that_has_gone_is_looked_up_anew_once(mocked, status):
    here = Installation()
    here.fetch()
    here.clocks.forward(hours=2)
    mocked.upsert(responses.GET, CELL, status=status, json={"title": "Gone", "status": status})
    mocked.upsert(responses.GET, POINTS, body=moved_to("BOX/71,83"))
    mocked.add(responses.GET, f"{API}/gridpoints/BOX/71,83", body=GRID)
    gathered = here.fetch()
    assert gathered.forecasts[-1].source.fetched_at == here.clocks.now
    assert asked(mocked)[-3:] == ["/gridpoints/BOX/70,82", "/points/41.967,-71.189", "/gridpoints/BOX/71,83"]
    here.clocks.forward(minutes=1)
    here.fetch()
    assert "/points" not in asked(mocked)[-1]


def test_a_cell_that_has_gone_for_good_is_a_failure(mocked):
    mocked.upsert(responses.GET, CELL, status=404, json={"title": "Gone", "status": 404})
    gathered = Installation().fetch()
    assert [failure.status for failure in gathered.failures] == [404]
    assert asked(mocked).count("/gridpoints/BOX/70,82") == 1


PROBLEMS = [case for case in cases("nws-errors.json") if case["status"] >= 500]


@pytest.mark.parametrize("case", PROBLEMS, ids=lambda case: case["name"])
def test_row_19_a_server_error_is_tried_three_times_told_and_never_stored(mocked, case):
    here = Installation()
    (first,) = here.fetch().forecasts
    here.clocks.forward(hours=1)
    headers = {"Cache-Control": "private, must-revalidate, max-age=86400"}
    mocked.upsert(responses.GET, CELL, body=case["body"], status=case["status"], headers=headers)
    gathered = here.fetch()
    assert asked(mocked).count("/gridpoints/BOX/70,82") == 4
    assert case["body"].split('"detail":"')[1][:30] in gathered.failures[0].text
    assert gathered.forecasts[0].hours == first.hours
    mocked.upsert(responses.GET, CELL, body=GRID)
    assert here.fetch().failures == ()


def test_a_server_error_then_an_answer_is_an_answer(mocked):
    mocked.replace(responses.GET, CELL, status=500)
    mocked.add(responses.GET, CELL, body=GRID)
    gathered = Installation().fetch()
    assert (len(gathered.forecasts), gathered.failures) == (1, ())


def test_without_a_mapping_an_old_one_will_do_for_a_while(mocked):
    here = Installation()
    here.fetch()
    here.clocks.forward(days=2)
    mocked.upsert(responses.GET, POINTS, status=503)
    gathered = here.fetch()
    assert len(gathered.forecasts) == 1
    here.clocks.forward(days=6)
    assert here.fetch().forecasts == ()


@pytest.mark.parametrize(
    "where",
    [
        pytest.param(
            WHERE.replace(b"https://api.weather.gov/gridpoints", b"https://evil.example/gridpoints"),
            id="host",
        ),
        pytest.param(moved_to("BOX/70,82"), id="as it is"),
    ],
)
def test_the_cell_is_asked_for_at_our_host_whatever_host_is_named(mocked, where):
    mocked.upsert(responses.GET, POINTS, body=where)
    assert Installation().fetch().forecasts
    assert asked(mocked)[-1] == "/gridpoints/BOX/70,82"


@pytest.mark.parametrize("cell", ["../../admin", "BOX/70", "box/70,82", "BOX/70,82/stations", ""])
def test_a_point_that_names_no_cell_is_a_failure(mocked, cell):
    mocked.upsert(responses.GET, POINTS, body=moved_to(cell))
    (failure,) = Installation().fetch().failures
    assert "no grid cell" in failure.text
    assert len(mocked.calls) == 1


def test_row_29_a_cell_elsewhere_is_rejected(mocked):
    far = Place(42.5, -71.189)
    mocked.add(responses.GET, f"{API}/points/42.5,-71.189", body=WHERE)
    (failure,) = Installation().fetch(far).failures
    assert (failure.gate, failure.place) == ("place", far)


def test_shut_out_it_asks_for_nothing_more(mocked):
    mocked.upsert(responses.GET, POINTS, status=403)
    gathered = Installation().fetch(NORTON, Place(42.1, -71.2), Place(42.2, -71.2))
    assert (len(mocked.calls), len(gathered.failures)) == (1, 3)


def test_a_max_age_of_a_year_is_not_believed(mocked):
    headers = {"Cache-Control": "public, max-age=31536000"}
    mocked.replace(responses.GET, CELL, body=GRID, headers=headers)
    here = Installation()
    here.fetch()
    here.clocks.forward(hours=1)
    here.fetch()
    assert asked(mocked).count("/gridpoints/BOX/70,82") == 2
