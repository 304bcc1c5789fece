"""What Open-Meteo's answers must satisfy, and how those that don't are told."""

import json
from dataclasses import fields

import pytest

from alerts.weather.forecast import Place
from alerts.weather.hours import HourlyWeather
from alerts.weather.quality_gates import RANGES, QualityCheck
from service.feeds.open_meteo.parse import parse
from service.feeds.shared.checked_answers import BadAnswer, FeedRefused
from tests.unit.service.feeds.feed_files import as_bytes, read_bytes, read_json, utc

NORMAL = {
    "cloud_cover": "%",
    "cloud_cover_high": "%",
    "temperature_2m": "°C",
    "wind_speed_10m": "km/h",
    "wind_gusts_10m": "km/h",
    "precipitation": "mm",
    "visibility": "m",
}


def small(**columns):
    """A two-hour answer in UTC seconds with these columns."""
    return {
        "latitude": 47.0,
        "longitude": 11.5,
        "elevation": 1500.0,
        "utc_offset_seconds": 0,
        "hourly_units": {"time": "unixtime", **{name: NORMAL[name] for name in columns}},
        "hourly": {"time": [1791568800, 1791572400], **columns},
    }


def changed(path: str, value: object):
    answer = small(cloud_cover=[10, 20])
    at, _, last = path.rpartition("/")
    target = answer
    for part in filter(None, at.split("/")):
        target = target[part]
    if value is ...:
        del target[last]
    else:
        target[last] = value
    return answer


UNITS = {"wind_speed_10m": "kn", "wind_gusts_10m": "mp/h", "temperature_2m": "°F", "precipitation": "inch"}


def test_other_units_are_converted_by_the_unit_block():
    answer = small(
        wind_speed_10m=[10, 10], wind_gusts_10m=[10, 10], temperature_2m=[32, 50], precipitation=[1, 1]
    )
    answer["hourly_units"] |= UNITS
    hours = parse(as_bytes(answer), fetched_at=None).forecasts[0].hours
    assert hours[0].wind_ms == pytest.approx(5.14444, abs=1e-5)
    assert hours[0].gust_ms == pytest.approx(4.4704)
    assert [hour.temperature_c for hour in hours] == pytest.approx([0, 10])
    assert hours[0].precipitation_mm == pytest.approx(25.4)


@pytest.mark.parametrize(
    ("path", "value", "gate"),
    [
        pytest.param("hourly_units/cloud_cover", "okta", QualityCheck.UNITS, id="row_26_cloud_in_eighths"),
        pytest.param("hourly_units/cloud_cover", "°C", QualityCheck.UNITS, id="row_26_fields_swapped"),
        pytest.param(
            "hourly_units/cloud_cover", "undefined", QualityCheck.UNITS, id="row_26_undefined_with_values"
        ),
        pytest.param("hourly_units/cloud_cover", ..., QualityCheck.UNITS, id="row_26_no_unit"),
        pytest.param("hourly/cloud_cover", [10], QualityCheck.LENGTHS, id="row_27_too_short"),
        pytest.param("hourly/cloud_cover", [10, 20, 30], QualityCheck.LENGTHS, id="row_27_too_long"),
        pytest.param("hourly/cloud_cover", [10, 137], QualityCheck.RANGE, id="row_25_above_100_percent"),
        pytest.param("hourly/cloud_cover", [10, -1], QualityCheck.RANGE, id="row_25_minus_1_percent"),
        pytest.param("hourly/cloud_cover", [10, "20"], QualityCheck.SHAPE, id="a number as text"),
        pytest.param("hourly/cloud_cover", [10, True], QualityCheck.SHAPE, id="true for a number"),
        pytest.param("hourly/cloud_cover", [10, [20]], QualityCheck.SHAPE, id="a list for a number"),
        pytest.param("hourly/cloud_cover", 10, QualityCheck.SHAPE, id="a number for a column"),
        pytest.param("hourly/cloud_cover", [10, 10**400], QualityCheck.BODY, id="row_23_an_endless_integer"),
    ],
)
def test_a_series_that_closes_a_gate_is_told_and_not_repaired(path, value, gate):
    gathered = parse(as_bytes(changed(path, value)), fetched_at=None, model="icon_seamless")
    assert gathered.forecasts == ()
    (failure,) = gathered.failures
    assert (failure.gate, failure.model) == (gate, "icon_seamless")
    assert failure.text.startswith(("open-meteo", "ICON (DWD): "))


