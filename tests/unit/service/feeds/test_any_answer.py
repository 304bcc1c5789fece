"""Whatever comes in: an adapter raises its own error or nothing, and a missing hour is never clear."""

import copy
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from alerts.weather.models import MODELS
from service.feeds.met_norway import client as met_norway
from service.feeds.met_norway import parse as met_norway_parse
from service.feeds.nws import client as nws
from service.feeds.nws import parse as nws_parse
from service.feeds.open_meteo import parse as open_meteo_parse
from service.feeds.open_meteo.place_batches import is_same_forecast, read_run, split_elements
from service.feeds.shared.checked_answers import FeedError
from service.feeds.shared.model import Gathered
from service.feeds.shared.warnings_by_place import parse_bulletin
from tests.unit.service.feeds.feed_files import (
    BOX,
    ENSCHEDE,
    GLOBAL,
    NORDIC,
    NWS_EDGES,
    as_bytes,
    read_bytes,
    read_json,
)


def warnings_by(service):
    """Reads a bulletin; it holds no forecast."""

    def parse(body, *, fetched_at):
        bulletin = parse_bulletin(body, service, asked_at=fetched_at)
        assert all(each.span.start < each.span.end and each.event for each in bulletin.warnings)
        return Gathered()

    return parse


PARSERS = {
    "open-meteo": open_meteo_parse.parse,
    "metno": met_norway_parse.parse,
    "nws": nws_parse.parse,
    "nws-warnings": warnings_by(nws.WARNINGS),
    "metno-warnings": warnings_by(met_norway.WARNINGS),
}
FILES = {
    "open-meteo": [
        ENSCHEDE,
        "invented-open-meteo-multimodel-cloud-layers.json",
        "invented-open-meteo-ensemble-clearing-night.json",
        "open-meteo-air-quality-enschede-2026-10-03.json",
    ],
    "metno": [GLOBAL, NORDIC],
    "nws": [NWS_EDGES, BOX],
    "nws-warnings": ["invented-nws-alerts-edge-cases.json"],
    "metno-warnings": ["invented-metno-alerts.json"],
}


def test_every_feed_with_a_model_is_asked_here():
    assert {row.feed for row in MODELS} <= set(PARSERS)


FEEDS = pytest.mark.parametrize("feed", list(PARSERS))
FEW = settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])

SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.integers(10**300, 10**310),
    st.floats(),
    st.text(max_size=12),
    st.sampled_from(
        [
            "2026-10-09T12:00:00Z",
            "2026-10-09T12:00",
            "0001-01-01T00:00:00Z",
            "2026-10-09T12:00:00Z/PT1H",
            "9999-12-31T23:59:59Z/P9999Y",
            "%",
            "PT1H",
        ]
    ),
)
KEYS = st.sampled_from(
    [
        "hourly",
        "hourly_units",
        "time",
        "cloud_cover",
        "properties",
        "timeseries",
        "data",
        "skyCover",
        "values",
        "uom",
        "validTime",
        "value",
        "geometry",
        "coordinates",
        "latitude",
        "utc_offset_seconds",
        "units",
        "meta",
        "error",
    ]
)
JUNK = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(KEYS | st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=20,
)


def parse_or_own_error(feed, body):
    """The forecasts, or none when the adapter raised its own error; anything else fails the test."""
    try:
        forecasts = PARSERS[feed](body, fetched_at=None).forecasts
    except FeedError:
        return ()
    for forecast in forecasts:
        clouds = [hour.cloud_total_pct for hour in forecast.hours]
        assert all(cloud is None or 0 <= cloud <= 100 for cloud in clouds)
        assert all(hour.starts < hour.ends for hour in forecast.hours)
        assert all(hour.ends <= later.starts for hour, later in pairwise(forecast.hours))
        assert all(len(member) == len(forecast.hours) for member in forecast.members)
    return forecasts


@FEEDS
@FEW
@given(body=st.binary(max_size=300))
def test_random_bytes_are_refused(feed, body):
    assert parse_or_own_error(feed, body) == ()


@FEEDS
@FEW
@given(answer=JUNK)
def test_random_json_is_refused_or_read(feed, answer):
    parse_or_own_error(feed, as_bytes(answer))


