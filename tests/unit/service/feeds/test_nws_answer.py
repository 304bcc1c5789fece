"""NWS gridpoint answers: three recorded, one invented for its edges."""

import itertools
from datetime import timedelta

import pytest

from alerts.weather.forecast import LayerScheme, Place
from alerts.weather.quality_gates import QualityCheck
from service.feeds.nws.parse import parse
from service.feeds.shared.checked_answers import BadAnswer, FeedRefused
from tests.unit.service.feeds.feed_files import (
    BOX,
    FGZ,
    NWS_EDGES,
    TAE,
    as_bytes,
    hour_at,
    read_bytes,
    read_json,
    utc,
    values,
)


def only(name: str, **how):
    gathered = parse(read_bytes(name), fetched_at=None, **how)
    assert not gathered.failures
    (forecast,) = gathered.forecasts
    return forecast


def test_the_source_is_the_forecasters_blend():
    forecast = only(BOX)
    assert (forecast.source.provider, forecast.source.lineage) == ("NOAA / National Weather Service", "nws")
    assert forecast.source.issued_at == utc("2026-07-15T18:29:19")
    assert forecast.layer_scheme is LayerScheme.NONE
    assert forecast.grid_lat_deg == pytest.approx(41.9586, abs=1e-3)
    assert forecast.grid_lon_deg == pytest.approx(-71.1977, abs=1e-3)
    assert forecast.grid_elevation_m == pytest.approx(34.1376)


def test_the_night_near_boston_is_read_as_sent():
    forecast = only(BOX)
    cover = [hour_at(forecast, f"2026-07-16T0{hour}:00").cloud_total_pct for hour in range(2, 7)]
    assert cover == [21, 17, 7, 10, 16]
    hour = hour_at(forecast, "2026-07-16T03:30")
    assert (hour.starts, hour.ends) == (utc("2026-07-16T03:00"), utc("2026-07-16T04:00"))
    assert values(hour, "temperature_c", "dew_point_c") == (22.2222, 14.4444)
    assert hour.wind_ms == pytest.approx(3.704 / 3.6)  # two knots
    assert hour.gust_ms == pytest.approx(12.964 / 3.6)  # seven knots
    assert values(hour, "precipitation_probability_pct", "precipitation_mm") == (2, 0)
    assert hour.visibility_m == pytest.approx(14484.096)  # nine miles
    assert values(hour, "thunder_named", "fog_named", "cloud_low_pct") == (False, False, None)


def test_the_night_at_flagstaff_is_read_as_sent():
    forecast = only(FGZ)
    assert forecast.source.issued_at == utc("2024-02-20T17:13:54")
    assert [hour_at(forecast, f"2024-02-20T{hour}:00").cloud_total_pct for hour in (11, 12, 13, 14)] == [
        81,
        79,
        77,
        73,
    ]
    before_dawn = hour_at(forecast, "2024-02-20T12:00")
    assert values(before_dawn, "temperature_c", "precipitation_probability_pct") == (-2.2222, 1)
    assert before_dawn.wind_ms == pytest.approx(12.964 / 3.6)
    assert {hour.visibility_m for hour in forecast.hours} == {None}  # an empty layer


def test_the_gulf_coast_names_thunder():
    forecast = only(TAE)
    assert hour_at(forecast, "2022-02-04T05:00").thunder_named is False
    stormy = hour_at(forecast, "2022-02-04T07:00")
    assert values(stormy, "cloud_total_pct", "thunder_named", "precipitation_probability_pct") == (
        68,
        True,
        20,
    )
    assert stormy.temperature_c == pytest.approx(18.8889, abs=1e-4)


def test_a_chance_is_copied_and_an_amount_is_shared_out():
    forecast = only(TAE)
    six = [hour_at(forecast, f"2022-02-04T{hour:02}:00") for hour in range(6, 12)]
    assert [hour.precipitation_mm for hour in six] == pytest.approx([2.032 / 6] * 6)
    assert [hour.precipitation_probability_pct for hour in six] == [20, 20, 20, 31, 31, 31]


@pytest.mark.parametrize("name", [BOX, FGZ, TAE, NWS_EDGES])
def test_no_rain_is_lost_or_invented(name):
    layer = read_json(name)["properties"]["quantitativePrecipitation"]["values"]
    total = sum(hour.precipitation_mm or 0 for hour in only(name).hours)
    assert total == pytest.approx(sum(entry["value"] or 0 for entry in layer))


