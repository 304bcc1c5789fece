"""Every recorded answer, spoilt in every way we know: never a go, and unknown is never clear.

Each answer is judged over its cloudiest hours beside a second family that is sure of a clear sky, so that
whether the night is a go hangs on the spoilt answer alone.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from alerts.common.span import Span
from alerts.judging.assess import JudgingInputs
from alerts.judging.verdict import VerdictWord
from alerts.weather.forecast import Forecast, Place
from alerts.weather.hours import Hours
from alerts.wishes.model import Wishes
from service.feeds.met_norway import parse as met_norway_parse
from service.feeds.nws import parse as nws_parse
from service.feeds.open_meteo import parse as open_meteo_parse
from service.feeds.shared.checked_answers import FeedError
from tests.unit.alerts.judging.values import HOUR, SITE, fine_hour, night, source
from tests.unit.service.feeds.feed_files import FILES, as_bytes
from tests.unit.service.feeds.test_every_sample import READ

CLOUD_KEY = {"open-meteo": "cloud_cover", "metno": "cloud_area_fraction", "nws": "skyCover"}
LONG = 4
CLOUDY_PCT = 70.0
"""Mean cloud of the hours judged, from which a go would be a lie."""
PARSE = {"open-meteo": open_meteo_parse.parse, "metno": met_norway_parse.parse, "nws": nws_parse.parse}


def feed_of(answer: Any) -> str:
    if isinstance(answer, list) or "hourly" in answer:
        return "open-meteo"
    return "metno" if "timeseries" in answer["properties"] else "nws"


def read(feed: str, body: bytes, place: Place | None = None) -> tuple[Forecast, ...]:
    """What is used of an answer: nothing when it is refused."""
    try:
        return PARSE[feed](body, fetched_at=None, place=place).forecasts
    except FeedError:
        return ()


def columns(feed: str, answer: Any) -> Iterator[tuple[Any, Any]]:
    """Each total cloud value's holder and key, to be changed in place."""
    if feed == "open-meteo":
        for element in answer if isinstance(answer, list) else [answer]:
            for name, column in element["hourly"].items():
                if name.startswith("cloud_cover") and not name.startswith(
                    ("cloud_cover_low", "cloud_cover_mid", "cloud_cover_high")
                ):
                    yield from ((column, index) for index in range(len(column)))
    elif feed == "metno":
        for step in answer["properties"]["timeseries"]:
            details = step["data"]["instant"]["details"]
            if "cloud_area_fraction" in details:
                yield details, "cloud_area_fraction"
    else:
        yield from ((entry, "value") for entry in answer["properties"]["skyCover"]["values"])


def each_cloud(change: Callable[[float], Any]) -> Callable[[str, Any], Any]:
    def spoil(feed: str, answer: Any) -> Any:
        for holder, key in columns(feed, answer):
            if isinstance(holder[key], int | float):
                holder[key] = change(holder[key])
        return answer

    return spoil


def layers_too(change: Callable[[float], Any]) -> Callable[[str, Any], Any]:
    def spoil(feed: str, answer: Any) -> Any:
        answer = each_cloud(change)(feed, answer)
        if feed == "open-meteo":
            for element in answer if isinstance(answer, list) else [answer]:
                for name, column in element["hourly"].items():
                    if name.startswith("cloud_cover_") and name.split("_")[2] in ("low", "mid", "high"):
                        element["hourly"][name] = [None if v is None else change(v) for v in column]
        if feed == "metno":
            for step in answer["properties"]["timeseries"]:
                details = step["data"]["instant"]["details"]
                for name in details:
                    if name.startswith("cloud_area_fraction_"):
                        details[name] = change(details[name])
        return answer

    return spoil


def some_clouds(every: int, value: Any) -> Callable[[str, Any], Any]:
    def spoil(feed: str, answer: Any) -> Any:
        for index, (holder, key) in enumerate(columns(feed, answer)):
            if index % every == 0:
                holder[key] = value
        return answer

    return spoil


def unit(text: Any) -> Callable[[str, Any], Any]:
    def spoil(feed: str, answer: Any) -> Any:
        if feed == "open-meteo":
            for element in answer if isinstance(answer, list) else [answer]:
                for name in element["hourly_units"]:
                    if name.startswith("cloud_cover"):
                        element["hourly_units"][name] = text
        elif feed == "metno":
            answer["properties"]["meta"]["units"]["cloud_area_fraction"] = text
        else:
            answer["properties"]["skyCover"]["uom"] = text
        return answer

    return spoil


def times(change: Callable[[list[Any]], list[Any]]) -> Callable[[str, Any], Any]:
    """The list of times, or of steps and intervals, changed as a whole."""

    def spoil(feed: str, answer: Any) -> Any:
        if feed == "open-meteo":
            for element in answer if isinstance(answer, list) else [answer]:
                element["hourly"]["time"] = change(element["hourly"]["time"])
        elif feed == "metno":
            answer["properties"]["timeseries"] = change(answer["properties"]["timeseries"])
        else:
            layer = answer["properties"]["skyCover"]
            layer["values"] = change(layer["values"])
        return answer

    return spoil


def moved(lat: float, lon: float) -> Callable[[str, Any], Any]:
    def spoil(feed: str, answer: Any) -> Any:
        if feed == "open-meteo":
            for element in answer if isinstance(answer, list) else [answer]:
                element["latitude"] += lat
                element["longitude"] += lon
        elif feed == "metno":
            point = answer["geometry"]["coordinates"]
            point[0], point[1] = point[0] + lon, point[1] + lat
        else:
            for corner in answer["geometry"]["coordinates"][0]:
                corner[0], corner[1] = corner[0] + lon, corner[1] + lat
        return answer

    return spoil


