"""What else Open-Meteo is asked: ensembles, air quality, clouds along a line of sight; and what is shared."""

from datetime import timedelta

import pytest
import responses

from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.weather.forecast import Place
from service.feeds.open_meteo.client import OpenMeteo, OpenMeteoAccess
from tests.integration.feeds.feed_data import utc
from tests.integration.feeds.openmeteo_stand_in import (
    AIR,
    ALPS,
    ENSEMBLE,
    FORECAST,
    META,
    NIGHT,
    Installation,
    OpenMeteoStandIn,
    mocked_runs,
    query_of,
)

CLOUDS = "cloud_cover,cloud_cover_low,cloud_cover_mid,cloud_cover_high"
ASIDE = Place(46.7, 11.4, is_aside=True)


@pytest.fixture
def mocked():
    with mocked_runs() as mock:
        mock.add(responses.GET, META.replace("//api", "//ensemble-api").format("ncep_gefs025"), status=404)
        yield mock


@pytest.fixture
def stand_in(mocked):
    made = OpenMeteoStandIn(mocked)
    mocked.add_callback(responses.GET, ENSEMBLE, made.answer_with_members)
    mocked.add_callback(responses.GET, AIR, made.answer)
    return made


def asked_of(mocked, url):
    return [query_of(call.request) for call in mocked.calls if call.request.url.startswith(url)]


def test_ensembles_and_air_quality_are_asked_at_their_own_hosts(stand_in, mocked):
    gathered = Installation(ensembles=["ncep_gefs025"], air_quality=True).fetch()
    assert gathered.failures == ()
    run, members, air = gathered.forecasts
    assert (run.members, len(members.members), members.source.lineage) == ((), 31, "gfs")
    assert [query["hourly"] for query in asked_of(mocked, ENSEMBLE)] == ["cloud_cover"]
    (query,) = asked_of(mocked, AIR)
    assert query["hourly"] == "aerosol_optical_depth,pm2_5,dust"
    assert "models" not in query
    assert (air.source.lineage, air.hours[0].aerosol_optical_depth is None) == ("cams", False)
    assert "Copernicus" in air.source.attribution


def test_along_a_line_of_sight_single_runs_alone_are_asked_and_for_cloud_alone(stand_in, mocked):
    gathered = Installation(ensembles=["ncep_gefs025"], air_quality=True).fetch((ASIDE,))
    assert [query["hourly"] for query in asked_of(mocked, FORECAST)] == [CLOUDS]
    assert asked_of(mocked, ENSEMBLE) == asked_of(mocked, AIR) == []
    assert [each.place for each in gathered.forecasts] == [ASIDE]
    assert gathered.forecasts[0].hours[0].temperature_c is None


def test_overhead_and_aside_are_kept_apart_in_the_cache(stand_in, mocked):
    here = Installation()
    here.fetch((Place(46.7, 11.4),))
    here.fetch((ASIDE,))
    here.fetch((Place(46.7, 11.4), ASIDE))
    assert [query["hourly"] == CLOUDS for query in asked_of(mocked, FORECAST)] == [False, True]


def test_places_in_one_cell_share_a_request_and_each_gets_the_forecast(stand_in):
    """ICON's cells are 13 km wide; the three lie within five of each other, the fourth doesn't."""
    places = (
        Place(46.98, 11.52, 1500),
        Place(47.02, 11.47, 1510),
        Place(46.99, 11.5, 1540),
        Place(47.2, 11.5),
    )
    gathered = Installation().fetch(places)
    with_height, without = stand_in.asked
    assert (with_height["latitude"], without["latitude"]) == ("46.98", "47.2")
    assert [each.place for each in gathered.forecasts] == list(places)
    assert len({id(each.hours) for each in gathered.forecasts}) == 2


def test_places_at_other_heights_do_not_share_as_temperature_would_be_wrong(stand_in):
    Installation().fetch((Place(46.98, 11.52, 1500), Place(46.99, 11.5, 2300)))
    assert stand_in.asked[0]["latitude"] == "46.98,46.99"


def test_air_quality_is_never_asked_beyond_its_days(stand_in, mocked):
    hours = Span(NIGHT.start, NIGHT.start + timedelta(days=12))
    Installation(air_quality=True).fetch(hours=hours)
    (query,) = asked_of(mocked, AIR)
    assert query["end_hour"] == "2026-10-14T12:00"  # five days after the request
    assert asked_of(mocked, FORECAST)[0]["end_hour"] > "2026-10-21"


def test_air_quality_is_not_asked_about_a_night_it_cannot_reach(stand_in, mocked):
    start = NIGHT.start + timedelta(days=8)
    Installation(air_quality=True).fetch(hours=Span(start, start + timedelta(hours=8)))
    assert asked_of(mocked, AIR) == []


def test_a_newer_run_is_asked_for_as_soon_as_it_has_settled(stand_in):
    here = Installation()
    stand_in.tell_runs("2026-10-09T06:00")  # available at 09:00
    here.fetch()
    here.clocks.forward(minutes=20)
    stand_in.tell_runs("2026-10-09T09:00")  # available at 12:00, settled at 12:10
    (forecast,) = here.fetch().forecasts
    assert len(stand_in.asked) == 2
    assert forecast.source.issued_at == utc("2026-10-09T12:00")
    assert forecast.source.next_due_at == utc("2026-10-09T18:00")


def test_one_kind_that_is_down_does_not_stop_the_others(stand_in, mocked):
    mocked.upsert(responses.GET, ENSEMBLE, status=403, json={"error": True, "reason": "not in your plan"})
    gathered = Installation(ensembles=["ncep_gefs025"], air_quality=True).fetch()
    assert [each.source.model for each in gathered.forecasts] == ["icon_seamless", "cams"]
    (failure,) = gathered.failures
    assert (failure.feed, failure.status) == ("open-meteo-ensemble", 403)


def test_air_quality_is_no_model_to_be_named():
    with pytest.raises(BadInput, match="isn't in the table"):
        OpenMeteo(OpenMeteoAccess(non_commercial=True), models=["cams"])


def test_the_answer_of_a_whole_batch_stays_below_the_cap(stand_in, mocked):
    """Fifty-one members over 5.25 days are 6,426 values a place, at five characters each."""
    mocked.add(
        responses.GET, META.replace("//api", "//ensemble-api").format("ecmwf_ifs025_ensemble"), status=404
    )
    places = [Place(40 + index, -3.0) for index in range(48)]
    hours = Span(NIGHT.start, NIGHT.start + timedelta(days=5))
    Installation(models=[], ensembles=["ecmwf_ifs025_ensemble"]).fetch(places, hours)
    sizes = [len(query["latitude"].split(",")) for query in asked_of(mocked, ENSEMBLE)]
    assert sizes == [46, 2]


def test_a_blank_address_of_a_part_follows_the_main_one(mocked):
    mocked.add(responses.GET, "http://weather.example:8080/v1/air-quality", status=400)
    mocked.add(responses.GET, "http://weather.example:8080/v1/forecast", status=400)
    mocked.add(responses.GET, "http://weather.example:8080/data/dwd_icon/static/meta.json", status=404)
    gathered = Installation(base_url="http://weather.example:8080", air_quality=True).fetch((ALPS,))
    assert {failure.feed for failure in gathered.failures} == {"open-meteo", "open-meteo-air"}
