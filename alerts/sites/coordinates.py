"""Coordinates as people type and paste them: the one reader for commands, pages and programs.

    40.31,-1.42          40,31 -1,42             40.31 N, 1.42 W        N40.31 W1.42
    40.31, 1.42W         lat 40.31 lon -1.42     40°18'36"N 1°25'12"W   40° 18.6' N, 1° 25.2' W
    40 18 36 N 1 25 12 W                         geo:40.31,-1.42;u=35   (RFC 5870; also ?z=, ?q=)
    8CGW8H6J+2X          a plus code             https://…/@40.31,-1.42,15z and other links to maps

Latitude comes first unless letters or words say otherwise. A comma may be the decimal mark where that
leaves two numbers. Nothing is fetched: a link without coordinates in it is refused.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from urllib.parse import unquote

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.sites.map_links import is_link, texts_in
from alerts.sites.plus_codes import find_cell, is_short

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


def parse_lat_lon(text: str) -> tuple[float, float]:
    """Latitude and longitude in decimal degrees from what was typed; north and east are positive.

    BadInput, in one sentence with an example, when it isn't a pair in one of the forms above, or when it
    can't be coordinates (with a hint when the two look swapped).
    """
    plain = text.translate(_ALIKE).strip()
    if is_link(plain) and not plain.lower().startswith("geo:"):
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
    if (alone := _angle((commas or pointed).upper())) is not None and alone.letter:
        raise BadInput(phrase("sites.coordinate-alone", text=plain, is_latitude=alone.letter in "NS"))
    found = _decimal(pointed) or _labelled(pointed) or _angles(pointed)
    return found or (_decimal(commas) or _angles(commas) if commas else None)


def _plus_code(text: str) -> tuple[float, float] | None:
    """The middle of a plus code's cell."""
    code = text.split(maxsplit=1)[0] if text else ""
    if is_short(code):
        raise BadInput(phrase("sites.plus-code-short", code=code))
    cell = find_cell(text)
    if cell is None:
        return None
    if cell.height_deg > WIDEST_CELL_DEG:
        across_km = round(cell.height_deg * 111)
        raise BadInput(phrase("sites.plus-code-wide", text=text, across_km=across_km))
    return cell.middle


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


def _labelled(text: str) -> tuple[float, float] | None:
    match = _LABELLED.fullmatch(text)
    if match is None or (match["first"][:2].lower() == match["second"][:2].lower()):
        return None
    one, two = float(match["one"]), float(match["two"])
    return (one, two) if match["first"].lower() == "lat" else (two, one)


def _decimal(text: str) -> tuple[float, float] | None:
    match = _DECIMAL.fullmatch(text)
    return None if match is None else (float(match[1]), float(match[2]))


@dataclass(frozen=True, slots=True)
class _Angle:
    """value_deg: with its sign. letter: N, S, E, W, or "" where none was written."""

    value_deg: float
    letter: str


def _angles(text: str) -> tuple[float, float] | None:
    """Two angles with letters, degrees, minutes or seconds, in either order where letters say which."""
    upper = text.upper()
    for first_end in _splits(upper):
        first, second = _angle(upper[:first_end]), _angle(upper[first_end:].lstrip(" ,;/"))
        if first is None or second is None:
            continue
        letters = first.letter + second.letter
        if letters in ("", "N", "S", "E", "W"):  # one letter says which of the two it stands at
            lat_is_first = not letters or (letters in ("N", "S")) == (first.letter != "")
        elif re.fullmatch(r"[NS][EW]|[EW][NS]", letters):
            lat_is_first = letters[0] in "NS"
        else:
            continue
        pair = (first.value_deg, second.value_deg)
        return pair if lat_is_first else pair[::-1]
    return None


def _splits(text: str) -> list[int]:
    """Where the first angle may end: at its letter, before the second's, at a comma, or at a blank."""
    ends = [match.end() for match in re.finditer(r"(?<=[\d°'\"\s])[NSEWO](?![A-Z])", text)]
    begins = [match.start() for match in re.finditer(r"(?<![A-Z])[NSEWO](?=\s*[+\d])", text)]
    marks = [match.start() for match in re.finditer(r"[,;/]", text)]
    blanks = [match.start() for match in re.finditer(r"\s+(?=[+-]?\d)", text)]
    middle = sorted(blanks, key=lambda at: abs(at - len(text) / 2))
    return [at for at in (*ends, *begins, *marks, *middle) if 0 < at < len(text)]


def _angle(text: str) -> _Angle | None:
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
    return _Angle(-value_deg if is_negative else value_deg, letter)


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
