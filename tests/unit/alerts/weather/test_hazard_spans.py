"""Comfort counts round the best stretch, safety from leave-by to home."""

from __future__ import annotations

from typing import Any

import pytest

from alerts.common.span import Span
from alerts.weather.hours import HourlyWeather
from alerts.weather.outlook import Hazard, HazardLevel
from tests.unit.alerts.weather.values import HOUR, WINDOW, assess_hazards, forecast, hour, look

FINE, WARN, FAIL, UNKNOWN = HazardLevel.FINE, HazardLevel.WARN, HazardLevel.FAIL, HazardLevel.UNKNOWN
NIGHT = Span(WINDOW.start - 5 * HOUR, WINDOW.end + 5 * HOUR)
SHOOTING = Span(WINDOW.start + HOUR, WINDOW.start + 3 * HOUR)
TRIP = Span(WINDOW.start - 3 * HOUR, WINDOW.end + 3 * HOUR)


def night(at: int, **values: Any) -> tuple[HourlyWeather, ...]:
    """Fourteen fine hours, one of them with these values; `at` counts from the window's start."""
    return tuple(hour(WINDOW.start + k * HOUR, **(values if k == at else {})) for k in range(-5, 9))


def found(name: str, at: int, **values: Any) -> Hazard:
    hazards = assess_hazards(WINDOW, [forecast(night(at, **values))], shooting=SHOOTING, trip=TRIP)
    return next(each for each in hazards if each.name == name)


SPANS = {
    "rain while shooting": ("precipitation", 2, {"precipitation_probability_pct": 80.0}, FAIL),
    "a wet hour in the same window, far from the best": (
        "precipitation",
        3,
        {"precipitation_probability_pct": 80.0},
        FINE,
    ),
    "rain on the way": ("precipitation", -2, {"precipitation_mm": 2.0}, FINE),
    "a torrent on the way": ("precipitation", -2, {"precipitation_mm": 12.0}, FAIL),
    "a torrent when one is home": ("precipitation", 8, {"precipitation_mm": 12.0}, FINE),
    "snow on the way": ("precipitation", 5, {"precipitation_mm": 1.0, "temperature_c": -1.0}, WARN),
    "shaking wind while shooting": ("wind", 1, {"wind_ms": 9.0}, WARN),
    "shaking wind on the way": ("wind", -2, {"wind_ms": 9.0}, FINE),
    "a gale on the way": ("wind", -2, {"wind_ms": 18.0}, FAIL),
    "unsafe gusts on the way": ("gust", 5, {"gust_ms": 22.0}, FAIL),
    "gusts before one leaves": ("gust", -5, {"gust_ms": 30.0}, FINE),
    "thunder on the way home": ("thunder", 6, {"thunder_probability_pct": 30.0}, FAIL),
    "thunder after one is home": ("thunder", 8, {"thunder_probability_pct": 90.0}, FINE),
    "felt cold on the way": ("cold", -2, {"temperature_c": -12.0}, FINE),
    "killing cold on the way": ("cold", -2, {"temperature_c": -35.0, "wind_ms": 11.0}, FAIL),
    "fog on the way": ("fog", -2, {"fog_pct": 90.0}, WARN),
    "fog while shooting": ("fog", 2, {"fog_pct": 30.0}, WARN),
    "a damp hour on the way": ("lens", -2, {"dew_point_c": 14.0}, FINE),
    "a damp hour while shooting": ("lens", 1, {"dew_point_c": 14.0}, WARN),
}


@pytest.mark.parametrize(("name", "at", "values", "level"), SPANS.values(), ids=SPANS.keys())
def test_each_hazard_counts_in_its_own_span(
    name: str, at: int, values: dict[str, Any], level: HazardLevel
) -> None:
    assert found(name, at, **values).level is level


def test_what_is_unsafe_on_the_way_says_so_and_when() -> None:
    gale = found("wind", -2, wind_ms=18.0)
    assert (str(gale.text), gale.worst, gale.at) == (
        "wind up to 18 m/s on the way",
        18.0,
        WINDOW.start - 2 * HOUR,
    )
    assert "up to 12 mm/h on the way" in str(found("precipitation", -2, precipitation_mm=12.0).text)
    assert "snow or ice" in str(found("precipitation", 5, precipitation_mm=1.0, temperature_c=-1.0).text)
    assert str(found("fog", -2, fog_pct=90.0).text) == "fog up to 0 %, and more on the way"


def test_the_worst_while_shooting_is_what_a_wish_is_held_against() -> None:
    assert found("wind", -2, wind_ms=9.0).worst == 2.0


def test_time_outside_the_window_need_not_be_known() -> None:
    """A forecast that begins with the window tells enough of a stretch at its start."""
    hazards = assess_hazards(
        WINDOW, [forecast()], shooting=Span(WINDOW.start - HOUR, WINDOW.start + 2 * HOUR), trip=TRIP
    )
    assert {each.level for each in hazards if each.name != "smoke"} == {FINE}


def test_a_stretch_that_nobody_knows_is_unknown() -> None:
    holed = tuple(
        each
        if each.starts < SHOOTING.start or each.starts >= SHOOTING.end
        else hour(each.starts, wind_ms=None)
        for each in night(99)
    )
    hazards = assess_hazards(WINDOW, [forecast(holed)], shooting=SHOOTING, trip=TRIP)
    assert next(each for each in hazards if each.name == "wind").level is UNKNOWN


def test_one_wet_hour_long_before_the_best_stretch_leaves_a_winter_night_open() -> None:
    """Cloud with rain in the first hour, clear for the rest: the best stretch is two hours and more away."""
    wet = hour(WINDOW.start, cloud_low_pct=100.0, precipitation_probability_pct=90.0, precipitation_mm=1.0)
    clouds = (
        wet,
        hour(WINDOW.start + HOUR, cloud_low_pct=90.0),
        hour(WINDOW.start + 2 * HOUR, cloud_low_pct=5.0),
    )
    seen = look(forecast((*clouds, hour(WINDOW.start + 3 * HOUR))))
    assert seen.best == Span(WINDOW.start + 3 * HOUR, WINDOW.end)
    precipitation = seen.hazard("precipitation")
    assert precipitation is not None
    assert precipitation.level is FINE
    assert seen.precipitation_known


def test_with_no_best_stretch_the_whole_window_counts() -> None:
    unknown = tuple(hour(each.starts, cloud_total_pct=None, wind_ms=9.0) for each in forecast().hours)
    seen = look(forecast(unknown))
    wind = seen.hazard("wind")
    assert seen.best is None
    assert wind is not None
    assert wind.level is WARN
