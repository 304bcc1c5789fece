"""A night that no forecast reaches yet, and one without a window: what is said of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from alerts.briefing.collect import look_ahead, next_window
from alerts.briefing.facts import Ahead
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes, Target, TargetKind
from alerts.sky.nights.night_builder import night_named
from alerts.weather.models import AIR_ROW, PUBLISHED_AFTER, find_model, first_look, reach_of_models
from alerts.wishes.model import Wishes
from service.demo.play import FLAT, SATURDAY

REACH = timedelta(days=5)
WISHES = Wishes(sky=SkyWishes(lowest_altitude_deg=None))
NORTH = Site("Far North", 52.0, 5.0, 10.0, "Europe/Amsterdam")


@pytest.fixture(scope="module")
def ephemeris() -> Ephemeris:
    return Ephemeris.open()


def test_the_farthest_model_that_tells_of_cloud_says_how_far_forecasts_look():
    icon, gfs = find_model("open-meteo", "icon_seamless"), find_model("open-meteo", "gfs_seamless")
    assert icon is not None
    assert gfs is not None
    assert reach_of_models([icon]) == timedelta(hours=180) - PUBLISHED_AFTER
    assert reach_of_models([icon, gfs, AIR_ROW]) == timedelta(hours=384) - PUBLISHED_AFTER
    assert reach_of_models([AIR_ROW]) == reach_of_models([]) == timedelta(0)


@pytest.mark.parametrize(
    ("before", "reach", "expected"),
    [
        pytest.param(timedelta(days=6), REACH, SATURDAY - REACH, id="beyond"),
        pytest.param(REACH, REACH, None, id="just reached"),
        pytest.param(REACH + timedelta(minutes=1), REACH, SATURDAY - REACH, id="a minute beyond"),
        pytest.param(timedelta(days=90), REACH, SATURDAY - REACH, id="months beyond"),
        pytest.param(timedelta(days=6), timedelta(0), None, id="nobody forecasts anything"),
    ],
)
def test_row_219_the_first_look_is_when_a_forecast_reaches_the_window(
    ephemeris: Ephemeris, before: timedelta, reach: timedelta, expected: date | None
):
    night = night_named(FLAT, SATURDAY, WISHES.sky, ephemeris)
    now = night.windows[0].span.start - before
    assert first_look(night, FLAT, now, reach) == expected
    assert look_ahead(FLAT, night, WISHES, ephemeris, now=now, reach=reach) == Ahead(expected)


def test_a_bare_night_has_the_next_window_and_what_other_targets_would_give(ephemeris: Ephemeris):
    """In December the core isn't up in the dark; the band, its winter arc and the sky alone are."""
    bare = date(2026, 12, 8)
    night = night_named(FLAT, bare, WISHES.sky, ephemeris)
    assert not night.windows
    ahead = look_ahead(FLAT, night, WISHES, ephemeris, now=night.span.start, reach=REACH)
    assert ahead.first_look is None
    assert [each.target for each in ahead.instead] == ["band", "winter", "none"]
    for each in ahead.instead:
        assert night.span.contains(each.span.start)
        assert each.span.duration > timedelta(hours=2)
    assert ahead.next_window is not None
    assert bare < ahead.next_window < date(2027, 3, 31)
    assert night_named(FLAT, ahead.next_window, WISHES.sky, ephemeris).windows


def test_targets_that_were_asked_for_are_no_others(ephemeris: Ephemeris):
    bare = date(2026, 12, 8)
    wishes = replace(WISHES, more_targets=(Target(TargetKind.NONE),))
    night = night_named(FLAT, bare, wishes.sky, ephemeris)
    ahead = look_ahead(FLAT, night, wishes, ephemeris, now=night.span.start, reach=REACH)
    assert [each.target for each in ahead.instead] == ["band", "winter"]


def test_row_220_a_season_that_lasts_months_ends_and_one_that_never_comes_is_none(ephemeris: Ephemeris):
    found = next_window(NORTH, date(2026, 5, 20), SkyWishes(target=Target(TargetKind.NONE)), ephemeris)
    assert found is not None
    assert found > date(2026, 7, 15), "two months without astronomical darkness"
    never = SkyWishes(lowest_altitude_deg=60.0)
    assert next_window(NORTH, date(2026, 5, 20), never, ephemeris) is None
