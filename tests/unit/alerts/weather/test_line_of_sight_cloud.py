"""One model's cloud along the line of sight, from the places that were asked."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alerts.weather.clouds import look_along
from alerts.weather.forecast import Forecast, LayerScheme, Place
from alerts.weather.hours import Hours
from alerts.weather.line_of_sight import SightView, places_to_ask
from tests.unit.alerts.weather.values import SITE, WINDOW, forecast, hours

VIEW = SightView(140.0, 15.0)
PLACES = places_to_ask(SITE, VIEW, [LayerScheme.OPEN_METEO], nearest_km=9.0)


def at(place: Place, **cloud: float | None) -> Forecast:
    return replace(forecast(hours(**cloud)), place=place)


def test_clear_air_all_along_is_clear() -> None:
    sight = look_along(forecast(), {place: at(place) for place in PLACES}, VIEW, WINDOW)
    assert sight is not None
    assert [each.cloud_high_pct for each in sight.hours] == [0.0] * 4
    assert (sight.places, sight.altitude_deg, sight.azimuth_deg) == (len(PLACES), 15.0, 140.0)
    assert [azimuth_deg for azimuth_deg, _ in sight.directions] == [110.0, 140.0, 170.0]
    assert all(cover == 0.0 for _, cover in sight.directions)


def test_high_cloud_over_there_is_seen_though_the_site_is_clear() -> None:
    sight = look_along(forecast(), {place: at(place, cloud_high_pct=100.0) for place in PLACES}, VIEW, WINDOW)
    assert sight is not None
    high = sight.hours[0].cloud_high_pct
    assert high is not None
    assert high > 70.0
    assert sight.hours[0].cloud_low_pct == 0.0
    assert sight.hours[0].cloud_total_pct is None


def test_low_cloud_far_away_is_none_of_the_frame_s() -> None:
    """At 8 degrees low cloud is met 8 km away; a bank of it beyond 20 km stands below the view."""
    far = [place for place in PLACES if abs(place.lat_deg - SITE.lat_deg) > 0.25]
    aside = {place: at(place, cloud_low_pct=100.0 if place in far else 0.0) for place in PLACES}
    sight = look_along(forecast(), aside, VIEW, WINDOW)
    assert sight is not None
    assert far
    assert sight.hours[0].cloud_low_pct == 0.0


def test_one_direction_is_told_from_another() -> None:
    east = [place for place in PLACES if place.lon_deg > 12.2]
    aside = {place: at(place, cloud_high_pct=100.0 if place in east else 0.0) for place in PLACES}
    sight = look_along(forecast(), aside, VIEW, WINDOW)
    assert sight is not None
    assert east
    covers = dict(sight.directions)
    assert covers[110.0] > covers[170.0]


def test_a_missing_value_at_one_place_makes_the_hour_unknown() -> None:
    holed = at(PLACES[0])
    holed = replace(holed, hours=Hours.of((replace(holed.hours[0], cloud_high_pct=None), *holed.hours[1:])))
    aside = {place: at(place) for place in PLACES} | {PLACES[0]: holed}
    sight = look_along(forecast(), aside, VIEW, WINDOW)
    assert sight is not None
    assert [each.cloud_high_pct is None for each in sight.hours] == [True, False, False, False]


def test_an_hour_that_one_place_does_not_reach_is_unknown() -> None:
    short = replace(at(PLACES[0]), hours=at(PLACES[0]).hours[:3])
    sight = look_along(forecast(), {place: at(place) for place in PLACES} | {PLACES[0]: short}, VIEW, WINDOW)
    assert sight is not None
    assert sight.hours[3].cloud_high_pct is None
    assert len(sight.directions) < 3


def test_a_layer_below_the_site_counts_as_clear() -> None:
    peak = Place(SITE.lat_deg, SITE.lon_deg, 3500.0)
    aside = {place: at(place, cloud_low_pct=100.0) for place in PLACES}
    sight = look_along(replace(forecast(), place=peak), aside, VIEW, WINDOW)
    assert sight is not None
    assert sight.hours[0].cloud_low_pct == 0.0


def test_totals_alone_are_averaged() -> None:
    total = LayerScheme.NONE
    aside = {place: replace(at(place, cloud_total_pct=60.0), layer_scheme=total) for place in PLACES}
    sight = look_along(forecast(layer_scheme=total), aside, VIEW, WINDOW)
    assert sight is not None
    assert sight.hours[0].cloud_total_pct == pytest.approx(60.0, abs=35.0)
    assert sight.hours[0].cloud_low_pct is None


def test_with_no_place_told_there_is_no_line_of_sight() -> None:
    assert look_along(forecast(), {}, VIEW, WINDOW) is None