@pytest.mark.parametrize("name", [BOX, FGZ, TAE])
def test_records_are_hours_without_a_hole(name):
    hours = only(name).hours
    assert all(hour.step == timedelta(hours=1) for hour in hours)
    assert all(each.ends == later.starts for each, later in itertools.pairwise(hours))


def test_cover_goes_on_past_the_documents_own_valid_times():
    forecast = only(BOX)  # validTimes end at 01:00 on the 23rd, sky cover at 06:00
    assert forecast.hours[-1].ends == utc("2026-07-23T06:00")
    assert values(forecast.hours[-1], "cloud_total_pct", "temperature_c") == (29, None)


@pytest.mark.parametrize(
    ("at", "cover"),
    [
        pytest.param("2026-10-09T12:00", 95, id="first hour"),
        pytest.param("2026-10-09T18:59", 60, id="last minute of four hours"),
        pytest.param("2026-10-09T19:00", None, id="row_24_null"),
        pytest.param("2026-10-09T21:30", 12, id="before the hole"),
        pytest.param("2026-10-09T22:00", None, id="row_24_in_the_hole"),
        pytest.param("2026-10-09T23:59", None, id="end of the hole"),
        pytest.param("2026-10-10T00:00", 4, id="after the hole"),
        pytest.param("2026-10-11T11:59", 33, id="thirty hours on"),
        pytest.param("2026-10-11T12:10", 50, id="a half hour"),
        pytest.param("2026-10-11T12:30", 70, id="the other half"),
        pytest.param("2026-10-11T17:59", 70, id="the very end"),
    ],
)
def test_every_edge_of_an_interval_is_kept(at, cover):
    assert hour_at(only(NWS_EDGES), at).cloud_total_pct == cover


def test_records_are_cut_where_a_layer_changes_within_the_hour():
    halves = [hour for hour in only(NWS_EDGES).hours if hour.step < timedelta(hours=1)]
    assert [(hour.starts, hour.ends) for hour in halves] == [
        (utc("2026-10-11T12:00"), utc("2026-10-11T12:30")),
        (utc("2026-10-11T12:30"), utc("2026-10-11T13:00")),
    ]


def test_layers_that_are_absent_are_unknown():
    hour = hour_at(only(NWS_EDGES), "2026-10-09T15:00")
    assert values(hour, "gust_ms", "precipitation_probability_pct", "thunder_named") == (None, None, None)
    assert hour.precipitation_mm == pytest.approx(3.048 / 6)


PROBLEMS = [case for case in read_json("nws-errors.json")["cases"] if case["body"]]


@pytest.mark.parametrize("case", PROBLEMS, ids=lambda case: case["name"])
def test_problem_documents_are_told_in_their_own_words(case):
    with pytest.raises(FeedRefused, match="answers with a problem") as caught:
        parse(case["body"].encode(), fetched_at=None)
    assert caught.value.status == case["status"]


def test_a_cell_elsewhere_is_rejected():
    assert only(BOX, place=Place(41.96, -71.20)).place == Place(41.96, -71.20)
    (failure,) = parse(read_bytes(BOX), fetched_at=None, place=Place(42.2, -71.2)).failures
    assert failure.gate is QualityCheck.PLACE


SKY = ("properties", "skyCover")
FIRST = (*SKY, "values", 0)


@pytest.mark.parametrize(
    ("path", "value", "gate"),
    [
        pytest.param(("properties",), ..., QualityCheck.SHAPE, id="no properties"),
        pytest.param(("geometry",), None, QualityCheck.SHAPE, id="no outline"),
        pytest.param(("geometry", "coordinates"), [[]], QualityCheck.SHAPE, id="an empty outline"),
        pytest.param(("geometry", "coordinates"), [[[-100, 400]]], QualityCheck.SHAPE, id="off the globe"),
        pytest.param(("properties", "updateTime"), "now", QualityCheck.TIMES, id="no issue time"),
        pytest.param((*SKY, "uom"), "wmoUnit:okta", QualityCheck.UNITS, id="row_26_cover_in_eighths"),
        pytest.param((*SKY, "values"), None, QualityCheck.SHAPE, id="no values"),
        pytest.param((*SKY, "values"), [7], QualityCheck.SHAPE, id="no intervals"),
        pytest.param(
            (*FIRST, "validTime"), "2026-10-09T12:00:00/PT3H", QualityCheck.TIMES, id="row_28_no_offset"
        ),
        pytest.param((*FIRST, "validTime"), "2026-10-09T12:00:00Z/3H", QualityCheck.TIMES, id="no duration"),
        pytest.param(
            (*FIRST, "validTime"), "2026-10-09T12:00:00Z/PT4H", QualityCheck.TIMES, id="row_27_overlap"
        ),
        pytest.param(
            (*FIRST, "validTime"), "2026-10-09T16:00:00Z/PT1H", QualityCheck.TIMES, id="row_27_unsorted"
        ),
        pytest.param((*FIRST, "validTime"), "2020-10-09T16:00:00Z/PT1H", QualityCheck.TIMES, id="years long"),
        pytest.param((*FIRST, "value"), "95", QualityCheck.SHAPE, id="text for a value"),
        pytest.param((*FIRST, "value"), [95], QualityCheck.SHAPE, id="a list for a value"),
    ],
)
def test_an_answer_that_cannot_be_read_is_refused_whole(path, value, gate):
    answer = target = read_json(NWS_EDGES)
    *at, last = path
    for part in at:
        target = target[part]
    if value is ...:
        del target[last]
    else:
        target[last] = value
    with pytest.raises(BadAnswer) as caught:
        parse(as_bytes(answer), fetched_at=None)
    assert caught.value.gate is gate


