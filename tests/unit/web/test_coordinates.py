"""Coordinates in the forms that people paste."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.coordinates import parse_lat_lon, say_lat_lon
from alerts.errors import BadInput

WINDPUMP = (40.31, -1.42)
SOUTH = (-33.5, 18.25)
GOOD = {
    "decimal": ("40.31,-1.42", WINDPUMP),
    "decimal with a blank": ("40.31 -1.42", WINDPUMP),
    "decimal with comma and blank": (" 40.31 , -1.42 ", WINDPUMP),
    "decimal with a semicolon": ("40.31;-1.42", WINDPUMP),
    "decimal with degree signs": ("40.31°, -1.42°", WINDPUMP),
    "plus signs": ("+40.31, -1.42", WINDPUMP),
    "typographic minus": ("40.31, −1.42", WINDPUMP),
    "comma as decimal mark": ("40,31 -1,42", WINDPUMP),
    "comma as decimal mark with semicolon": ("40,31; -1,42", WINDPUMP),
    "letters behind": ("40.31 N, 1.42 W", WINDPUMP),
    "letters behind without blanks": ("40.31N 1.42W", WINDPUMP),
    "letters before": ("N40.31 W1.42", WINDPUMP),
    "letters before with degree signs": ("N 40.31° W 1.42°", WINDPUMP),
    "small letters": ("40.31n 1.42w", WINDPUMP),
    "longitude first, said by letters": ("1.42 W, 40.31 N", WINDPUMP),
    "degrees, minutes, seconds": ("40°18'36\"N 1°25'12\"W", WINDPUMP),
    "with primes": ("40°18′36″ N, 1°25′12″ W", WINDPUMP),
    "with typographic quotes": ("40° 18’ 36” N 1° 25’ 12” W", WINDPUMP),
    "with two apostrophes": ("40°18'36''N 1°25'12''W", WINDPUMP),
    "degrees and decimal minutes": ("40° 18.6' N, 1° 25.2' W", WINDPUMP),
    "letters before, decimal minutes": ("N 40° 18.600 W 001° 25.200", WINDPUMP),
    "blanks alone": ("40 18 36 N 1 25 12 W", WINDPUMP),
    "colons": ("40:18:36N 1:25:12W", WINDPUMP),
    "signs with minutes": ("40°18'36\" -1°25'12\"", WINDPUMP),
    "south and east": ("33°30'S 18°15'E", SOUTH),
    "geo address": ("geo:40.31,-1.42", WINDPUMP),
    "geo address with height and uncertainty": ("geo:40.31,-1.42,1180;u=35", WINDPUMP),
    "geo address naming its system": ("geo:40.31,-1.42;crs=wgs84", WINDPUMP),
    "the pole": ("90,0", (90.0, 0.0)),
    "the date line": ("-16.5, 180", (-16.5, 180.0)),
    "blanks that don't break": ("40.31°\u00a0N, 1.42°\u00a0W", WINDPUMP),
}


@pytest.mark.parametrize(("typed", "expected"), GOOD.values(), ids=GOOD)
def test_coordinates_are_read_as_people_write_them(typed: str, expected: tuple[float, float]) -> None:
    assert parse_lat_lon(typed) == pytest.approx(expected, abs=1e-9)


BAD = {
    "empty": ("", "is no LAT,LON"),
    "words": ("the old windpump", "is no LAT,LON"),
    "one number": ("40.31", "is no LAT,LON"),
    "three numbers": ("40.31, -1.42, 7.5", "is no LAT,LON"),
    "swapped": ("118.2, 34.0", "did you mean 34,118.2"),
    "latitude too large": ("95, 170", "latitude 95 is outside"),
    "longitude too large": ("40, 181", "longitude 181 is outside"),
    "sixty minutes": ("40°60'N 1°25'W", "is no LAT,LON"),
    "sixty seconds": ("40°18'60\"N 1°25'12\"W", "is no LAT,LON"),
    "two norths": ("40.31 N, 1.42 N", "is no LAT,LON"),
    "minus and letter": ("-40.31 S, 1.42 W", "both a minus and a letter"),
    "fraction of a degree and minutes": ("40.5°18'N 1°25'W", "is no LAT,LON"),
    "not a number": ("nan, inf", "is no LAT,LON"),
    "another geodetic system": ("geo:40.31,-1.42;crs=moon-2011", "only WGS84"),
    "a web address": ("https://example.org/@40.31,-1.42", "is no LAT,LON"),
    "very long": ("4" * 300, "too long"),
    "many digits": ("9" * 99 + ",1", "latitude 1e\\+99 is outside"),
}


@pytest.mark.parametrize(("typed", "said"), BAD.values(), ids=BAD)
def test_what_is_no_pair_of_coordinates_is_refused_with_the_reason(typed: str, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        parse_lat_lon(typed)


@given(st.text(max_size=60))
def test_any_text_is_read_as_a_place_on_earth_or_refused(text: str) -> None:
    try:
        lat_deg, lon_deg = parse_lat_lon(text)
    except BadInput:
        return
    assert abs(lat_deg) <= 90
    assert abs(lon_deg) <= 180


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_what_is_said_is_read_back(lat_deg: float, lon_deg: float) -> None:
    said = say_lat_lon(lat_deg, lon_deg, places=6)
    assert parse_lat_lon(said) == pytest.approx((lat_deg, lon_deg), abs=1e-6)


@given(st.integers(0, 89), st.integers(0, 59), st.integers(0, 59), st.sampled_from("NS"))
def test_minutes_and_seconds_are_sixtieths(degrees: int, minutes: int, seconds: int, letter: str) -> None:
    lat_deg, _ = parse_lat_lon(f"{degrees}°{minutes}'{seconds}\"{letter} 0°0'0\"E")
    expected_deg = degrees + minutes / 60 + seconds / 3600
    assert lat_deg == pytest.approx(expected_deg if letter == "N" else -expected_deg)


def test_a_pair_is_said_with_its_letters() -> None:
    assert re.fullmatch(r"40\.3100° N, 1\.4200° W", say_lat_lon(*WINDPUMP))