def paths(value, here=()):
    """The way to every value inside a JSON value."""
    yield here
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, each in inner:
        yield from paths(each, (*here, key))


ANSWERS = {feed: [read_json(name) for name in names] for feed, names in FILES.items()}
PATHS = {
    feed: [[path for path in paths(answer) if path] for answer in answers]
    for feed, answers in ANSWERS.items()
}


def with_change(answer, path, change):
    """A copy of the answer in which the value at `path` is replaced, or gone for `...`."""
    changed = target = copy.deepcopy(answer)
    *way, last = path
    for key in way:
        target = target[key]
    if change is ...:
        del target[last]
    else:
        target[last] = change
    return changed


@FEEDS
@settings(FEW, max_examples=120)
@given(data=st.data())
def test_an_answer_with_anything_changed_is_refused_or_read(feed, data):
    which = data.draw(st.integers(0, len(ANSWERS[feed]) - 1))
    path = data.draw(st.sampled_from(PATHS[feed][which]))
    change = data.draw(JUNK | st.just(...))
    parse_or_own_error(feed, as_bytes(with_change(ANSWERS[feed][which], path, change)))


@FEEDS
@FEW
@given(data=st.data())
def test_an_answer_cut_off_anywhere_is_refused(feed, data):
    body = read_bytes(FILES[feed][0]).strip()
    assert parse_or_own_error(feed, body[: data.draw(st.integers(0, len(body) - 1))]) == ()


CLOUD_KEYS = ("cloud_cover", "cloud_area_fraction", "skyCover")


def known_cloud(forecasts):
    """Model, record and cloud of every hour that has one."""
    return [
        (forecast.source.model, hour, hour.cloud_total_pct)
        for forecast in forecasts
        for hour in forecast.hours
        if hour.cloud_total_pct is not None
    ]


def was_given(model, hour, cloud, whole):
    """Whether the whole answer has that cloud at a time that the record stands for."""
    return any(
        (model, cloud) == (known_model, known) and each.starts < hour.ends and hour.starts < each.ends
        for known_model, each, known in whole
    )


@FEEDS
@FEW
@given(data=st.data())
def test_row_24_taking_values_away_never_makes_an_hour_clear(feed, data):
    """Whatever is removed or nulled, no hour gets a cloud value that the whole answer didn't give it."""
    which = data.draw(st.integers(0, len(ANSWERS[feed]) - 1))
    whole = known_cloud(parse_or_own_error(feed, as_bytes(ANSWERS[feed][which])))
    answer = ANSWERS[feed][which]
    for path in data.draw(st.lists(st.sampled_from(PATHS[feed][which]), min_size=1, max_size=5)):
        try:
            answer = with_change(answer, path, data.draw(st.sampled_from([None, ...])))
        except (KeyError, IndexError, TypeError):
            continue  # went with an earlier one
    left = known_cloud(parse_or_own_error(feed, as_bytes(answer)))
    models = {model for model, _, _ in whole}
    assert all(was_given(*each, whole) for each in left if each[0] in models)


@FEW
@given(answer=JUNK, count=st.integers(1, 3))
def test_splitting_an_answer_by_place_is_refused_or_done(answer, count):
    try:
        parts = split_elements(as_bytes(answer), count)
    except FeedError:
        return
    assert len(parts) == count


@FEW
@given(answer=JUNK)
def test_a_table_of_runs_is_refused_or_read(answer):
    try:
        run = read_run(as_bytes(answer))
    except FeedError:
        return
    assert run.settled_at


def test_the_same_values_are_the_same_forecast_wherever_they_overlap():
    whole = read_json("invented-open-meteo-multimodel-cloud-layers.json")
    later = copy.deepcopy(whole)
    later["hourly"] = {name: column[6:] for name, column in whole["hourly"].items()}
    assert is_same_forecast(as_bytes(whole), as_bytes(later))
    later["hourly"]["temperature_2m_icon_seamless"][2] += 0.1
    assert not is_same_forecast(as_bytes(whole), as_bytes(later))


def test_a_few_equal_values_make_no_same_forecast():
    clear = {"hourly": {"time": list(range(24)), "cloud_cover": [0] * 24}}
    assert not is_same_forecast(as_bytes(clear), as_bytes(clear))
