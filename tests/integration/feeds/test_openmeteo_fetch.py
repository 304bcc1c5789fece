"""Asking Open-Meteo: what is sent, what is kept, and what happens when it fails."""

import json
from datetime import timedelta

import pytest
import responses

from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.weather.forecast import Place
from alerts.weather.freshness import why_unusable
from alerts.weather.quality_gates import QualityCheck
from service.feeds.open_meteo.client import DEFAULT_MODELS, OpenMeteo, OpenMeteoAccess
from tests.integration.feeds.feed_data import cases, utc
from tests.integration.feeds.openmeteo_stand_in import (
    ALPS,
    FORECAST,
    META,
    NIGHT,
    TEIDE,
    Installation,
    OpenMeteoStandIn,
    element,
    mocked_runs,
    query_of,
)


@pytest.fixture
def mocked():
    with mocked_runs() as mock:
        yield mock


@pytest.fixture
def stand_in(mocked):
    return OpenMeteoStandIn(mocked)


def test_the_feed_is_off_until_the_operator_says_how():
    assert "non-commercial" in str(OpenMeteo(OpenMeteoAccess()).off_because)
    assert OpenMeteo(OpenMeteoAccess(non_commercial=True)).off_because is None
    assert OpenMeteo(OpenMeteoAccess(api_key="k")).off_because is None
    assert OpenMeteo(OpenMeteoAccess(base_url="http://localhost:8080")).off_because is None
    assert OpenMeteo(OpenMeteoAccess(base_url="https://api.open-meteo.com")).off_because is not None


@pytest.mark.parametrize(
    ("model", "words"), [("icon_seemless", "isn't in the table"), ("ukmo_seamless", "CC BY-SA 4.0")]
)
def test_models_unknown_or_under_share_alike_terms_are_refused(model, words):
    with pytest.raises(BadInput, match=words):
        OpenMeteo(OpenMeteoAccess(non_commercial=True), models=[model])


def test_a_share_alike_model_can_be_switched_on():
    access = OpenMeteoAccess(non_commercial=True, share_alike=True)
    assert OpenMeteo(access, models=["ukmo_seamless"]).off_because is None


def test_one_model_a_request_in_utc_with_an_hour_and_more_to_each_side(stand_in):
    gathered = Installation(models=DEFAULT_MODELS).fetch()
    assert [query["models"] for query in stand_in.asked] == list(DEFAULT_MODELS)
    query = stand_in.asked[0]
    assert (query["latitude"], query["longitude"], query["elevation"]) == ("47", "11.5", "1500")
    assert (query["timezone"], query["timeformat"], query["wind_speed_unit"]) == ("GMT", "unixtime", "ms")
    assert (query["start_hour"], query["end_hour"]) == ("2026-10-09T18:00", "2026-10-10T06:00")
    assert "forecast_days" not in query
    assert [each.source.lineage for each in gathered.forecasts] == ["ecmwf", "icon", "gfs", "gem", "arpege"]
    assert gathered.failures == ()
    assert all(each.place == ALPS for each in gathered.forecasts)


def test_several_places_share_a_request_and_are_matched_by_position(stand_in):
    low = Place(46.5, 11.0)
    gathered = Installation().fetch((ALPS, TEIDE, low, ALPS))
    with_height, without = stand_in.asked
    assert (with_height["latitude"], with_height["elevation"]) == ("47,28.27", "1500,2350")
    assert (without["latitude"], "elevation" in without) == ("46.5", False)
    assert [each.place for each in gathered.forecasts] == [ALPS, TEIDE, low]
    assert [each.grid_lat_deg for each in gathered.forecasts] == [47.0, 28.27, 46.5]


def test_many_places_are_asked_in_batches(stand_in):
    places = [Place(40 + index / 10, -3.0, 700) for index in range(450)]
    gathered = Installation().fetch(places)
    assert [len(query["latitude"].split(",")) for query in stand_in.asked] == [200, 200, 50]
    assert [each.place for each in gathered.forecasts] == places


def test_ensembles_are_asked_at_their_own_host_for_cloud_alone(mocked):
    def answer(request):
        part = element(query_of(request), 47.0, 11.5, 0)
        for member in range(1, 21):
            part["hourly"][f"cloud_cover_member{member:02}"] = part["hourly"]["cloud_cover"]
            part["hourly_units"][f"cloud_cover_member{member:02}"] = "%"
        return 200, {}, json.dumps(part)

    mocked.add_callback(responses.GET, "https://ensemble-api.open-meteo.com/v1/ensemble", answer)
    (forecast,) = Installation(models=["gem_global_ensemble"]).fetch().forecasts
    assert (len(forecast.members), forecast.source.lineage) == (21, "gem")
    assert query_of(mocked.calls[-1].request)["hourly"] == "cloud_cover"


