"""Coordinates as people type and paste them.

    40.31,-1.42          40,31 -1,42             40.31 N, 1.42 W        N40.31 W1.42
    40°18'36"N 1°25'12"W                         40° 18.6' N, 1° 25.2' W
    40 18 36 N 1 25 12 W                         geo:40.31,-1.42;u=35   (RFC 5870)

Latitude comes first unless the letters say otherwise. A comma may be the decimal mark where that leaves
two numbers.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from urllib.parse import unquote

from alerts.errors import BadInput

LONGEST = 200
EXAMPLE = "write decimal degrees such as 40.31,-1.42 (south and west negative), or 40°18'36\"N 1°25'12\"W"

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
_COMMA_DECIMAL = re.compile(r"\s*([+-]?\d+,\d+)\s*°?\s*[;\s]\s*([+-]?\d+,\d+)\s*°?\s*")
_GEO = re.compile(rf"geo:(-?(?:{_NUMBER})),(-?(?:{_NUMBER}))(?:,-?(?:{_NUMBER}))?(;.*)?", re.IGNORECASE)


def parse_lat_lon(text: str) -> tuple[float, float]:
    """Latitude and longitude in decimal degrees from what was typed; north and east are positive.

    BadInput when it isn't a pair in one of the forms above, or when it can't be coordinates (with a
    hint when the two look swapped).
    """
    if len(text) > LONGEST:
        raise BadInput(f"that is too long for coordinates; {EXAMPLE}.")
    plain = text.translate(_ALIKE).strip()
    found = _geo(plain) or _decimal(plain) or _angles(plain)
    if found is None:
        raise BadInput(f"{text.strip()!r} is no LAT,LON; {EXAMPLE}.")
    return _checked(*found)


def _geo(text: str) -> tuple[float, float] | None:
    match = _GEO.fullmatch(text)
    if match is None:
        return None
    crs = re.search(r";crs=([^;]*)", unquote(match[3] or ""), re.IGNORECASE)
    if crs is not None and crs[1].lower() != "wgs84":
        raise BadInput(f"the geo: address is in {crs[1]!r}; only WGS84 is understood.")
    return float(match[1]), float(match[2])


def _decimal(text: str) -> tuple[float, float] | None:
    match = _DECIMAL.fullmatch(text)
    if match is not None:
        return float(match[1]), float(match[2])
    match = _COMMA_DECIMAL.fullmatch(text)
    return None if match is None else (_comma_float(match[1]), _comma_float(match[2]))


def _comma_float(text: str) -> float:
    return float(text.replace(",", "."))


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
        if re.fullmatch(r"[NS][EW]|", letters):
            return first.value_deg, second.value_deg
        if re.fullmatch(r"[EW][NS]", letters):
            return second.value_deg, first.value_deg
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
        raise BadInput(f"{text.strip()!r} has both a minus and a letter; write one of the two.")
    value_deg = degrees + minutes / 60 + seconds / 3600
    is_negative = letter in ("S", "W") or match["sign"] == "-"
    return _Angle(-value_deg if is_negative else value_deg, letter)


def _checked(lat_deg: float, lon_deg: float) -> tuple[float, float]:
    if not math.isfinite(lat_deg) or abs(lat_deg) > 90:
        hint = f" Latitude comes first; did you mean {lon_deg:g},{lat_deg:g}?" if abs(lon_deg) <= 90 else ""
        raise BadInput(f"latitude {lat_deg:g} is outside -90..90.{hint}")
    if not math.isfinite(lon_deg) or abs(lon_deg) > 180:
        raise BadInput(f"longitude {lon_deg:g} is outside -180..180.")
    return lat_deg, lon_deg


def say_lat_lon(lat_deg: float, lon_deg: float, places: int = 4) -> str:
    """`40.3100° N, 1.4200° W`."""
    return f"{_say(lat_deg, 'N', 'S', places)}, {_say(lon_deg, 'E', 'W', places)}"


def _say(value_deg: float, positive: str, negative: str, places: int) -> str:
    return f"{abs(value_deg):.{places}f}° {positive if value_deg >= 0 else negative}"
