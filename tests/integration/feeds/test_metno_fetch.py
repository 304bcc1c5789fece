"""Asking MET Norway by its terms: rounding, conditions, and knowing when to stop."""

from datetime import timedelta

import pytest
import responses

from alerts.common.span import Span
from alerts.weather.forecast import Place
from service.feeds.met_norway.client import MetNorway, build_params, short_degrees
from service.feeds.shared.cached_request import AskRound, MemoryCache
from tests.integration.feeds.feed_data import Clocks, cases, held_client, read_bytes, utc

URL = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
BODY = read_bytes("metno-complete-59n10e-2022-05-18.json")
OSLO = Place(59, 10, 63)
NIGHT = Span(utc("2022-05-18T21:00"), utc("2022-05-19T02:00"))
MODIFIED = "Wed, 18 May 2022 20:36:05 GMT"


class Installation:
    def __init__(self):
        self.clocks = Clocks("2022-05-18T20:40")
        self.client = held_client(self.clocks)
        self.cache = MemoryCache()

    def fetch(self, *places):
        deadline = self.client.deadline(30)
        return MetNorway().fetch(places or (OSLO,), NIGHT, AskRound(self.client, self.cache, deadline))


@pytest.fixture
def mocked():
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        yield mock


def good(mocked, expires="Wed, 18 May 2022 21:08:00 GMT", body=BODY):
    headers = {"Last-Modified": MODIFIED, "Expires": expires}
    mocked.upsert(responses.GET, URL, body=body, headers=headers, content_type="application/json")


@pytest.mark.parametrize(
    ("place", "params"),
    [
        (Place(59.91387123, 10.75224, 23.4), {"lat": "59.9139", "lon": "10.7522", "altitude": "23"}),
        (Place(-33.0, -0.00001), {"lat": "-33", "lon": "0"}),
        (Place(59.9, 10.50, -430), {"lat": "59.9", "lon": "10.5", "altitude": "-430"}),
    ],
)
def test_places_are_rounded_before_they_are_sent(place, params):
    assert build_params(place) == params


@pytest.mark.parametrize(
    ("degrees", "text"), [(100.0, "100"), (-120.5, "-120.5"), (0, "0"), (1e-9, "0"), (7.12345, "7.1235")]
)
def test_degrees_are_written_short(degrees, text):
    assert short_degrees(degrees) == text


def test_a_forecast_comes_with_its_times(mocked):
    good(mocked)
    here = Installation()
    (forecast,) = here.fetch().forecasts
    assert forecast.source.issued_at == utc("2022-05-18T20:36:05")
    assert forecast.source.fetched_at == here.clocks.now
    assert forecast.place == OSLO


def test_it_is_not_asked_again_before_it_expires(mocked):
    good(mocked)
    here = Installation()
    here.fetch()
    here.clocks.forward(minutes=27)
    here.fetch()
    assert len(mocked.calls) == 1
    here.clocks.forward(minutes=2)
    here.fetch()
    assert len(mocked.calls) == 2


def test_after_that_it_is_asked_on_condition_word_for_word(mocked):
    good(mocked)
    here = Installation()
    (first,) = here.fetch().forecasts
    here.clocks.forward(minutes=30)
    mocked.upsert(responses.GET, URL, status=304, headers={"Expires": "Wed, 18 May 2022 21:40:00 GMT"})
    (again,) = here.fetch().forecasts
    assert mocked.calls[-1].request.headers["If-Modified-Since"] == MODIFIED
    assert again.hours == first.hours
    assert again.source.fetched_at == utc("2022-05-18T21:10")
    assert again.source.unchanged_since == utc("2022-05-18T20:40")
    here.clocks.forward(minutes=29)  # the new Expires holds
    here.fetch()
    assert len(mocked.calls) == 2


@pytest.mark.parametrize(
    ("expires", "minutes"),
    [
        pytest.param("Fri, 31 Dec 2099 00:00:00 GMT", 120, id="far ahead"),
        pytest.param("Wed, 18 May 2022 20:00:00 GMT", 5, id="long gone"),
        pytest.param("0", 30, id="no date"),
        pytest.param("", 30, id="not given"),
    ],
)
def test_an_expiry_is_believed_within_bounds(mocked, expires, minutes):
    good(mocked, expires)
    here = Installation()
    here.fetch()
    here.clocks.forward(minutes=minutes - 1)
    here.fetch()
    assert len(mocked.calls) == 1
    here.clocks.forward(minutes=1)
    here.fetch()
    assert len(mocked.calls) == 2


