"""Cloud by height: which sites and models are asked about it, how it joins the forecast, what it leaves."""

import json
from datetime import datetime, timedelta

import pytest
import responses

from alerts.common.span import Span
from alerts.weather.cloud_levels import above_site
from alerts.weather.forecast import Place
from service.feeds.open_meteo import parse
from service.feeds.open_meteo.client import DEFAULT_MODELS
from tests.integration.feeds.feed_data import utc
from tests.integration.feeds.openmeteo_stand_in import (
    FORECAST,
    NIGHT,
    Installation,
    OpenMeteoStandIn,
    mocked_runs,
    query_of,
)

HEIGHTS_M = {1000: 110, 950: 540, 925: 760, 900: 990, 850: 1460, 800: 1950, 700: 3010}
HEIGHTS_M |= {600: 4210, 500: 5570, 400: 7190}
DECK_HPA = (1000, 950, 925)
RIDGE = Place(46.5, 8.0, 1850.0)
PEAK = Place(46.6, 8.1, 3400.0)
VALLEY = Place(46.4, 7.9, 560.0)


class Mountains(OpenMeteoStandIn):
    """Open-Meteo over a deck of stratus: total and low cloud 100 %, none above 925 hPa."""

    def answer(self, request):
        status, headers, body = super().answer(request) if "hPa" not in request.url else (200, {}, None)
        query = query_of(request)
        names = query["hourly"].split(",")
        if body is None:
            unit = {"cloud_cover": "%", "geopotential_height": "m"}
            openmeteo_units = {name: unit[name.rpartition("_")[0]] for name in names}
            elements = [
                bare(query, float(lat), float(lon), openmeteo_units)
                for lat, lon in zip(query["latitude"].split(","), query["longitude"].split(","), strict=True)
            ]
            for one in elements:
                for name in names:
                    hpa = int(name.rpartition("_")[2].removesuffix("hPa"))
                    value = HEIGHTS_M[hpa] if name.startswith("geo") else 100 * (hpa in DECK_HPA)
                    one["hourly"][name] = [value] * len(one["hourly"]["time"])
            return status, headers, text(self.change_levels(elements))
        elements = as_list(body)
        for one in elements:
            hours = len(one["hourly"]["time"])
            for name, value in (("", 100), ("_low", 100), ("_mid", 0), ("_high", 0)):
                if f"cloud_cover{name}" in one["hourly"]:
                    one["hourly"][f"cloud_cover{name}"] = [value] * hours
        return status, headers, text(elements)

    def change_levels(self, elements):
        return elements

    @property
    def by_height(self):
        return [query for query in self.asked if "hPa" in query["hourly"]]


def bare(query, lat_deg, lon_deg, units):
    start, end = (
        int(datetime.fromisoformat(query[name] + "+00:00").timestamp()) for name in ("start_hour", "end_hour")
    )
    return {
        "latitude": lat_deg,
        "longitude": lon_deg,
        "elevation": 1500.0,
        "utc_offset_seconds": 0,
        "hourly_units": {"time": "unixtime", **units},
        "hourly": {"time": list(range(start, end + 1, 3600))},
    }


def text(elements):
    return json.dumps(elements[0] if len(elements) == 1 else elements)


def as_list(body):
    read = json.loads(body)
    return read if isinstance(read, list) else [read]


@pytest.fixture
def mocked():
    with mocked_runs() as mock:
        yield mock


@pytest.fixture
def mountains(mocked):
    return Mountains(mocked)


def test_high_sites_are_asked_about_cloud_by_height_and_low_ones_not(mountains):
    gathered = Installation(by_height=True).fetch([RIDGE, PEAK, VALLEY])
    assert gathered.failures == ()
    by_place = {forecast.place: forecast for forecast in gathered.forecasts}
    assert by_place[VALLEY].levels is None
    assert by_place[RIDGE].levels.pressures_hpa == parse.LOW_LEVELS_HPA
    assert by_place[PEAK].levels.pressures_hpa == parse.HIGH_LEVELS_HPA
    assert [query["latitude"] for query in mountains.by_height] == ["46.5", "46.6"]


def test_row_161_over_the_deck_the_sky_is_clear_and_the_valley_foggy(mountains):
    (forecast,) = Installation(by_height=True).fetch([RIDGE]).forecasts
    above, _ = above_site(forecast)
    assert set(above.total.tolist()) == {0.0}
    assert {hour.cloud_below_pct for hour in forecast.hours} == {100.0}
    assert {hour.cloud_total_pct for hour in forecast.hours} == {100.0}


def test_neighbours_in_one_cell_share_the_request(mountains):
    neighbour = Place(46.501, 8.001, 1870.0)
    forecasts = Installation(by_height=True).fetch([RIDGE, neighbour]).forecasts
    assert len(mountains.by_height) == 1
    assert all(forecast.levels is not None for forecast in forecasts)


def test_only_the_first_three_models_are_asked_and_only_when_wanted(mountains):
    Installation(models=DEFAULT_MODELS, by_height=True).fetch([RIDGE])
    assert [query["models"] for query in mountains.by_height] == list(DEFAULT_MODELS[:3])
    count = len(mountains.asked)
    Installation(models=DEFAULT_MODELS).fetch([RIDGE])
    assert not any("hPa" in query["hourly"] for query in mountains.asked[count:])


