"""MET Norway's answers, recorded in the Nordic area and outside it."""

import itertools
from datetime import timedelta

import pytest

from alerts.weather.forecast import LayerScheme, Place
from alerts.weather.quality_gates import QualityCheck
from service.feeds.met_norway.parse import parse
from service.feeds.shared.checked_answers import BadAnswer
from tests.unit.service.feeds.feed_files import (
    GLOBAL,
    NORDIC,
    as_bytes,
    hour_at,
    read_bytes,
    read_json,
    utc,
    values,
)

CLOUDS = ("cloud_total_pct", "cloud_low_pct", "cloud_mid_pct", "cloud_high_pct", "fog_pct")


def only(name: str, **how):
    gathered = parse(read_bytes(name), fetched_at=None, **how)
    assert not gathered.failures
    (forecast,) = gathered.forecasts
    return forecast


def test_the_nordic_area_is_a_model_of_its_own():
    source = only(NORDIC).source
    assert (source.provider, source.lineage, source.model) == ("MET Norway", "harmonie", "nordic")
    assert source.issued_at == utc("2022-05-18T20:36:05")
    assert "MET Norway" in source.attribution


def test_elsewhere_the_model_is_ecmwf():
    forecast = only(GLOBAL)
    assert (forecast.source.lineage, forecast.source.model) == ("ecmwf", "global")
    assert {hour.gust_ms for hour in forecast.hours} == {None}
    assert {hour.precipitation_probability_pct for hour in forecast.hours} == {None}


def test_an_hour_near_oslo_is_read_as_sent():
    forecast = only(NORDIC)
    assert (forecast.grid_lat_deg, forecast.grid_lon_deg, forecast.grid_elevation_m) == (59, 10, 63)
    assert forecast.layer_scheme is LayerScheme.MET_NORWAY
    late = hour_at(forecast, "2022-05-18T23:00")
    assert (late.starts, late.ends) == (utc("2022-05-18T22:30"), utc("2022-05-18T23:30"))
    assert values(late, *CLOUDS) == (100, 84.2, 0, 99.7, 0)
    assert values(late, "temperature_c", "dew_point_c", "wind_ms", "gust_ms") == (12.2, 9.4, 1.7, 3.1)
    assert values(late, "thunder_probability_pct", "thunder_named", "fog_named") == (0.3, False, False)


def test_precipitation_belongs_to_the_hour_that_follows_its_mark():
    forecast = only(NORDIC)
    # chance 12.5 % from 22:00, 26.3 % from 23:00: the record at 23:00 touches both
    assert hour_at(forecast, "2022-05-20T23:00").precipitation_probability_pct == 26.3
    assert hour_at(forecast, "2022-05-20T22:00").precipitation_probability_pct == 12.5
    # before the first mark nothing is said, so half of the first record isn't covered
    assert hour_at(forecast, "2022-05-18T21:00").precipitation_mm is None
    assert hour_at(forecast, "2022-05-18T22:00").precipitation_mm == 0


def test_the_six_hourly_tail_is_kept_in_coarse_steps():
    forecast = only(NORDIC)
    change = hour_at(forecast, "2022-05-21T00:00")
    assert (change.starts, change.ends) == (utc("2022-05-20T23:30"), utc("2022-05-21T03:00"))
    # half an hour of the last hourly sum (0.0 mm), half of the six hours' 2.0 mm
    assert change.precipitation_mm == pytest.approx(1.0)
    assert change.precipitation_probability_pct == 45.1
    coarse = hour_at(forecast, "2022-05-21T06:00")
    assert (coarse.starts, coarse.ends) == (utc("2022-05-21T03:00"), utc("2022-05-21T09:00"))
    assert values(coarse, *CLOUDS) == (100, 71.9, 100, 99.2, None)
    assert values(coarse, "wind_ms", "gust_ms", "precipitation_mm") == (2.3, None, 1.0)
    assert coarse.precipitation_probability_pct == 45.1


def test_the_last_step_says_nothing_of_what_follows():
    forecast = only(NORDIC)
    last = forecast.hours[-1]
    assert (last.starts, last.ends) == (utc("2022-05-27T15:00"), utc("2022-05-27T21:00"))
    assert values(last, "cloud_total_pct", "precipitation_mm", "thunder_named") == (7.4, None, None)


def test_records_follow_on_each_other_without_a_hole():
    hours = only(NORDIC).hours
    assert len(hours) == 79
    assert all(each.ends == later.starts for each, later in itertools.pairwise(hours))


def test_hours_that_are_missing_stay_unknown():
    forecast = only(GLOBAL)  # trimmed: from 8:00 on the 2nd to 18:00 on the 4th nothing is left
    first, second = forecast.hours[:2]
    assert (first.ends, second.starts) == (utc("2024-10-02T08:30"), utc("2024-10-04T17:30"))
    assert max(hour.step for hour in forecast.hours) == timedelta(hours=6)
    evening = hour_at(forecast, "2024-10-04T22:00")
    assert values(evening, "cloud_total_pct", "temperature_c", "wind_ms") == (20.3, 15.2, 8.3)


def thunder_at_midnight():
    answer = read_json(NORDIC)
    answer["properties"]["timeseries"][3]["data"]["next_1_hours"]["summary"]["symbol_code"] = "rainandthunder"
    return answer


def test_a_symbol_with_thunder_names_it_in_both_records_it_touches():
    (forecast,) = parse(as_bytes(thunder_at_midnight()), fetched_at=None).forecasts
    assert [hour.thunder_named for hour in forecast.hours[1:6]] == [False, False, True, True, False]


