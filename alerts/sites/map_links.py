"""Coordinates in links to maps, read from the link itself: nothing is fetched.

    …/@40.31,-1.42,15z      …!3d40.31!4d-1.42       …/place/40.31,-1.42
    ?q=40.31,-1.42          ?query= ?destination= ?daddr= ?ll= ?center= ?loc= ?cp=40.31~-1.42
    ?mlat=40.31&mlon=-1.42  ?lat=40.31&lon=-1.42    #map=15/40.31/-1.42      #15/40.31/-1.42

What marks a place goes before what says where the map is looked at.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from urllib.parse import parse_qsl, unquote, unquote_plus, urlsplit

_LINK = re.compile(r"[a-z][a-z0-9+.-]*:(?://|\?)\S+|(?:[a-z0-9-]+\.)+[a-z]{2,}/\S+", re.IGNORECASE)
_NUMBER = r"[+-]?\d{1,3}(?:\.\d+)?"
_PIN = re.compile(rf"!3d({_NUMBER})!4d({_NUMBER})")
_VIEW = re.compile(rf"@({_NUMBER}),({_NUMBER})(?=[,/]|$)")
_TILE = re.compile(rf"(?:^|[/=])\d{{1,2}}(?:\.\d+)?/({_NUMBER})/({_NUMBER})(?=[/&]|$)")
_MARKED = ("q", "query", "destination", "daddr", "loc", "place", "marker", "markers", "pin", "sll", "geo")
_LOOKED_AT = ("ll", "center", "centre", "cp", "viewpoint", "c")
_APART = (
    ("mlat", "mlon"),
    ("lat", "lon"),
    ("lat", "lng"),
    ("lat", "long"),
    ("latitude", "longitude"),
    ("y", "x"),
)
_LONGITUDE_FIRST = re.compile(r"(?:^|\.)yandex\.")
"""Sites whose `ll` has longitude first."""


def is_link(text: str) -> bool:
    return _LINK.fullmatch(text) is not None


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