FAILING = [case for case in cases("metno-errors.json") if case["status"] != 304]


@pytest.mark.parametrize("case", FAILING, ids=lambda case: case["name"])
def test_errors_are_told_in_one_sentence(mocked, case):
    mocked.add(
        responses.GET, URL, body=case["body"], status=case["status"], content_type=case["content_type"]
    )
    (failure,) = Installation().fetch().failures
    assert failure.place == OSLO
    assert "\n" not in failure.text
    if not case["body"].startswith("<"):
        assert case["body"].strip()[:60] in failure.text


@pytest.mark.parametrize("status", [403, 429])
def test_who_is_shut_out_or_throttled_stops_at_once(mocked, status):
    mocked.add(responses.GET, URL, status=status)
    gathered = Installation().fetch(OSLO, Place(60, 10), Place(61, 10))
    assert len(mocked.calls) == 1
    assert len(gathered.failures) == 3
    assert gathered.failures[0].permanent is (status == 403)


def test_a_refused_place_leaves_the_others_alone(mocked):
    def answer(request):
        return (404, {}, "Outside of coverage area\n") if "lat=60" in request.url else (200, {}, BODY)

    mocked.add_callback(responses.GET, URL, answer)
    gathered = Installation().fetch(Place(60, 10), OSLO)
    assert [each.place for each in gathered.forecasts] == [OSLO]
    assert [failure.status for failure in gathered.failures] == [404]


def test_row_19_a_feed_that_is_down_is_left_after_a_few_places(mocked):
    mocked.add(responses.GET, URL, status=503)
    places = [Place(50 + index, 10) for index in range(10)]
    gathered = Installation().fetch(*places)
    assert len(mocked.calls) == 3 * 3
    assert len(gathered.failures) == 10


TOO_CLOUDY = BODY.replace(b'"cloud_area_fraction": 100.0', b'"cloud_area_fraction": 1000.0', 1)
BAD = [
    pytest.param({"status": 503}, id="row_19_down"),
    pytest.param({"body": BODY[:5000]}, id="row_22_cut_off"),
    pytest.param({"body": "<html>maintenance</html>"}, id="row_22_a_web_page"),
    pytest.param({"body": '{"type":"FeatureCollection","features":[]}'}, id="row_22_another_GeoJSON"),
    pytest.param(
        {"body": BODY.replace(b'"cloud_area_fraction": 100.0', b'"cloud_area_fraction": 1000.0', 1)},
        id="row_25",
    ),
    pytest.param({"body": BODY.replace(b"12.5", b"NaN", 1)}, id="row_23_NaN"),
]


@pytest.mark.parametrize("answer", BAD)
def test_the_last_good_answer_stands_in_for_a_bad_one(mocked, answer):
    good(mocked)
    here = Installation()
    (first,) = here.fetch().forecasts
    here.clocks.forward(hours=2)
    mocked.upsert(responses.GET, URL, **answer)
    gathered = here.fetch()
    assert len(gathered.failures) == 1
    assert gathered.forecasts[0].hours == first.hours
    assert gathered.forecasts[0].source.fetched_at == utc("2022-05-18T20:40")
    assert here.fetch().forecasts[0].hours == first.hours
    here.clocks.forward(hours=10, minutes=1)
    assert here.fetch().forecasts == ()


def test_a_broken_answer_is_not_kept(mocked):
    mocked.add(responses.GET, URL, body=BODY[:5000], headers={"Expires": "Wed, 18 May 2022 21:08:00 GMT"})
    here = Installation()
    assert here.fetch().forecasts == ()
    good(mocked)
    assert len(here.fetch().forecasts) == 1


def test_304_without_anything_kept_is_no_answer(mocked):
    mocked.add(responses.GET, URL, status=304)
    gathered = Installation().fetch()
    assert (len(gathered.failures), gathered.forecasts) == (1, ())


def test_row_30_the_same_body_again_and_again_is_known_to_be_old(mocked):
    good(mocked)
    here = Installation()
    for _ in range(14):
        (forecast,) = here.fetch().forecasts
        here.clocks.forward(hours=1)
    age = forecast.source.fetched_at - forecast.source.unchanged_since
    assert age == timedelta(hours=13)