def test_a_place_too_far_away_is_rejected():
    (failure,) = parse(read_bytes(NORDIC), fetched_at=None, place=Place(10, 59)).failures
    assert failure.gate is QualityCheck.PLACE


def change(answer, path, value):
    target = answer
    *at, last = path
    for part in at:
        target = target[part]
    if value is ...:
        del target[last]
    else:
        target[last] = value
    return as_bytes(answer)


STEP = ("properties", "timeseries", 0)
DETAILS = (*STEP, "data", "instant", "details")


@pytest.mark.parametrize(
    ("path", "value", "gate"),
    [
        pytest.param(("properties",), ..., QualityCheck.SHAPE, id="no properties"),
        pytest.param(("properties", "timeseries"), ..., QualityCheck.SHAPE, id="a GeoJSON error body"),
        pytest.param(("properties", "timeseries"), [], QualityCheck.SHAPE, id="no steps"),
        pytest.param(("properties", "meta"), ..., QualityCheck.SHAPE, id="no meta"),
        pytest.param(("properties", "meta", "updated_at"), "soon", QualityCheck.TIMES, id="no issue time"),
        pytest.param(
            ("properties", "meta", "units", "cloud_area_fraction"),
            "1",
            QualityCheck.UNITS,
            id="row_26_cloud_of_1",
        ),
        pytest.param((*STEP, "time"), "2022-05-18T21:00:00", QualityCheck.TIMES, id="row_28_no_offset"),
        pytest.param((*STEP, "time"), "2022-05-18T22:00:00Z", QualityCheck.TIMES, id="row_27_twice"),
        pytest.param((*STEP, "time"), "2022-05-18T23:30:00Z", QualityCheck.TIMES, id="row_27_unsorted"),
        pytest.param((*STEP, "data"), None, QualityCheck.SHAPE, id="no data"),
        pytest.param((*STEP, "data", "instant"), ..., QualityCheck.SHAPE, id="no instant"),
        pytest.param((*DETAILS, "cloud_area_fraction"), None, QualityCheck.SHAPE, id="null for a value"),
        pytest.param((*DETAILS, "cloud_area_fraction"), "100", QualityCheck.SHAPE, id="text for a value"),
        pytest.param(("geometry",), ..., QualityCheck.SHAPE, id="no point"),
        pytest.param(("geometry", "coordinates"), [10, 95], QualityCheck.SHAPE, id="off the globe"),
        pytest.param(("geometry", "coordinates"), [10], QualityCheck.SHAPE, id="half a point"),
    ],
)
def test_an_answer_that_cannot_be_read_is_refused_whole(path, value, gate):
    with pytest.raises(BadAnswer) as caught:
        parse(change(read_json(NORDIC), path, value), fetched_at=None)
    assert caught.value.gate is gate


@pytest.mark.parametrize(
    "value",
    [137, -1],
)
def test_row_25_cloud_out_of_range_rejects_the_answer(value):
    gathered = parse(change(read_json(NORDIC), (*DETAILS, "cloud_area_fraction"), value), fetched_at=None)
    assert gathered.forecasts == ()
    assert gathered.failures[0].gate is QualityCheck.RANGE


@pytest.mark.parametrize(
    ("path", "value", "field", "gate"),
    [
        ((*DETAILS, "cloud_area_fraction_low"), -1, "cloud_low_pct", QualityCheck.RANGE),
        ((*DETAILS, "wind_speed"), 400, "wind_ms", QualityCheck.RANGE),
        ((*DETAILS, "air_temperature"), 285, "temperature_c", QualityCheck.RANGE),
        ((*DETAILS, "dew_point_temperature"), "5", "dew_point_c", QualityCheck.SHAPE),
        (("properties", "meta", "units", "wind_speed"), "knots", "wind_ms", QualityCheck.UNITS),
        (
            ("properties", "meta", "units", "precipitation_amount"),
            ...,
            "precipitation_mm",
            QualityCheck.UNITS,
        ),
        ((*STEP, "data", "next_1_hours"), "rain", None, QualityCheck.SHAPE),
        ((*STEP, "data", "next_1_hours", "details"), 7, None, QualityCheck.SHAPE),
    ],
)
def test_row_156_what_cannot_be_read_beside_the_cloud_is_unknown_and_named(path, value, field, gate):
    whole = parse(read_bytes(NORDIC), fetched_at=None).forecasts[0]
    gathered = parse(change(read_json(NORDIC), path, value), fetched_at=None)
    (forecast,) = gathered.forecasts
    assert [hour.cloud_total_pct for hour in forecast.hours] == [hour.cloud_total_pct for hour in whole.hours]
    assert field is None or {getattr(hour, field) for hour in forecast.hours} == {None}
    (failure,) = gathered.failures
    assert failure.gate is gate
    assert "counts as unknown; the rest of the answer is used" in failure.text


def test_a_value_that_is_missing_is_unknown():
    body = change(read_json(NORDIC), (*DETAILS, "cloud_area_fraction"), ...)
    (forecast,) = parse(body, fetched_at=None).forecasts
    assert forecast.hours[0].cloud_total_pct is None


def test_a_sum_that_runs_into_the_next_steps_own_is_not_used():
    answer = read_json(NORDIC)
    for step in answer["properties"]["timeseries"][:3]:
        del step["data"]["next_1_hours"]  # six hours remain, of which the next step takes five
    (forecast,) = parse(as_bytes(answer), fetched_at=None).forecasts
    assert [hour.precipitation_mm for hour in forecast.hours[:6]] == [None, None, None, None, 0, 0]
