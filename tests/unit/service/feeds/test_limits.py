"""Allowances as data: windows on the clock, whose they are, and what the settings make of them."""

from datetime import timedelta

import pytest

from service.feeds.feed_wiring import allowances_from, feeds_from
from service.feeds.shared.guards import (
    ALLOWANCES,
    DAY_S,
    FREE_OPEN_METEO,
    PROVIDERS,
    provider_of,
    wait_for,
    window_start,
)
from service.settings import Settings
from tests.unit.service.feeds.feed_files import utc


@pytest.mark.parametrize(
    ("unit_s", "start", "wait_s"),
    [
        (1, "2026-10-09T12:34:56", 0.5),
        (60, "2026-10-09T12:34:00", 3.5),
        (3600, "2026-10-09T12:00:00", 1503.5),
    ],
    ids=["second", "minute", "hour"],
)
def test_windows_begin_on_the_utc_clock(unit_s, start, wait_s):
    now = utc("2026-10-09T12:34:56.500000")
    assert window_start(now, unit_s) == utc(start)
    assert wait_for(now, unit_s).total_seconds() == wait_s


def test_a_day_begins_at_midnight_utc():
    assert window_start(utc("2026-10-09T23:59"), DAY_S) == utc("2026-10-09T00:00")
    assert wait_for(utc("2026-10-09T23:00"), DAY_S) == timedelta(hours=1)


def test_the_free_service_s_limits_are_those_it_publishes():
    assert list(FREE_OPEN_METEO.most.values()) == [600, 5_000, 10_000]  # a minute, an hour, a day


def test_every_feed_has_a_provider_with_an_allowance():
    for name in [*(each.name for each in feeds_from(settings())), *PROVIDERS]:
        assert provider_of(name) in ALLOWANCES


def settings(**values):
    return Settings(**{"contact": "ops@example.org", "data_dir": "/nowhere"} | values)


@pytest.mark.parametrize(
    ("values", "most"),
    [
        ({}, 10_000),
        ({"open_meteo_key": "k"}, None),
        ({"open_meteo_url": "http://localhost:8080"}, None),
        ({"open_meteo_daily_weight": 2_000}, 2_000),
        ({"open_meteo_key": "k", "open_meteo_daily_weight": 33_000}, 33_000),
    ],
    ids=["free", "key", "own server", "less", "a customer's share"],
)
def test_the_settings_say_what_may_be_asked_of_open_meteo_a_day(values, most):
    assert allowances_from(settings(**values))["open-meteo"].most.get(DAY_S) == most


def test_open_meteo_stays_off_until_the_operator_says_how():
    (feed,) = [each for each in feeds_from(settings()) if each.name == "open-meteo"]
    assert "non-commercial" in str(feed.off_because)


def test_a_share_alike_model_needs_its_switch():
    named = settings(open_meteo_models=("ukmo_seamless",), open_meteo_share_alike=True)
    assert "open-meteo" in [each.name for each in feeds_from(named)]


def test_warnings_are_asked_of_the_bases_that_the_forecasts_have():
    feeds = {
        each.name: each for each in feeds_from(settings(nws_url="http://nws.test", met_norway_url="http://m"))
    }
    assert feeds["nws-warnings"].url == "http://nws.test/alerts/active"
    assert feeds["metno-warnings"].url == "http://m/weatherapi/metalerts/2.0/current.json"
    assert "nws-warnings" not in {each.name for each in feeds_from(settings(official_warnings=False))}