SPOILT: dict[str, Callable[[str, Any], Any]] = {
    "shares of one": layers_too(lambda v: v / 100),
    "shares of one, whole": layers_too(lambda v: round(v / 100)),
    "eighths": layers_too(lambda v: round(v * 8 / 100)),
    "tenths": layers_too(lambda v: round(v / 10)),
    "a thousand times": each_cloud(lambda v: v * 1000 + 101),
    "negative": each_cloud(lambda v: -v - 1),
    "text": each_cloud(str),
    "true": each_cloud(lambda _: True),
    "lists": each_cloud(lambda v: [v]),
    "endless": each_cloud(lambda _: 10**400),
    "nulls": each_cloud(lambda _: None),
    "in eighths by its unit": unit("okta"),
    "in shares by its unit": unit("1"),
    "a unit that is none": unit(7),
    "an empty unit": unit(""),
    "times backwards": times(lambda each: each[::-1]),
    "times twice": times(lambda each: [*each, *each]),
    "the first twice": times(lambda each: [each[0], *each]),
    "without the last": times(lambda each: each[:-1]),
    "no times": times(lambda _: []),
    "times as one": times(lambda each: each[:1] * len(each)),
    "one degree north": moved(1, 0),
    "one degree east": moved(0, 1),
    "the other side of the Earth": moved(-100, 0),
    **{f"every {n}th null": some_clouds(n, None) for n in range(1, 13)},
    **{f"every {n}th missing a number": some_clouds(n, "") for n in range(2, 6)},
    **{f"every {n}th below zero": some_clouds(n, -1) for n in range(2, 6)},
}
CUTS = 75


def variants(name: str) -> Iterator[tuple[str, bytes]]:
    body = (FILES / name).read_bytes().strip()
    answer = json.loads(body)
    feed = feed_of(answer)
    for what, spoil in SPOILT.items():
        yield what, as_bytes(spoil(feed, copy.deepcopy(answer)))
    for cut in range(CUTS):
        yield f"cut off at {cut} of {CUTS}", body[: len(body) * cut // CUTS]
    yield "doubled", body + body
    yield "packed in text", as_bytes(body.decode())


def cloudiest(forecast: Forecast) -> Span | None:
    """The four hours with most cloud, all known, if they are cloudy."""
    hours = [hour for hour in forecast.hours if hour.step <= HOUR]
    best, found = CLOUDY_PCT, None
    for first in range(len(hours) - LONG + 1):
        some = hours[first : first + LONG]
        clouds = [hour.cloud_total_pct for hour in some]
        known = [cloud for cloud in clouds if cloud is not None]
        if len(known) == LONG and sum(known) / LONG >= best:
            best, found = sum(known) / LONG, Span(some[0].starts, some[-1].ends)
    return found


def is_go(forecast: Forecast, window: Span) -> bool:
    """Whether the night is a go with this forecast beside one that is sure of a clear sky."""
    start = window.start - 2 * HOUR
    clear = Forecast(
        source("icon", "Somebody else", issued_at=start - HOUR, fetched_at=start - HOUR),
        forecast.grid_lat_deg,
        forecast.grid_lon_deg,
        None,
        forecast.layer_scheme,
        Hours.of(fine_hour(start + k * HOUR) for k in range(10)),
    )
    asked = replace(night(window), name=window.start.date())
    mine = replace(forecast, source=replace(forecast.source, lineage="ecmwf", issued_at=start - HOUR))
    now = window.start - timedelta(hours=1.5)
    verdict = JudgingInputs(site=SITE, now=now, forecasts=(mine, clear)).judge([asked], Wishes())
    return verdict.word is VerdictWord.GO


CLOUDED = [
    (name, window)
    for name in READ
    for feed in [feed_of(json.loads((FILES / name).read_bytes()))]
    for forecast in read(feed, (FILES / name).read_bytes())[:1]
    if (window := cloudiest(forecast))
]


@pytest.mark.parametrize(("name", "window"), CLOUDED, ids=[name for name, _ in CLOUDED])
def test_row_167_a_spoilt_answer_never_makes_a_go(name: str, window: Span) -> None:
    feed = feed_of(json.loads((FILES / name).read_bytes()))
    (whole, *_) = read(feed, (FILES / name).read_bytes())
    place = Place(whole.grid_lat_deg, whole.grid_lon_deg)
    given = {hour.starts: hour.cloud_total_pct for hour in whole.hours}
    assert not is_go(whole, window)
    for what, body in variants(name):
        same = [each for each in read(feed, body, place) if each.source.model == whole.source.model]
        for forecast in same[:1]:
            assert not is_go(forecast, window), what
            for hour in forecast.hours:
                was = given.get(hour.starts)
                kept = hour.cloud_total_pct in (None, was)
                assert kept or what in ("shares of one", "shares of one, whole", "eighths", "tenths"), what


def test_a_clear_answer_is_a_go_so_that_the_others_could_have_been() -> None:
    name, window = CLOUDED[0]
    feed = feed_of(json.loads((FILES / name).read_bytes()))
    (whole, *_) = read(feed, (FILES / name).read_bytes())
    clear = replace(
        whole,
        hours=Hours.of(fine_hour(window.start - 2 * HOUR + k * HOUR) for k in range(10)),
        members=(),
    )
    assert is_go(clear, window)


def test_there_are_many_variants() -> None:
    assert len(CLOUDED) * sum(1 for _ in variants(CLOUDED[0][0])) > 1400