def test_a_key_goes_into_a_header_to_the_customers_host(mocked):
    mocked.add(responses.GET, "https://customer-api.open-meteo.com/v1/forecast", status=500)
    here = Installation(api_key="s3cret", non_commercial=False, base_url="https://api.open-meteo.com/")
    gathered = here.fetch()
    call = mocked.calls[-1].request
    assert call.headers["X-Api-Key"] == "s3cret"
    assert "s3cret" not in call.url + repr(gathered)


def test_the_run_tells_when_a_forecast_was_issued(stand_in):
    here = Installation()
    stand_in.tell_runs("2026-10-09T06:00")
    (forecast,) = here.fetch().forecasts
    assert (forecast.source.issued_at, forecast.source.fetched_at) == (
        utc("2026-10-09T09:00"),  # when it became available, three hours after it began
        here.clocks.now,
    )


def test_a_global_run_is_fresh_on_the_day_though_it_began_long_ago(stand_in):
    """Seven hours from its start to its readers; on the day a run of more than six hours is stale."""
    here = Installation()
    stand_in.tell_runs("2026-10-09T00:00", available_after_h=7)
    (forecast,) = here.fetch().forecasts
    assert why_unusable(forecast.source, here.clocks.now, is_night_of=True) is None


@pytest.mark.parametrize(
    ("began", "issued"),
    [
        pytest.param("2026-10-09T09:00", "2026-10-09T06:00", id="still settling: the run before"),
        pytest.param("2026-10-09T18:00", None, id="in the future"),
        pytest.param("2026-05-26T00:00", None, id="row_30_a_table_left_behind"),
    ],
)
def test_a_run_is_only_believed_when_it_can_be(stand_in, began, issued):
    stand_in.tell_runs(began)
    (forecast,) = Installation().fetch().forecasts
    assert forecast.source.issued_at == (issued and utc(issued))


def test_a_silent_table_of_runs_costs_no_forecast(stand_in, mocked):
    mocked.upsert(responses.GET, META.format("dwd_icon"), status=502)
    gathered = Installation().fetch()
    assert gathered.forecasts[0].source.issued_at is None
    assert gathered.failures == ()


AGES = [
    pytest.param(0.9, None, 1, id="young"),
    pytest.param(1.1, None, 2, id="over an hour and no word of runs"),
    pytest.param(1.1, "2026-10-09T06:00", 1, id="over an hour and no newer run"),
    pytest.param(2.9, "2026-10-09T11:00", 2, id="a newer run has settled"),
    pytest.param(3.1, "2026-10-09T06:00", 2, id="over three hours"),
]


@pytest.mark.parametrize(("hours", "run", "requests"), AGES)
def test_an_answer_is_asked_for_again_after_a_new_run_or_one_to_three_hours(stand_in, hours, run, requests):
    here = Installation()
    here.fetch()
    here.clocks.forward(hours=hours)
    if run:
        stand_in.tell_runs(run, available_after_h=1)
    (forecast,) = here.fetch().forecasts
    assert len(stand_in.asked) == requests
    assert forecast.source.fetched_at == (here.clocks.now if requests == 2 else utc("2026-10-09T12:00"))


def test_an_answer_over_other_hours_is_no_good(stand_in):
    here = Installation()
    here.fetch()
    here.fetch(hours=Span(NIGHT.start, NIGHT.end + timedelta(days=1)))
    assert len(stand_in.asked) == 2


def test_an_answer_over_fewer_hours_is_taken_from_the_cache(stand_in):
    here = Installation()
    here.fetch()
    here.fetch(hours=Span(NIGHT.start + timedelta(hours=3), NIGHT.end))
    assert len(stand_in.asked) == 1


def test_row_30_the_same_values_again_and_again_are_known_to_be_old(stand_in):
    here = Installation()
    for hours in range(0, 16, 4):
        moved = Span(NIGHT.start + timedelta(hours=hours), NIGHT.end + timedelta(days=1))
        (forecast,) = here.fetch(hours=moved).forecasts
        here.clocks.forward(hours=4)
    assert forecast.source.fetched_at == utc("2026-10-10T00:00")
    assert forecast.source.unchanged_since == utc("2026-10-09T12:00")
    stand_in.shift = 3
    (forecast,) = here.fetch(hours=moved).forecasts
    assert forecast.source.unchanged_since == here.clocks.now


