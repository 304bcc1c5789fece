"""Asking for official warnings: where, how often, and what stands in when nobody answers."""

import pytest
import responses

from alerts.common.span import Span
from alerts.weather.forecast import Place
from service.feeds.met_norway import client as met_norway
from service.feeds.nws import client as nws
from service.feeds.shared.cached_request import AskRound, MemoryCache
from service.feeds.shared.model import FeedFailure, Gathered, attach_bulletins
from service.feeds.shared.warnings_by_place import WarningsFeed
from tests.integration.feeds.feed_data import Clocks, held_client, read_bytes, utc

NWS = "https://api.weather.gov/alerts/active"
MET = "https://api.met.no/weatherapi/metalerts/2.0/current.json"
RIDGE, NEAR_IT, TEIDE = Place(38.65, -106.3, 2800), Place(38.66, -106.31, 2500), Place(28.27, -16.64)
LOFOTEN = Place(68.2, 13.6, 10)
HOURS = Span(utc("2026-07-15T21:00"), utc("2026-07-16T10:00"))
THREE = "nws-alerts-three-reanchored-2026-07-15.json"


class Asker:
    def __init__(self, service, now="2026-07-15T20:05"):
        self.feed, self.clocks, self.cache = WarningsFeed(service), Clocks(now), MemoryCache()
        self.client = held_client(self.clocks)

    def fetch(self, *places):
        return self.feed.fetch(places, HOURS, AskRound(self.client, self.cache, self.client.deadline(30)))


@pytest.fixture
def mocked():
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        yield mock


def serve(mocked, **how):
    mocked.add(responses.GET, NWS, body=read_bytes(THREE), headers={"Cache-Control": "max-age=30"}, **how)


def test_a_point_s_alerts_come_as_its_bulletin(mocked):
    serve(mocked)
    gathered = Asker(nws.WARNINGS).fetch(RIDGE)
    ((place, bulletin),) = gathered.bulletins
    assert (place, len(bulletin.warnings)) == (RIDGE, 3)
    assert bulletin.asked_at == utc("2026-07-15T20:05")
    assert mocked.calls[0].request.params == {"point": "38.65,-106.3"}
    assert mocked.calls[0].request.headers["Accept"] == "application/geo+json"


def test_neighbours_share_a_request_and_nobody_elsewhere_is_asked_about(mocked):
    serve(mocked)
    gathered = Asker(nws.WARNINGS).fetch(RIDGE, NEAR_IT, TEIDE)
    assert [place for place, _ in gathered.bulletins] == [RIDGE, NEAR_IT]
    assert len(mocked.calls) == 1


def test_nobody_stands_along_a_line_of_sight(mocked):
    assert Asker(nws.WARNINGS).fetch(Place(38.7, -106.3, is_aside=True)) == Gathered()


def test_alerts_are_asked_for_again_when_their_time_is_up(mocked):
    serve(mocked)
    here = Asker(nws.WARNINGS)
    here.fetch(RIDGE)
    here.clocks.forward(seconds=50)
    here.fetch(RIDGE)
    assert len(mocked.calls) == 1
    here.clocks.forward(seconds=20)  # at least a minute
    here.fetch(RIDGE)
    assert len(mocked.calls) == 2


def test_when_nobody_answers_the_last_word_stands_in_with_its_age(mocked):
    serve(mocked)
    here = Asker(nws.WARNINGS)
    here.fetch(RIDGE)
    mocked.replace(responses.GET, NWS, status=502)
    here.clocks.forward(hours=2)
    gathered = here.fetch(RIDGE)
    ((_, bulletin),) = gathered.bulletins
    assert bulletin.asked_at == utc("2026-07-15T20:05")
    assert gathered.failures[0].feed == "nws-warnings"


def test_a_broken_answer_never_replaces_a_good_one(mocked):
    serve(mocked)
    here = Asker(nws.WARNINGS)
    here.fetch(RIDGE)
    mocked.replace(responses.GET, NWS, json={"features": [7]})
    here.clocks.forward(hours=2)
    assert len(here.fetch(RIDGE).bulletins) == 1


def test_met_norway_is_asked_for_norway_in_english(mocked):
    mocked.add(responses.GET, MET, body=read_bytes("invented-metno-alerts.json"))
    gathered = Asker(met_norway.WARNINGS).fetch(LOFOTEN, RIDGE, TEIDE)
    assert [place for place, _ in gathered.bulletins] == [LOFOTEN]
    assert mocked.calls[0].request.params == {"lat": "68.2", "lon": "13.6", "lang": "en"}


def test_a_403_is_told_once_and_ends_the_round(mocked):
    mocked.add(responses.GET, MET, status=403)
    gathered = Asker(met_norway.WARNINGS).fetch(LOFOTEN, Place(60.0, 10.0), Place(61.0, 10.0))
    assert len(mocked.calls) == 1
    assert {failure.status for failure in gathered.failures} == {403}


def test_a_bulletin_without_a_forecast_to_ride_on_is_kept_beside(mocked):
    serve(mocked)
    gathered = attach_bulletins(
        Asker(nws.WARNINGS).fetch(RIDGE) + Gathered(failures=(FeedFailure("x", "", "y"),))
    )
    assert [place for place, _ in gathered.bulletins] == [RIDGE]
