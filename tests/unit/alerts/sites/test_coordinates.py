"""Coordinates in the forms that people paste."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.errors import BadInput
from alerts.sites.coordinates import find_cell, parse_lat_lon, say_lat_lon

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
    "longitude alone with a letter": ("40.31, 1.42W", WINDPUMP),
    "latitude alone with a letter": ("40.31N -1.42", WINDPUMP),
    "longitude first, one letter": ("1.42W 40.31", WINDPUMP),
    "five places with a letter": ("41.38506N 2.19263W", (41.38506, -2.19263)),
    "letters, a blank apart": ("40.3N 1.4W", (40.3, -1.4)),
    "decimal commas with letters": ("40,31N 1,42W", WINDPUMP),
    "decimal commas throughout": ("40,31, -1,42", WINDPUMP),
    "decimal commas without blanks": ("40,31,-1,42", WINDPUMP),
    "decimal minutes with a comma": ("40°18,6'N 1°25,2'W", WINDPUMP),
    "seconds with a comma": ("40°18'36,0\"N 1°25'12,0\"W", WINDPUMP),
    "words for letters": ("40.31 north, 1.42 west", WINDPUMP),
    "named": ("lat: 40.31, lon: -1.42", WINDPUMP),
    "named the other way round": ("Longitude -1.42 Latitude 40.31", WINDPUMP),
    "as a program writes them": ('{"lat": 40.31, "lng": -1.42}', WINDPUMP),
    "in brackets": ("(40.31, -1.42)", WINDPUMP),
    "geo address with a zoom": ("geo:40.31,-1.42?z=17", WINDPUMP),
    "geo address with uncertainty and zoom": ("GEO:40.31,-1.42;crs=wgs84;u=35?z=17", WINDPUMP),
    "geo address that asks for a place": ("geo:0,0?q=40.31,-1.42(Windpump)", WINDPUMP),
    "plus code": ("8CGW8H6H+XX", (40.3124375, -1.4200625)),
    "plus code in small letters": ("8cgw8h6h+xx", (40.3124375, -1.4200625)),
    "plus code of eight digits": ("8CGW8H6H+", (40.31125, -1.42125)),
    "link to where a map is looked at": ("https://maps.example.org/maps/@40.31,-1.42,15z", WINDPUMP),
    "link with a height": ("https://maps.example.org/@40.31,-1.42,1500m/data=!3m1!1e3", WINDPUMP),
    "link to a pin beside what is looked at": (
        "https://maps.example.org/maps/place/Windpump/@40.9,-1.9,12z/data=!3m1!4b1!4m5!3m4!8m2!3d40.31!4d-1.42",
        WINDPUMP,
    ),
    "link with a place in its path": (
        "https://maps.example.org/maps/place/40.31,-1.42/@40.9,-1.9,9z",
        WINDPUMP,
    ),
    "link with degrees in its path": (
        "https://maps.example.org/maps/place/40%C2%B018'36.0%22N+1%C2%B025'12.0%22W/@40.9,-1.9,9z",
        WINDPUMP,
    ),
    "link that searches": ("https://maps.example.org/?q=40.31,-1.42", WINDPUMP),
    "link that searches a place": ("http://maps.example.org/maps?q=loc:40.31,-1.42&z=9", WINDPUMP),
    "link that searches with a blank": ("https://maps.example.org/?q=40.31%2C%20-1.42", WINDPUMP),
    "link to a name beside coordinates": (
        "https://maps.example.org/?q=Old+Windpump&ll=40.31,-1.42",
        WINDPUMP,
    ),
    "link that asks": ("https://maps.example.org/search/?api=1&query=40.31%2C-1.42", WINDPUMP),
    "link to the end of a way": (
        "https://maps.example.org/maps/dir/?api=1&origin=41,2&destination=40.31,-1.42&travelmode=driving",
        WINDPUMP,
    ),
    "link to the end of a way in its path": (
        "https://maps.example.org/maps/dir/41.0,2.0/40.31,-1.42/",
        WINDPUMP,
    ),
    "link by daddr": ("https://maps.example.org/?saddr=41,2&daddr=40.31,-1.42", WINDPUMP),
    "link with the map behind a hash": ("https://www.example.org/#map=15/40.31/-1.42", WINDPUMP),
    "link with layers behind the map": ("https://www.example.org/#map=15.5/40.31/-1.42&layers=P", WINDPUMP),
    "link with a bare hash": ("https://topo.example.org/#15/40.31/-1.42", WINDPUMP),
    "link with a marker": (
        "https://www.example.org/?mlat=40.31&mlon=-1.42#map=9/40.90/-1.90",
        WINDPUMP,
    ),
    "link with lat and lon": ("https://topo.example.org/?lat=40.31&lon=-1.42&zoom=11", WINDPUMP),
    "link with lat and lng": ("https://topo.example.org/view?lng=-1.42&lat=40.31", WINDPUMP),
    "link with a tilde": ("https://www.example.org/maps?cp=40.31~-1.42&lvl=12", WINDPUMP),
    "link with the centre": ("https://maps.example.org/?center=40.31,-1.42&zoom=9", WINDPUMP),
    "link to a site with longitude first": ("https://yandex.example/maps/?ll=-1.42%2C40.31&z=12", WINDPUMP),
    "link to a plus code": ("https://plus.example.org/8CGW8H6H+XX", (40.3124375, -1.4200625)),
    "link to a plus code, searched": ("https://maps.example.org/?q=8CGW8H6H%2BXX", (40.3124375, -1.4200625)),
    "link without its scheme": ("maps.example.org/?q=40.31,-1.42", WINDPUMP),
    "link of a program": ("maps:?ll=40.31,-1.42&z=12", WINDPUMP),
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
    "a short link": (
        "https://maps.example.org/AbC12dEf3",
        r"^that link holds no coordinates, and links aren't fetched",
    ),
    "a link to a name": ("https://maps.example.org/?q=Old+Windpump", r"that link holds no coordinates"),
    "a link that is none": ("https://[40.31/,-1.42", r"that link holds no coordinates"),
    "a link off the Earth": ("https://maps.example.org/?q=95,170", "latitude 95 is outside"),
    "a very long link": ("https://maps.example.org/?q=" + "4" * 3000, "that link is too long"),
    "half a pair": ("2.19263W", r"'2.19263W' is a longitude alone; write both, such as 40.31N 1.42W"),
    "half a pair, decimal comma": ("40,31N", "'40,31N' is a latitude alone"),
    "a short plus code": (
        "8H6H+XX Ravenwell",
        "'8H6H.XX' is a short plus code, which needs a place to count from",
    ),
    "a coarse plus code": ("8CGW8H00+", r"'8CGW8H00\+' names an area 6 km across"),
    "metres of a grid": ("4462894 634365", "metres of a projected system"),
    "two latitudes by name": ("lat 40.31 lat -1.42", "is no LAT,LON"),
    "very long": ("4" * 300, "too long"),
    "many digits": ("9" * 99 + ",1", "latitude 1e\\+99 is outside"),
}


@pytest.mark.parametrize(("typed", "said"), BAD.values(), ids=BAD)
def test_what_is_no_pair_of_coordinates_is_refused_with_the_reason(typed: str, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        parse_lat_lon(typed)


@pytest.mark.parametrize(("typed", "_"), BAD.values(), ids=BAD)
def test_a_refusal_is_one_sentence_with_an_example(typed: str, _: str) -> None:
    """Row 225."""
    with pytest.raises(BadInput) as refusal:
        parse_lat_lon(typed)
    said = str(refusal.value)
    assert said.count(". ") <= said.count("outside"), (
        "one sentence, and a question where the two look swapped"
    )
    assert re.search(r"\d", said)


DECODED = """
7FG49Q00+ 20.35 2.75 20.4 2.8
7FG49QCJ+2V 20.37 2.782125 20.370125 2.78225
7FG49QCJ+2VX 20.3701 2.78221875 20.370125 2.78225
7FG49QCJ+2VXGJ 20.370113 2.782234375 20.370114 2.78223632813
8FVC2222+22 47.0 8.0 47.000125 8.000125
4VCPPQGP+Q9 -41.273125 174.785875 -41.273 174.786
62G20000+ 0.0 -180.0 1 -179
22220000+ -90 -180 -89 -179
6VGX0000+ 0 179 1 180
6FH32222+222 1 1 1.000025 1.00003125
CFX3X2X2+X2 89.9998750 1 90 1.0001250
84000000+ 30 -140 50 -120
6FH56C22+22 1.2 3.4 1.200125 3.400125
849VGJQF+VX7QR3J 37.5396691200 -122.3750698242 37.5396691600 -122.3750697021
849VGJQF+VX7QR3J7QR3J 37.5396691200 -122.3750698242 37.5396691600 -122.3750697021
""".strip().splitlines()
"""The specification's own test vectors: code, south, west, north, east."""
CODES = {
    "full": ("8FWC2345+G6 8FWC2345+G6G 8fwc2345+ 8FWCX400+ 849VGJQF+VX7QR3J 849VGJQF+VX7QR3JW", True, False),
    "short": ("WC2345+G6g 2345+G6 45+G6 +G6", False, True),
    "none": (
        "G+ + 8FWC2345+G 8FWC2_45+G6 8FWC2η45+G6 8FWC2345+G6+ 8FWC2345G6+ 8FWC2300+G6 WC2300+G6g WC2345+G "
        "WC2300+ 849VGJQF+VX7QR3U 849VGJQF+VX7QR3JU",
        False,
        False,
    ),
}
"""The same for what is a code at all."""