def fail_with(mocked, case):
    mocked.upsert(
        responses.GET, FORECAST, body=case["body"], status=case["status"], content_type=case["content_type"]
    )


ERRORS = list(cases("open-meteo-errors.json"))


@pytest.mark.parametrize("case", ERRORS, ids=lambda case: case["name"])
def test_whatever_fails_the_last_good_answer_stands_in(mocked, case):
    stand_in, here = OpenMeteoStandIn(mocked), Installation()
    (good,) = here.fetch().forecasts
    assert stand_in.asked
    here.clocks.forward(hours=4)
    mocked.remove(responses.GET, FORECAST)
    fail_with(mocked, case)
    gathered = here.fetch()
    assert len(gathered.failures) == 1
    assert gathered.forecasts[0].hours == good.hours
    assert gathered.forecasts[0].source.fetched_at == utc("2026-10-09T12:00")


def test_a_last_good_answer_is_not_used_for_ever(mocked):
    here = Installation()
    OpenMeteoStandIn(mocked)
    here.fetch()
    here.clocks.forward(hours=12.1)
    mocked.remove(responses.GET, FORECAST)
    fail_with(mocked, ERRORS[0])
    assert here.fetch().forecasts == ()


@pytest.mark.parametrize(
    ("name", "wait"),
    [("rate_minute", 60), ("rate_hour", 3600), ("rate_day", 43_200), ("too_many_concurrent", 10)],
)
def test_row_18_throttled_it_is_left_alone_with_all_its_models(mocked, name, wait):
    fail_with(mocked, next(case for case in ERRORS if case["name"] == name))
    gathered = Installation(models=DEFAULT_MODELS).fetch()
    assert len([call for call in mocked.calls if call.request.url.startswith(FORECAST)]) == 1
    assert [failure.model for failure in gathered.failures] == list(DEFAULT_MODELS)
    assert {failure.retry_after for failure in gathered.failures} == {timedelta(seconds=wait)}


def test_one_model_that_is_refused_leaves_the_others_alone(mocked):
    stand_in = OpenMeteoStandIn(mocked)
    answer = stand_in.answer

    def refuse_icon(request):
        if query_of(request)["models"] == "icon_seamless":
            return 400, {}, '{"error":true,"reason":"No data is available for this location"}'
        return answer(request)

    mocked.remove(responses.GET, FORECAST)
    mocked.add_callback(responses.GET, FORECAST, refuse_icon)
    gathered = Installation(models=DEFAULT_MODELS).fetch()
    assert [each.source.lineage for each in gathered.forecasts] == ["ecmwf", "gfs", "gem", "arpege"]
    (failure,) = gathered.failures
    assert (failure.model, failure.status, failure.permanent) == ("icon_seamless", 400, True)
    assert "No data is available" in failure.text


def test_one_place_whose_values_are_wrong_leaves_the_others_alone(stand_in):
    def spoil(elements):
        elements[1]["hourly"]["cloud_cover"][4] = 137
        return elements

    stand_in.change = spoil
    gathered = Installation().fetch((ALPS, TEIDE))
    assert [each.place for each in gathered.forecasts] == [ALPS]
    (failure,) = gathered.failures
    assert (failure.place, failure.gate) == (TEIDE, QualityCheck.RANGE)


def off_utc(elements):
    return [one | {"utc_offset_seconds": 7200} for one in elements]


@pytest.mark.parametrize(
    ("change", "gate"),
    [
        pytest.param(lambda elements: elements[:1], QualityCheck.SHAPE, id="a place is missing"),
        pytest.param(lambda elements: elements[::-1], QualityCheck.PLACE, id="row_29_places_swapped"),
        pytest.param(
            lambda elements: [one | {"utc_offset_seconds": 7200} for one in elements],
            QualityCheck.OFFSET,
            id="row_28_offset",
        ),
    ],
)
def test_an_answer_that_does_not_fit_the_question_is_rejected(stand_in, change, gate):
    stand_in.change = change
    gathered = Installation().fetch((ALPS, TEIDE))
    assert gathered.forecasts == ()
    assert {failure.gate for failure in gathered.failures} == {gate}


def test_a_rejected_answer_never_replaces_a_good_one(stand_in):
    here = Installation()
    here.fetch()
    stand_in.change = off_utc
    here.clocks.forward(hours=4)
    assert len(here.fetch().forecasts) == 1
    assert len(here.fetch().forecasts) == 1