@pytest.mark.parametrize(
    ("path", "value", "gate"),
    [
        pytest.param("hourly/time", [1791572400, 1791568800], QualityCheck.TIMES, id="row_27_unsorted"),
        pytest.param("hourly/time", [1791568800, 1791568800], QualityCheck.TIMES, id="row_27_twice"),
        pytest.param("hourly/time", [1791568800, None], QualityCheck.TIMES, id="no time"),
        pytest.param(
            "hourly/time", ["2026-10-09T18:00", "2026-10-09T19:00"], QualityCheck.TIMES, id="text for seconds"
        ),
        pytest.param("hourly/time", [1791568800, 10**17], QualityCheck.TIMES, id="after the calendar"),
        pytest.param("hourly/time", [], QualityCheck.SHAPE, id="no times at all"),
        pytest.param("hourly_units/time", "fortnights", QualityCheck.UNITS, id="an unknown time format"),
        pytest.param("utc_offset_seconds", ..., QualityCheck.SHAPE, id="row_28_no_offset"),
        pytest.param("utc_offset_seconds", 90_000, QualityCheck.OFFSET, id="row_28_an_offset_of_25_hours"),
        pytest.param("latitude", 91, QualityCheck.SHAPE, id="off the globe"),
        pytest.param("latitude", None, QualityCheck.SHAPE, id="nowhere"),
        pytest.param("hourly", ..., QualityCheck.SHAPE, id="no hours"),
        pytest.param("hourly_units", ..., QualityCheck.SHAPE, id="no units"),
        pytest.param("hourly", {"time": [1791568800]}, QualityCheck.SHAPE, id="no variable"),
    ],
)
def test_an_answer_that_cannot_be_read_is_refused_whole(path, value, gate):
    with pytest.raises(BadAnswer) as caught:
        parse(as_bytes(changed(path, value)), fetched_at=None)
    assert caught.value.gate is gate


def test_row_28_live_answers_must_be_in_utc():
    with pytest.raises(BadAnswer, match="off UTC") as caught:
        parse(as_bytes(changed("utc_offset_seconds", 3600)), fetched_at=None, utc_only=True)
    assert caught.value.gate is QualityCheck.OFFSET
    with pytest.raises(BadAnswer) as caught:
        parse(read_bytes("open-meteo-16day-null-tail-2026-10-18.json"), fetched_at=None, utc_only=True)
    assert caught.value.gate is QualityCheck.UNITS


@pytest.mark.parametrize(("offset_s", "first"), [(19_800, "18:30"), (34_200, "14:30"), (20_700, "18:15")])
def test_row_157_wall_time_of_a_zone_off_the_hour_is_read_at_its_utc(offset_s, first):
    answer = read_json("invented-open-meteo-half-hour-zone.json")
    answer["utc_offset_seconds"] = offset_s
    (forecast,) = parse(as_bytes(answer), fetched_at=None).forecasts
    assert forecast.hours[0].starts + forecast.hours[0].step / 2 == utc(f"2026-10-08T{first}")
    assert [hour.cloud_total_pct for hour in forecast.hours] == answer["hourly"]["cloud_cover"]


def test_row_157_unix_times_on_half_hours_are_read_as_they_are():
    answer = small(cloud_cover=[10, 20])
    answer["hourly"]["time"] = [at + 1800 for at in answer["hourly"]["time"]]
    answer["utc_offset_seconds"] = 34_200
    (forecast,) = parse(as_bytes(answer), fetched_at=None).forecasts
    assert {hour.starts.minute for hour in forecast.hours} == {0}


def test_row_28_an_offset_that_no_zone_has_is_refused():
    answer = read_json("invented-open-meteo-half-hour-zone.json")
    answer["utc_offset_seconds"] = 34_260
    with pytest.raises(BadAnswer, match="no offset that any zone has"):
        parse(as_bytes(answer), fetched_at=None)


@pytest.mark.parametrize(
    ("path", "value", "gate"),
    [
        pytest.param("hourly_units/temperature_2m", "K", QualityCheck.UNITS, id="another unit"),
        pytest.param("hourly_units/temperature_2m", ..., QualityCheck.UNITS, id="no unit"),
        pytest.param("hourly/temperature_2m", [4], QualityCheck.LENGTHS, id="too short"),
        pytest.param("hourly/temperature_2m", [4, "5"], QualityCheck.SHAPE, id="text"),
        pytest.param("hourly/temperature_2m", [4, 10**400], QualityCheck.BODY, id="an endless integer"),
        pytest.param("hourly/temperature_2m", 4, QualityCheck.SHAPE, id="no list"),
        pytest.param("hourly/temperature_2m", [4, 290], QualityCheck.RANGE, id="out of range"),
    ],
)
def test_row_156_a_column_that_cannot_be_read_is_unknown_and_named(path, value, gate):
    answer = small(cloud_cover=[10, 20], temperature_2m=[4, 5], visibility=[9000, 8000])
    answer["hourly_units"] |= {"temperature_2m": "°C", "visibility": "m"}
    block, name = path.split("/")
    if value is ...:
        del answer[block][name]
    else:
        answer[block][name] = value
    gathered = parse(as_bytes(answer), fetched_at=None, model="icon_seamless")
    (forecast,) = gathered.forecasts
    assert [hour.cloud_total_pct for hour in forecast.hours] == [10, 20]
    assert [hour.temperature_c for hour in forecast.hours] == [None, None]
    assert [hour.visibility_m for hour in forecast.hours] == [9000, 8000]
    (failure,) = gathered.failures
    assert (failure.gate, failure.model) == (gate, "icon_seamless")