@pytest.mark.parametrize("unit", [..., None])
@pytest.mark.parametrize("name", ["skyCover", "temperature", "probabilityOfThunder"])
def test_row_155_a_layer_without_a_unit_is_in_its_documented_one(name, unit):
    answer = read_json("invented-nws-gridpoint-whole.json")
    (whole,) = parse(as_bytes(answer), fetched_at=None).forecasts
    layer = answer["properties"][name]
    layer.pop("uom", None)
    if unit is None:
        layer["uom"] = None
    gathered = parse(as_bytes(answer), fetched_at=None)
    assert gathered.forecasts == (whole,)
    assert gathered.failures == ()
    assert max(hour.thunder_probability_pct for hour in whole.hours) == 30


@pytest.mark.parametrize(
    ("path", "value", "field", "gate"),
    [
        (("windSpeed", "uom"), "wmoUnit:percent", "wind_ms", QualityCheck.UNITS),
        (("temperature", "values", 0, "value"), "mild", "temperature_c", QualityCheck.SHAPE),
        (("temperature", "values", 0, "value"), 300, "temperature_c", QualityCheck.RANGE),
        (("dewpoint", "values", 1, "validTime"), "soon", "dew_point_c", QualityCheck.TIMES),
        (("windGust", "values"), None, "gust_ms", QualityCheck.SHAPE),
        (("visibility",), "fine", "visibility_m", QualityCheck.SHAPE),
        (
            ("visibility", "values", 0, "validTime"),
            "2020-10-09T12:00:00Z/PT1H",
            "visibility_m",
            QualityCheck.TIMES,
        ),
        (("weather", "values", 0, "value"), "fog", "fog_named", QualityCheck.SHAPE),
    ],
)
def test_row_156_a_layer_that_cannot_be_read_is_unknown_and_named(path, value, field, gate):
    answer = read_json("invented-nws-gridpoint-whole.json")
    (whole,) = parse(as_bytes(answer), fetched_at=None).forecasts
    target = answer["properties"]
    *at, last = path
    for part in at:
        target = target[part]
    target[last] = value
    gathered = parse(as_bytes(answer), fetched_at=None)
    (forecast,) = gathered.forecasts
    (failure,) = gathered.failures
    assert failure.gate is gate
    assert {getattr(hour, field) for hour in forecast.hours} == {None}
    assert [hour.cloud_total_pct for hour in forecast.hours] == [hour.cloud_total_pct for hour in whole.hours]


@pytest.mark.parametrize("value", [101, -1, 5000])
def test_row_25_cover_out_of_range_rejects_the_answer(value):
    answer = read_json(NWS_EDGES)
    answer["properties"]["skyCover"]["values"][3]["value"] = value
    (failure,) = parse(as_bytes(answer), fetched_at=None).failures
    assert failure.gate is QualityCheck.RANGE


def test_an_answer_without_any_known_layer_is_refused():
    answer = read_json(NWS_EDGES)
    kept = ("updateTime", "validTimes", "elevation")
    answer["properties"] = {name: answer["properties"][name] for name in kept}
    with pytest.raises(BadAnswer, match="no layer"):
        parse(as_bytes(answer), fetched_at=None)


def test_without_an_update_time_the_issue_time_is_unknown():
    answer = read_json(NWS_EDGES)
    del answer["properties"]["updateTime"]
    assert parse(as_bytes(answer), fetched_at=None).forecasts[0].source.issued_at is None