@pytest.mark.parametrize("line", DECODED)
def test_plus_codes_are_decoded_as_published(line: str) -> None:
    code, south, west, north, east = line.split()
    cell = find_cell(code)
    assert cell is not None
    bounds = (*cell[:2], cell[0] + cell[2], cell[1] + cell[3])
    assert bounds == pytest.approx((float(south), float(west), float(north), float(east)), abs=1e-9)


@pytest.mark.parametrize(("codes", "is_full", "short"), CODES.values(), ids=CODES)
def test_what_is_a_plus_code_is_told_from_what_is_none(codes: str, is_full: bool, short: bool) -> None:
    for code in codes.split():
        said = ""
        try:
            parse_lat_lon(code)
        except BadInput as refusal:
            said = str(refusal)
        assert (find_cell(code) is not None, "is a short plus code" in said) == (is_full, short), code


@given(st.text(max_size=60))
def test_any_text_is_read_as_a_place_on_earth_or_refused(text: str) -> None:
    try:
        lat_deg, lon_deg = parse_lat_lon(text)
    except BadInput:
        return
    assert abs(lat_deg) <= 90
    assert abs(lon_deg) <= 180


@given(st.text("0123456789.,/@?&=#!:~%+NEWS map", max_size=60))
def test_any_link_is_read_as_a_place_on_earth_or_refused(rest: str) -> None:
    try:
        lat_deg, lon_deg = parse_lat_lon(f"https://maps.example.org/{rest}")
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