def test_row_27_times_that_most_columns_do_not_fit_are_rejected_whole():
    """A time and a value that are both missing would make the rest be read an hour off, unseen."""
    answer = small(cloud_cover=[10], temperature_2m=[4, 5], visibility=[9000, 8000])
    del answer["hourly"]["time"][0]
    with pytest.raises(BadAnswer, match="there are 1 times, but most columns have 2 values") as caught:
        parse(as_bytes(answer), fetched_at=None)
    assert caught.value.gate == QualityCheck.LENGTHS


def test_row_29_an_answer_for_another_place_is_rejected():
    body = as_bytes(small(cloud_cover=[0, 0]))
    assert parse(body, fetched_at=None, model="icon_seamless", place=Place(47.05, 11.4)).forecasts
    (failure,) = parse(body, fetched_at=None, model="icon_seamless", place=Place(11.5, 47.0)).failures
    assert failure.gate is QualityCheck.PLACE
    assert "km away" in failure.text


def test_a_bad_model_leaves_the_others_alone():
    answer = read_json("invented-open-meteo-multimodel-cloud-layers.json")
    answer["hourly"]["cloud_cover_gfs_seamless"][5] = 101
    gathered = parse(as_bytes(answer), fetched_at=None)
    assert [forecast.source.model for forecast in gathered.forecasts] == ["icon_seamless", "metno_nordic"]
    assert [failure.model for failure in gathered.failures] == ["gfs_seamless"]


def test_the_scale_slip_of_an_ensemble_is_rejected():
    gathered = parse(read_bytes("invented-open-meteo-ensemble-unit-slip-0-1.json"), fetched_at=None)
    assert gathered.forecasts == ()
    assert gathered.failures[0].gate is QualityCheck.SCALE


ERRORS = read_json("open-meteo-errors.json")["cases"]
REFUSALS = [case for case in ERRORS if case["body"].startswith("{") and "reason" in case["body"]]


@pytest.mark.parametrize("case", REFUSALS, ids=lambda case: case["name"])
def test_error_answers_are_told_with_open_meteos_own_reason(case):
    with pytest.raises(FeedRefused) as caught:
        parse(case["body"].encode(), fetched_at=None)
    assert json.loads(case["body"])["reason"] in str(caught.value)


@pytest.mark.parametrize(
    "body",
    [
        pytest.param(read_bytes("open-meteo-uncovered-nan-200.txt"), id="row_23_bare_nan"),
        pytest.param(read_bytes("invented-open-meteo-truncated-stream-200.txt"), id="row_22_cut_off_json"),
        pytest.param(b"Unexpected error while streaming data: modelRunUnavailable", id="row_22_plain_text"),
        pytest.param(b"<html><head><title>502 Bad Gateway</title></head></html>", id="row_22_a_web_page"),
        pytest.param(b"", id="row_22_nothing"),
        pytest.param(b'{"latitude": NaN}', id="row_23_NaN"),
        pytest.param(b'{"latitude": Infinity}', id="row_23_Infinity"),
        pytest.param(b'{"latitude": -Infinity}', id="row_23_minus_Infinity"),
        pytest.param(b'{"latitude": 1e999}', id="row_23_1e999"),
        pytest.param(b"\xff\xfe\x00", id="no text at all"),
        pytest.param(b"[" * 100_000, id="nested without end"),
        pytest.param(b'{"latitude": ' + b"9" * 5000 + b"}", id="row_23_five_thousand_digits"),
    ],
)
def test_bodies_that_are_no_data_are_refused(body):
    with pytest.raises(BadAnswer) as caught:
        parse(body, fetched_at=None)
    assert caught.value.gate is QualityCheck.BODY


@pytest.mark.parametrize("body", [b"[]", b"7", b'"text"', b"null", b'[{"hourly": {}}, 7]'])
def test_other_json_is_refused_by_its_shape(body):
    with pytest.raises(BadAnswer) as caught:
        parse(body, fetched_at=None)
    assert caught.value.gate is QualityCheck.SHAPE


def test_every_value_read_has_a_gate():
    numbers = {each.name for each in fields(HourlyWeather)} - {"starts", "ends", "thunder_named", "fog_named"}
    assert numbers == set(RANGES)
