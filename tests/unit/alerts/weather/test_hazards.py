"""Hazards: published tables, limits, and unknown as a level of its own."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.phrases import phrase
from alerts.judging.rules import SAFETY_FIRST
from alerts.weather.forecast import Forecast
from alerts.weather.hazards import dew_point_c, dew_spread_c, felt_c, frostbite_minutes, wind_chill_c
from alerts.weather.hours import Hours
from alerts.weather.outlook import Hazard, HazardLevel
from tests.unit.alerts.judging.values import UNHURRIED, WINDOW, fine_hour, forecast, source
from tests.unit.alerts.weather.values import assess_hazards

DATA = Path(__file__).parents[3] / "data" / "judging"
FINE, WARN, FAIL, UNKNOWN = HazardLevel.FINE, HazardLevel.WARN, HazardLevel.FAIL, HazardLevel.UNKNOWN
NAMES = ("wind", "gust", "precipitation", "thunder", "cold", "fog", "lens", "smoke")


def rows(name: str) -> list[dict[str, float]]:
    with (DATA / name).open() as lines:
        found = csv.DictReader(line for line in lines if not line.startswith("#"))
        return [{key: float(value) for key, value in row.items()} for row in found]


def test_wind_chill_agrees_with_the_published_chart() -> None:
    """Every value of the chart. It is in mph and °F; the rounded metric coefficients cost 0.1 °F."""
    table = rows("windchill-nws-2001.csv")
    assert len(table) > 200
    for row in table:
        felt = wind_chill_c((row["air_temp_F"] - 32) / 1.8, row["wind_mph"] * 1609.344 / 3600)
        assert felt * 1.8 + 32 == pytest.approx(row["wind_chill_F_unrounded"], abs=0.1)


@pytest.mark.parametrize(
    ("temperature_c", "wind_kmh", "felt"),
    [(-10, 20, -17.86), (-20, 30, -32.57), (-5, 126, -18.94)],
    ids=["-10 at 20", "-20 at 30", "-5 at 126"],
)
def test_wind_chill_in_metric_units(temperature_c: float, wind_kmh: float, felt: float) -> None:
    """The last as in the tests of the MetPy library, the others by the metric formula."""
    assert wind_chill_c(temperature_c, wind_kmh / 3.6) == pytest.approx(felt, abs=0.006)


@pytest.mark.parametrize(
    ("temperature_c", "wind_ms", "is_defined"),
    [(10.0, 5.0, True), (10.1, 5.0, False), (0.0, 4.8 / 3.6, False), (0.0, 4.9 / 3.6, True)],
    ids=["at 10 °C", "warmer", "too calm", "just windy enough"],
)
def test_wind_chill_is_defined_in_cold_and_wind_only(
    temperature_c: float, wind_ms: float, is_defined: bool
) -> None:
    assert np.isnan(wind_chill_c(temperature_c, wind_ms)) != is_defined


def test_dew_point_agrees_with_the_published_coefficients() -> None:
    table = rows("dewpoint-alduchov-eskridge-1996.csv")
    assert len(table) > 100
    for row in table:
        found = dew_point_c(row["temp_C"], row["rh_percent"])
        assert found == pytest.approx(row["dewpoint_C"], abs=0.001)
        assert found == pytest.approx(row["dewpoint_bolton_C"], abs=0.03)


@pytest.mark.parametrize(
    ("temperature_c", "wind_kmh", "minutes"),
    [(-15, 50, 24.4), (-20, 40, 14.3), (-30, 30, 6.9), (-35, 40, 4.6)],
    ids=lambda value: f"{value:g}",
)
def test_frostbite_time_by_the_chart_s_formula(temperature_c: float, wind_kmh: float, minutes: float) -> None:
    assert frostbite_minutes(temperature_c, wind_kmh / 3.6) == pytest.approx(minutes, abs=0.05)


@pytest.mark.parametrize(
    ("temperature_c", "wind_kmh"), [(-14, 90), (-15, 20), (5, 50)], ids=["mild", "slow", "warm"]
)
def test_no_frostbite_time_beyond_half_an_hour(temperature_c: float, wind_kmh: float) -> None:
    assert np.isnan(frostbite_minutes(temperature_c, wind_kmh / 3.6))


def over_window(**values: Any) -> Forecast:
    """Four hours over the window, all with these values in place of the fine ones."""
    return forecast([0.0] * 4, **values)


def found(name: str, *forecasts: Forecast) -> Hazard:
    return next(hazard for hazard in assess_hazards(WINDOW, forecasts) if hazard.name == name)


LEVELS = {
    "calm": ("wind", {"wind_ms": 7.9}, FINE),
    "wind shakes": ("wind", {"wind_ms": 8.0}, WARN),
    "gale": ("wind", {"wind_ms": 17.2}, FAIL),
    "gusts shake": ("gust", {"gust_ms": 11.0}, WARN),
    "gusts unsafe": ("gust", {"gust_ms": 21.0}, FAIL),
    "no gust given": ("gust", {"gust_ms": None}, UNKNOWN),
    "dry": ("precipitation", {"precipitation_probability_pct": 14.0}, FINE),
    "rain possible": ("precipitation", {"precipitation_probability_pct": 15.0}, WARN),
    "rain likely": ("precipitation", {"precipitation_probability_pct": 30.0}, FAIL),
    "drizzle": ("precipitation", {"precipitation_mm": 0.19}, FINE),
    "rain": ("precipitation", {"precipitation_mm": 0.2}, FAIL),
    "amount alone is enough": ("precipitation", {"precipitation_probability_pct": None}, FINE),
    "chance alone is enough": ("precipitation", {"precipitation_mm": None}, FINE),
    "neither": ("precipitation", {"precipitation_mm": None, "precipitation_probability_pct": None}, UNKNOWN),
    "thunder possible": ("thunder", {"thunder_probability_pct": 5.0}, WARN),
    "thunder likely": ("thunder", {"thunder_probability_pct": 20.0}, FAIL),
    "thunder named": ("thunder", {"thunder_probability_pct": None, "thunder_named": True}, FAIL),
    "thunder named, yet unlikely": ("thunder", {"thunder_named": True}, FINE),
    "words without thunder": ("thunder", {"thunder_probability_pct": None, "thunder_named": False}, FINE),
    "no word of thunder": ("thunder", {"thunder_probability_pct": None}, UNKNOWN),
    "felt cold": ("cold", {"temperature_c": -5.0, "wind_ms": 4.0}, WARN),
    "killing cold": ("cold", {"temperature_c": -35.0, "wind_ms": 11.0}, FAIL),
    "no wind for the chill": ("cold", {"wind_ms": None}, UNKNOWN),
    "some fog": ("fog", {"fog_pct": 30.0}, WARN),
    "fog all night": ("fog", {"fog_pct": 60.0}, FAIL),
    "no sight": ("fog", {"visibility_m": 900.0}, FAIL),
    "sight, share unknown": ("fog", {"fog_pct": None}, FINE),
    "neither share nor sight": ("fog", {"fog_pct": None, "visibility_m": None}, UNKNOWN),
    "fog named": ("fog", {"fog_pct": None, "visibility_m": None, "fog_named": True}, WARN),
    "row_166_a_deck_below": ("fog", {"cloud_below_pct": 60.0}, WARN),
    "some cloud below": ("fog", {"cloud_below_pct": 40.0}, FINE),
    "row_166_fog_of_the_cell_and_the_site_above_it": (
        "fog",
        {"cloud_below_pct": 100.0, "fog_pct": 100.0, "visibility_m": 100.0},
        WARN,
    ),
    "a deck below, fog unknown": (
        "fog",
        {"cloud_below_pct": 100.0, "fog_pct": None, "visibility_m": None},
        WARN,
    ),
    "words without fog": ("fog", {"fog_pct": None, "visibility_m": None, "fog_named": False}, FINE),
    "dew": ("lens", {"dew_point_c": 12.0}, WARN),
    "dry glass": ("lens", {"dew_point_c": 11.9}, FINE),
    "dew from humidity": ("lens", {"dew_point_c": None, "relative_humidity_pct": 90.0}, WARN),
    "no humidity": ("lens", {"dew_point_c": None, "relative_humidity_pct": None}, UNKNOWN),
}


@pytest.mark.parametrize(("name", "values", "level"), LEVELS.values(), ids=LEVELS.keys())
def test_each_hazard_has_its_level(name: str, values: dict[str, Any], level: HazardLevel) -> None:
    assert found(name, over_window(**values)).level is level


def test_every_hazard_is_looked_at_in_a_fixed_order() -> None:
    assert tuple(hazard.name for hazard in assess_hazards(WINDOW, [over_window()])) == NAMES
    assert set(NAMES) | {"warning"} == set(SAFETY_FIRST)


@pytest.mark.parametrize("name", NAMES)
def test_every_hazard_has_words_where_nothing_is_known(name: str) -> None:
    assert "unknown" in str(phrase("weather.hazard-unknown", hazard=name))


def test_with_no_forecast_everything_is_unknown() -> None:
    assert {hazard.level for hazard in assess_hazards(WINDOW, [])} == {UNKNOWN}


def test_the_worst_source_counts() -> None:
    calm, windy = over_window(), over_window(wind_ms=18.0)
    assert found("wind", calm, windy) == found("wind", windy, calm)
    assert found("wind", calm, windy).worst == 18.0


def test_one_source_that_knows_is_enough() -> None:
    assert found("gust", over_window(gust_ms=None), over_window()).level is FINE


def test_the_worst_hour_counts() -> None:
    hours = over_window().hours
    windy = replace(over_window(), hours=Hours.of((*hours[:2], replace(hours[2], wind_ms=9.0), hours[3])))
    assert found("wind", windy).worst == 9.0


def test_hours_outside_the_span_do_not_count() -> None:
    before = fine_hour(WINDOW.start.replace(hour=0, minute=0), wind_ms=30.0)
    calm = over_window()
    assert found("wind", replace(calm, hours=Hours.of((before, *calm.hours)))).level is FINE


def test_half_known_is_unknown_unless_what_is_known_fails() -> None:
    hours = over_window().hours
    half = replace(over_window(), hours=hours[:2])
    assert found("wind", half).level is UNKNOWN
    assert str(found("wind", half).text) == "wind up to 2 m/s as far as known"
    stormy = replace(half, hours=Hours.of((hours[0], replace(hours[1], wind_ms=20.0))))
    assert found("wind", stormy).level is FAIL


@pytest.mark.parametrize(("foggy", "level"), [(1, WARN), (2, FAIL)], ids=["an hour", "two hours"])
def test_fog_over_more_than_half_of_the_window_fails(foggy: int, level: HazardLevel) -> None:
    """The window lasts 3 h 13 min."""
    hours = [
        replace(hour, fog_pct=100.0) if k < foggy else hour for k, hour in enumerate(over_window().hours)
    ]
    assert found("fog", replace(over_window(), hours=Hours.of(hours))).level is level


def test_an_amount_is_taken_per_hour() -> None:
    """0.9 mm in six hours is 0.15 mm an hour."""
    six = forecast([0.0], step=6 * (WINDOW.end - WINDOW.start) / 6, precipitation_mm=0.9)
    hours = Hours.of([replace(six.hours[0], starts=WINDOW.start, ends=WINDOW.start.replace(hour=8))])
    assert found("precipitation", replace(six, hours=hours)).level is FINE


@pytest.mark.parametrize(
    ("name", "values", "text"),
    [
        ("precipitation", {}, "rain or snow 0 %, up to 0.0 mm/h"),
        (
            "cold",
            {"temperature_c": -25.0, "wind_ms": 8.0},
            "felt cold down to −39 °C, bare skin freezes within 10 min",
        ),
        ("lens", {"temperature_c": -3.0, "dew_point_c": -4.0}, "frost on the lens likely"),
        (
            "thunder",
            {"thunder_probability_pct": None, "thunder_named": True},
            "thunderstorms in the forecast",
        ),
    ],
    ids=["rain", "cold", "frost", "thunder"],
)
def test_hazards_speak_plainly(name: str, values: dict[str, Any], text: str) -> None:
    assert text in str(found(name, over_window(**values)).text)


def test_felt_temperature_is_the_air_s_where_there_is_no_wind_chill() -> None:
    assert felt_c([15.0, np.nan, 15.0], [2.0, 2.0, np.nan]) == pytest.approx(
        [15.0, np.nan, np.nan], nan_ok=True
    )
    assert np.isnan(dew_spread_c(np.nan, 5.0, 50.0))


values = st.one_of(st.none(), st.floats(0, 60))


@UNHURRIED
@given(st.lists(st.tuples(values, values), min_size=4, max_size=4), st.integers(0, 2))
def test_what_is_unknown_for_an_hour_in_three_is_never_fine(
    hours: list[tuple[float | None, float | None]], gone: int
) -> None:
    whole = over_window()
    holed = tuple(
        replace(hour, wind_ms=None, gust_ms=None)
        if number == gone
        else replace(hour, wind_ms=wind, gust_ms=gust)
        for number, (hour, (wind, gust)) in enumerate(zip(whole.hours, hours, strict=True))
    )
    for name in ("wind", "gust"):
        assert found(name, replace(whole, hours=Hours.of(holed))).level in (UNKNOWN, FAIL)


def test_sources_are_weighed_alike_whatever_their_lineage() -> None:
    windy = replace(over_window(wind_ms=18.0), source=source("gfs"))
    assert found("wind", over_window(), windy).level is FAIL
