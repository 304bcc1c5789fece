"""Open-Meteo's limits, waits and table of runs."""

from datetime import timedelta

import pytest

from service.feeds.open_meteo.place_batches import (
    MOST_PLACES,
    MOST_WEIGHT,
    places_per_request,
    read_run,
    request_weight,
    wait_by_wording,
)
from service.feeds.shared.checked_answers import BadAnswer
from service.feeds.shared.guards import FREE_OPEN_METEO, MINUTE_S
from tests.unit.service.feeds.feed_files import as_bytes, read_bytes, utc

HOUR = timedelta(hours=1)


@pytest.mark.parametrize(
    ("weight", "expected"),
    [
        # the provider's own examples of its counting
        pytest.param(request_weight(1, 1, 7, members=51), 5.1, id="an ensemble's cloud at one site"),
        pytest.param(request_weight(11, 20, 2, models=3), 66, id="11 variables, 3 models, 20 sites"),
        pytest.param(request_weight(1, 1, 1), 1, id="never below 1"),
        pytest.param(request_weight(10, 1, 28), 2, id="four weeks count twice"),
        pytest.param(request_weight(13, 450, 2), 585, id="many sites"),
    ],
)
def test_a_request_weighs_what_the_provider_says(weight, expected):
    assert weight == pytest.approx(expected)


@pytest.mark.parametrize(
    ("variables", "days", "members"), [(13, 2, 1), (1, 2, 51), (1, 35, 51), (13, 16, 51), (1, 1, 1)]
)
def test_requests_stay_below_the_heaviest_allowed(variables, days, members):
    places = places_per_request(variables, days, members)
    assert 1 <= places <= MOST_PLACES
    assert (
        request_weight(variables, places, days, members=members)
        <= MOST_WEIGHT
        <= FREE_OPEN_METEO.most[MINUTE_S]
    )


@pytest.mark.parametrize(
    ("words", "wait"),
    [
        ("Minutely API request limit exceeded. Please try again in one minute.", timedelta(minutes=1)),
        ("Hourly API request limit exceeded. Please try again in the next hour.", timedelta(minutes=17)),
        ("Daily API request limit exceeded. Please try again tomorrow.", timedelta(hours=5, minutes=17)),
        ("Too many concurrent requests", timedelta(seconds=10)),
        ("Something new", timedelta(minutes=1)),
    ],
)
def test_row_18_the_wait_follows_from_the_wording(words, wait):
    assert wait_by_wording(f"open-meteo says: {words}", utc("2026-10-09T18:43")) == wait


def test_the_newest_run_is_read():
    run = read_run(read_bytes("invented-open-meteo-meta.json"))
    assert run.began_at == utc("2026-10-09T06:00")
    assert run.available_at == utc("2026-10-09T09:18")
    assert run.settled_at == utc("2026-10-09T09:28")
    assert run.interval == 6 * HOUR


@pytest.mark.parametrize(
    ("fetched", "issued"),
    [
        pytest.param("2026-10-09T12:00", "2026-10-09T09:18", id="after it settled"),
        pytest.param("2026-10-09T09:28", "2026-10-09T09:18", id="at that moment"),
        pytest.param("2026-10-09T09:20", "2026-10-09T03:18", id="while servers settle"),
        pytest.param("2026-10-09T03:28", "2026-10-09T03:18", id="six hours before"),
        pytest.param("2026-10-09T03:00", "2026-10-08T21:18", id="longer before"),
    ],
)
def test_an_answer_is_of_the_run_that_it_surely_holds(fetched, issued):
    run = read_run(read_bytes("invented-open-meteo-meta.json"))
    assert run.issued_at(utc(fetched)) == utc(issued)


@pytest.mark.parametrize(
    ("now", "believed"),
    [
        ("2026-10-09T12:00", True),
        ("2026-10-09T05:59", False),
        ("2026-10-16T06:00", True),
        ("2026-10-17T06:01", False),
    ],
)
def test_a_run_left_behind_in_the_table_is_not_believed(now, believed):
    run = read_run(read_bytes("invented-open-meteo-meta.json"))
    assert run.is_believable(utc(now), horizon_h=192) is believed


GOOD = {
    "last_run_initialisation_time": 1791525600,
    "last_run_availability_time": 1791537480,
    "update_interval_seconds": 21600,
}


@pytest.mark.parametrize(
    "change",
    [
        {"last_run_initialisation_time": None},
        {"last_run_initialisation_time": 10**18},
        {"last_run_availability_time": "soon"},
        {"update_interval_seconds": 0},
        {"update_interval_seconds": -5},
    ],
    ids=str,
)
def test_a_table_that_does_not_tell_is_refused(change):
    with pytest.raises(BadAnswer):
        read_run(as_bytes(GOOD | change))