def test_a_night_far_ahead_is_not_asked_about_by_height(mountains):
    later = Span(NIGHT.start + timedelta(days=4), NIGHT.end + timedelta(days=4))
    (forecast,) = Installation(by_height=True).fetch([RIDGE], later).forecasts
    assert (forecast.levels, mountains.by_height) == (None, [])


def test_hours_beyond_a_day_and_a_half_have_no_levels(mountains):
    week = Span(NIGHT.start, NIGHT.end + timedelta(days=4))
    made = Installation(by_height=True)
    (forecast,) = made.fetch([RIDGE], week).forecasts
    known = [cloud is not None for cloud in forecast.levels.cloud_pct[0]]
    asked_to = utc(mountains.by_height[0]["end_hour"])
    assert asked_to - made.clocks.now <= timedelta(hours=42)
    assert known == [hour.starts < asked_to for hour in forecast.hours]
    assert known[0]
    assert not known[-1]


def test_within_a_run_the_levels_come_from_the_cache(mountains):
    mountains.tell_runs("2026-10-09T06:00")
    made = Installation(by_height=True)
    made.fetch([RIDGE])
    made.clocks.forward(minutes=20)
    (forecast,) = made.fetch([RIDGE]).forecasts
    assert len(mountains.by_height) == 1
    assert forecast.levels is not None


def spoil(name, values=None, unit=None):
    def change(elements):
        for one in elements:
            if values is not None:
                one["hourly"][name] = [values] * len(one["hourly"]["time"])
            if unit is not None:
                one["hourly_units"][name] = unit
        return elements

    return change


def shares_of_one(elements):
    for one in elements:
        for name, column in one["hourly"].items():
            if name.startswith("cloud"):
                one["hourly"][name] = [value / 100 for value in column]
    return elements


SPOILT = {
    "row_165_another_unit": (spoil("cloud_cover_850hPa", unit="okta"), "okta"),
    "row_165_out_of_range": (spoil("cloud_cover_850hPa", 140), "140"),
    "row_165_a_height_out_of_range": (spoil("geopotential_height_850hPa", 90_000), "90000"),
    "row_165_levels_that_do_not_rise": (
        spoil("geopotential_height_850hPa", 700),
        "above each other",
    ),
    "row_165_text": (spoil("cloud_cover_850hPa", "none"), "no number"),
    "row_165_shares_of_one": (shares_of_one, "share of 1"),
}


@pytest.mark.parametrize(("change", "says"), SPOILT.values(), ids=SPOILT.keys())
def test_levels_that_cannot_be_believed_are_left_out_and_named(mountains, change, says):
    mountains.change_levels = change
    gathered = Installation(by_height=True).fetch([RIDGE])
    (forecast,) = gathered.forecasts
    assert forecast.levels is None
    assert {hour.cloud_total_pct for hour in forecast.hours} == {100.0}
    assert any(says in failure.text for failure in gathered.failures)


def test_row_165_levels_that_cannot_be_had_leave_the_forecast_as_it_is(mountains, mocked):
    def refuse(request):
        if "hPa" in request.url:
            return 400, {}, '{"error":true,"reason":"no such level"}'
        return mountains.answer(request)

    mocked.remove(responses.GET, FORECAST)
    mocked.add_callback(responses.GET, FORECAST, refuse)
    gathered = Installation(by_height=True).fetch([RIDGE])
    (forecast,) = gathered.forecasts
    assert forecast.levels is None
    assert "no such level" in gathered.failures[0].text


def test_a_level_that_a_model_lacks_is_left_out(mountains):
    def lacks_800(elements):
        for one in elements:
            for name in ("cloud_cover_800hPa", "geopotential_height_800hPa"):
                one["hourly"][name] = [None] * len(one["hourly"]["time"])
                one["hourly_units"][name] = "undefined"
        return elements

    mountains.change_levels = lacks_800
    (forecast,) = Installation(by_height=True).fetch([RIDGE]).forecasts
    assert forecast.levels.pressures_hpa == (1000, 950, 925, 900, 850, 700)
    assert above_site(forecast)[0].total[0] == 0.0


def test_row_165_levels_of_another_run_are_left_out(mountains, mocked):
    """The forecast comes with the new run and the levels don't: the last good ones are of the run before."""
    mountains.tell_runs("2026-10-09T06:00")
    made = Installation(by_height=True)
    assert made.fetch([RIDGE]).forecasts[0].levels is not None
    mountains.tell_runs("2026-10-09T12:00")
    made.clocks.forward(hours=4)

    def refuse(request):
        if "hPa" in request.url:
            return 400, {}, '{"error":true,"reason":"no such level"}'
        return mountains.answer(request)

    mocked.remove(responses.GET, FORECAST)
    mocked.add_callback(responses.GET, FORECAST, refuse)
    (forecast,) = made.fetch([RIDGE]).forecasts
    assert forecast.source.issued_at == utc("2026-10-09T15:00")
    assert forecast.levels is None
