"""Coordinates as people type and paste them: the one reader for commands, pages and programs.

    40.31,-1.42          40,31 -1,42             40.31 N, 1.42 W        N40.31 W1.42
    40.31, 1.42W         lat 40.31 lon -1.42     40°18'36"N 1°25'12"W   40° 18.6' N, 1° 25.2' W
    40 18 36 N 1 25 12 W                         geo:40.31,-1.42;u=35   (RFC 5870; also ?z=, ?q=)
    8CGW8H6J+2X          a plus code             https://…/@40.31,-1.42,15z and other links to maps

Latitude comes first unless letters or words say otherwise. A comma may be the decimal mark where that
leaves two numbers.

Links to maps are read themselves: nothing is fetched, and one without coordinates in it is refused. What
marks a place goes before what says where the map is looked at:

    …/@40.31,-1.42,15z      …!3d40.31!4d-1.42       …/place/40.31,-1.42
    ?q=40.31,-1.42          ?query= ?destination= ?daddr= ?ll= ?center= ?loc= ?cp=40.31~-1.42
    ?mlat=40.31&mlon=-1.42  ?lat=40.31&lon=-1.42    #map=15/40.31/-1.42      #15/40.31/-1.42

Plus codes (Open Location Code) are five pairs of digits to the base of 20, each pair a twentieth of the one
before; then up to five digits that divide the cell into 4 columns and 5 rows. Zeros before the plus stand for
digits left out.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from urllib.parse import parse_qsl, unquote, unquote_plus, urlsplit

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say

LONGEST = 200
LONGEST_LINK = 2000
WIDEST_CELL_DEG = 0.0025
"""A plus code of eight digits: 275 metres."""

LEAST_METRES = 1000
"""Where both numbers are as large as this, they come from a grid."""

_ALIKE = str.maketrans(
    {
        "−": "-", "–": "-", "º": "°", "˚": "°", "′": "'", "’": "'", "‘": "'", "ʹ": "'", "´": "'",
        "″": '"', "”": '"', "“": '"', "ʺ": '"', "\u00a0": " ", "\u202f": " ", "\u2009": " ", "：": ":",
    }
)  # fmt: skip
_NUMBER = r"\d+(?:\.\d*)?|\.\d+"
_ANGLE = re.compile(
    rf"""\s*(?P<before>[NSEWO])?\s*(?P<sign>[+-])?\s*(?P<degrees>{_NUMBER})\s*(?:°|DEG\b|D\b|:|(?=\s))?
    (?:\s*(?P<minutes>{_NUMBER})\s*(?:'(?!')|M\b|:|(?=[\sNSEWO]|$))
       (?:\s*(?P<seconds>{_NUMBER})\s*(?:"|''|S\b(?=\s*[NSEWO])|(?=[\sNSEWO]|$)))?)?
    \s*(?P<after>[NSEWO](?![A-Z]))?\s*""",
    re.VERBOSE,
)
_DECIMAL = re.compile(rf"\s*([+-]?(?:{_NUMBER}))\s*°?\s*[,;\s]\s*([+-]?(?:{_NUMBER}))\s*°?\s*")
_GEO = re.compile(
    rf"geo:(-?(?:{_NUMBER})),(-?(?:{_NUMBER}))(?:,-?(?:{_NUMBER}))?(;[^?]*)?(\?.*)?", re.IGNORECASE
)
_LABELLED = re.compile(
    rf"""\W*(?P<first>lat|lon|lng)[a-z]*\W*?(?P<one>[+-]?(?:{_NUMBER}))\s*°?[\s,;"']*
    (?P<second>lat|lon|lng)[a-z]*\W*?(?P<two>[+-]?(?:{_NUMBER}))\W*""",
    re.VERBOSE | re.IGNORECASE,
)
_COMPASS = re.compile(r"\b(north|south|east|west)\b\.?", re.IGNORECASE)

_LINK = re.compile(r"[a-z][a-z0-9+.-]*:(?://|\?)\S+|(?:[a-z0-9-]+\.)+[a-z]{2,}/\S+", re.IGNORECASE)
_IN_LINK = r"[+-]?\d{1,3}(?:\.\d+)?"
_PIN = re.compile(rf"!3d({_IN_LINK})!4d({_IN_LINK})")
_VIEW = re.compile(rf"@({_IN_LINK}),({_IN_LINK})(?=[,/]|$)")
_TILE = re.compile(rf"(?:^|[/=])\d{{1,2}}(?:\.\d+)?/({_IN_LINK})/({_IN_LINK})(?=[/&]|$)")
_MARKED = ("q", "query", "destination", "daddr", "loc", "place", "marker", "markers", "pin", "sll", "geo")
_LOOKED_AT = ("ll", "center", "centre", "cp", "viewpoint", "c")
_APART = [
    names.split() for names in ("mlat mlon", "lat lon", "lat lng", "lat long", "latitude longitude", "y x")
]
_LONGITUDE_FIRST = re.compile(r"(?:^|\.)yandex\.")
"""Sites whose `ll` has longitude first."""

DIGITS = "23456789CFGHJMPQRVWX"
FIRST_DEG = 20.0
"""Height and width of the largest cell."""
PAIRS = 5
ROWS, COLUMNS = 5, 4
MOST_DIGITS = 15
"""More digits are part of a code, but say nothing."""

_D = f"[{DIGITS}]"
_FULL = re.compile(
    rf"(?:[2-9C][2-9CFGHJMPQRV]{_D}{{6}}\+(?:{_D}{{2,}})?|[2-9C][2-9CFGHJMPQRV](?:000000|{_D}{{2}}0000|{_D}{{4}}00)\+)"
)
_SHORT = re.compile(rf"(?:{_D}{{2}}){{0,3}}\+{_D}{{2,}}|(?:{_D}{{2}}){{2,3}}\+")


def parse_lat_lon(text: str) -> tuple[float, float]:
    """Latitude and longitude in decimal degrees from what was typed; north and east are positive.

    BadInput, in one sentence with an example, when it isn't a pair in one of the forms above, or when it
    can't be coordinates (with a hint when the two look swapped).
    """
    plain = text.translate(_ALIKE).strip()
    if _LINK.fullmatch(plain) and not plain.lower().startswith("geo:"):
        if len(plain) > LONGEST_LINK:
            raise BadInput(phrase("sites.link-too-long"))
        for part in texts_in(plain):
            short = part[:LONGEST].strip()
            try:
                found = _plus_code(short) or _pair(short)
            except BadInput:
                continue  # not coordinates; another part of the link may be
            if found is not None:
                return check_lat_lon(*found)
        raise BadInput(phrase("sites.link-without-coordinates"))
    if len(text) > LONGEST:
        raise BadInput(phrase("sites.coordinates-too-long"))
    if plain.startswith("(") and plain.endswith(")"):
        plain = plain[1:-1].strip()
    found = _geo(plain) or _plus_code(plain) or _pair(plain)
    if found is None:
        raise BadInput(phrase("sites.coordinates-unreadable", text=text.strip()))
    return check_lat_lon(*found)


def _pair(plain: str) -> tuple[float, float] | None:
    """Two numbers or angles, with a decimal point or, where there is none, a decimal comma."""
    pointed = _COMPASS.sub(lambda match: match[0][0], plain)
    commas = None if "." in pointed else re.sub(r"(?<=\d),(?=\d)", ".", pointed)
    if (alone := _angle((commas or pointed).upper())) is not None and alone[1]:
        raise BadInput(phrase("sites.coordinate-alone", text=plain, is_latitude=alone[1] in "NS"))
    if found := _decimal(pointed):
        return found
    named = _LABELLED.fullmatch(pointed)
    if named is not None and named["first"][:2].lower() != named["second"][:2].lower():
        one, two = float(named["one"]), float(named["two"])
        return (one, two) if named["first"].lower() == "lat" else (two, one)
    return _angles(pointed) or (_decimal(commas) or _angles(commas) if commas else None)


def _plus_code(text: str) -> tuple[float, float] | None:
    """The middle of a plus code's cell. A code without its first digits means something only near a known
    place: BadInput, as for a wide cell."""
    code = text.split(maxsplit=1)[0] if text else ""
    if _SHORT.fullmatch(code.upper()):
        raise BadInput(phrase("sites.plus-code-short", code=code))
    cell = find_cell(text)
    if cell is None:
        return None
    south_deg, west_deg, height_deg, width_deg = cell
    if height_deg > WIDEST_CELL_DEG:
        raise BadInput(phrase("sites.plus-code-wide", text=text, across_km=round(height_deg * 111)))
    return min(90.0, south_deg + height_deg / 2), west_deg + width_deg / 2


def _geo(text: str) -> tuple[float, float] | None:
    match = _GEO.fullmatch(text)
    if match is None:
        return None
    crs = re.search(r";crs=([^;]*)", unquote(match[3] or ""), re.IGNORECASE)
    if crs is not None and crs[1].lower() != "wgs84":
        raise BadInput(phrase("sites.geo-other-system", crs=crs[1]))
    place = re.search(rf"[?&]q=(-?(?:{_NUMBER})),(-?(?:{_NUMBER}))(?=$|[&(\s])", unquote(match[4] or ""))
    lat, lon = (place or match).groups()[:2]
    return float(lat), float(lon)


def _decimal(text: str) -> tuple[float, float] | None:
    match = _DECIMAL.fullmatch(text)
    return None if match is None else (float(match[1]), float(match[2]))


def _angles(text: str) -> tuple[float, float] | None:
    """Two angles with letters, degrees, minutes or seconds, in either order where letters say which."""
    upper = text.upper()
    # the first may end at its letter, before the second's, at a comma, or at a blank, the middle one first
    ends = [match.end() for match in re.finditer(r"(?<=[\d°'\"\s])[NSEWO](?![A-Z])", upper)]
    ends += [match.start() for match in re.finditer(r"(?<![A-Z])[NSEWO](?=\s*[+\d])", upper)]
    ends += [match.start() for match in re.finditer(r"[,;/]", upper)]
    blanks = [match.start() for match in re.finditer(r"\s+(?=[+-]?\d)", upper)]
    ends += sorted(blanks, key=lambda at: abs(at - len(upper) / 2))
    for end in ends:
        first = _angle(upper[:end])
        second = _angle(upper[end:].lstrip(" ,;/"))
        if first is None or second is None:
            continue
        letters = first[1] + second[1]
        if letters in ("", "N", "S", "E", "W"):  # one letter says which of the two it stands at
            lat_is_first = not letters or (letters in ("N", "S")) == (first[1] != "")
        elif re.fullmatch(r"[NS][EW]|[EW][NS]", letters):
            lat_is_first = letters[0] in "NS"
        else:
            continue
        return (first[0], second[0]) if lat_is_first else (second[0], first[0])
    return None


def _angle(text: str) -> tuple[float, str] | None:
    """Degrees with their sign, and N, S, E, W or "" where no letter was written."""
    match = _ANGLE.fullmatch(text)
    if match is None or (match["before"] and match["after"]):
        return None
    letter = (match["before"] or match["after"] or "").replace("O", "W")
    degrees = float(match["degrees"])
    minutes, seconds = float(match["minutes"] or 0), float(match["seconds"] or 0)
    if minutes >= 60 or seconds >= 60 or (match["minutes"] and not degrees.is_integer()):
        return None
    if match["seconds"] and not minutes.is_integer():
        return None
    if letter and match["sign"] == "-":
        raise BadInput(phrase("sites.minus-and-letter", text=text.strip()))
    value_deg = degrees + minutes / 60 + seconds / 3600
    is_negative = letter in ("S", "W") or match["sign"] == "-"
    return -value_deg if is_negative else value_deg, letter


def texts_in(link: str) -> Iterator[str]:
    """What in the link may be coordinates, likeliest first: pairs such as `40.31,-1.42`, and whatever
    stands where a map's site puts them."""
    try:
        parts = urlsplit(link if ":" in link.partition("/")[0] else f"//{link}")
        fields = {key.lower(): value.strip() for key, value in parse_qsl(parts.query)}
        path = unquote(parts.path)
    except ValueError:
        return
    whole = unquote_plus(link)
    for match in list(_PIN.finditer(whole))[::-1]:
        yield f"{match[1]},{match[2]}"
    lat, lon = _APART[0]
    if lat in fields and lon in fields:
        yield f"{fields[lat]},{fields[lon]}"
    yield from (re.sub(r"^(?:loc|point|geo):", "", fields[key]) for key in _MARKED if key in fields)
    # parts of the path that hold a pair or a code, the last first, as that of a way's end
    for part in reversed(path.split("/")):
        if re.search(r"\d", part) and not part.startswith(("@", "data=")):
            yield from (part, part.replace("+", " "))  # a plus code's plus, or a blank
    yield from (f"{match[1]},{match[2]}" for match in _VIEW.finditer(whole))
    for key in _LOOKED_AT:
        pair = fields.get(key, "").replace("~", ",").replace("|", ",").split(",")
        if len(pair) == 2 and _LONGITUDE_FIRST.search(parts.hostname or ""):
            pair.reverse()
        if key in fields:
            yield ",".join(pair)
    for place in (parts.fragment, fields.get("map", ""), path):
        yield from (f"{match[1]},{match[2]}" for match in _TILE.finditer(unquote_plus(place)))
    yield from (f"{fields[lat]},{fields[lon]}" for lat, lon in _APART[1:] if lat in fields and lon in fields)


def find_cell(code: str) -> tuple[float, float, float, float] | None:
    """South, west, height and width in degrees of a full plus code's cell; None when it isn't one."""
    upper = code.upper()
    if _FULL.fullmatch(upper) is None:
        return None
    digits = [DIGITS.index(each) for each in upper.replace("+", "").rstrip("0")[:MOST_DIGITS]]
    south_deg, west_deg = -90.0, -180.0
    height_deg = width_deg = FIRST_DEG * len(DIGITS)
    for row, column in zip(digits[: 2 * PAIRS : 2], digits[1 : 2 * PAIRS : 2], strict=True):
        height_deg, width_deg = height_deg / len(DIGITS), width_deg / len(DIGITS)
        south_deg, west_deg = south_deg + row * height_deg, west_deg + column * width_deg
    for digit in digits[2 * PAIRS :]:
        height_deg, width_deg = height_deg / ROWS, width_deg / COLUMNS
        row, column = divmod(digit, COLUMNS)
        south_deg, west_deg = south_deg + row * height_deg, west_deg + column * width_deg
    return south_deg, west_deg, height_deg, width_deg


def check_lat_lon(lat_deg: float, lon_deg: float) -> tuple[float, float]:
    """The pair if it is on Earth; BadInput with a hint if not."""
    if min(abs(lat_deg), abs(lon_deg)) >= LEAST_METRES:
        raise BadInput(phrase("sites.coordinates-in-metres", lat_deg=lat_deg, lon_deg=lon_deg))
    if not math.isfinite(lat_deg) or abs(lat_deg) > 90:
        is_swapped = abs(lon_deg) <= 90
        pair = phrase("sites.latitude-range", is_swapped=is_swapped, lat_deg=lat_deg, lon_deg=lon_deg)
        raise BadInput(pair)
    if not math.isfinite(lon_deg) or abs(lon_deg) > 180:
        raise BadInput(phrase("sites.longitude-range", lon_deg=lon_deg))
    return lat_deg, lon_deg


def say_lat_lon(lat_deg: float, lon_deg: float, places: int = 4) -> str:
    """`40.3100° N, 1.4200° W`."""
    quarter = ("N" if lat_deg >= 0 else "S") + ("E" if lon_deg >= 0 else "W")
    lat, lon = f"{abs(lat_deg):.{places}f}", f"{abs(lon_deg):.{places}f}"
    return say("sites.lat-lon", quarter=quarter, lat=lat, lon=lon)
