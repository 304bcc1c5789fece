"""Places from a GPX, GeoJSON, KML or KMZ file that a person brings. Nothing in the file is fetched or run.

GPX 1.0 and 1.1: waypoints, and route points where there are none. GeoJSON (RFC 7946): points, longitude
first. KML 2.2 and later: placemarks with a point, longitude first; KMZ: its first KML, unpacked in memory.
Tracks, lines and areas are no places; how many were
passed over is said. The file is refused whole when one of its places can't be on Earth.
"""

from __future__ import annotations

import io
import json
import math
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.common.text import plain
from alerts.sites.model import HIGHEST_ELEVATION_M, LONGEST_NAME, LOWEST_ELEVATION_M

LARGEST_BYTES = 5 * 1024 * 1024
MOST_PLACES = 500
DEEPEST = 64
MOST_ELEMENTS = 200_000
LARGEST_KML_BYTES = 20 * 1024 * 1024
"""Of a KMZ's KML, unpacked; no more is unpacked, whatever the file says of itself."""
LARGEST_INDEX_BYTES = 200_000
"""Of a packed file's list of what is in it: some thousand names."""
FORMS = phrase("reports.places-forms")
TO_WGS84 = phrase("reports.places-to-wgs84")
MOST_DEGREES = 360
"""Beyond this no number is a degree, however it is counted."""
IN_DEGREES = re.compile(r"(?:^|\D)(?:CRS84h?|4326|4979|4258|4269)$", re.IGNORECASE)
"""WGS 84, and ETRS89 and NAD83, which differ from it by a metre or two."""


@dataclass(frozen=True, slots=True)
class FoundPlace:
    """A place in the file, WGS84. elevation_m: None where the file doesn't say."""

    name: str
    lat_deg: float
    lon_deg: float
    elevation_m: float | None = None


@dataclass(frozen=True, slots=True)
class PlaceFile:
    """What the file holds. passed_over: how many things in it are no places, or the same place again."""

    places: tuple[FoundPlace, ...]
    passed_over: int


@dataclass(frozen=True, slots=True)
class _Raw:
    """A place as the file writes it; None: something that isn't one."""

    name: str
    lat: object
    lon: object
    elevation: object = None


def read_places(data: bytes, *, latitude_first: bool = False) -> PlaceFile:
    """The places of a file. latitude_first: the person says that their GeoJSON has it so.

    BadInput, saying what would work, for any other file, too large or too deep a one, one without
    places, and one with a place that can't be.
    """
    if len(data) > LARGEST_BYTES:
        raise BadInput(phrase("reports.places-too-large", largest_bytes=LARGEST_BYTES // 1024 // 1024))
    start = data.removeprefix(b"\xef\xbb\xbf").lstrip()[:1]
    if start in (b"{", b"["):
        raws = _geojson(data, latitude_first=latitude_first)
    elif start == b"<" or data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raws = _xml(data)
    elif data[:2] == b"PK":
        raws = _xml(_unpacked(data))
    else:
        raise BadInput(phrase("reports.places-unknown-form", forms=FORMS))

    places: list[FoundPlace] = []
    seen, taken = set[tuple[float, float]](), set[str]()
    passed_over = 0
    for number, raw in enumerate(raws, start=1):
        place = None if raw is None else _place(raw, number)
        if place is None or (key := (round(place.lat_deg, 5), round(place.lon_deg, 5))) in seen:
            passed_over += 1
            continue
        name, again = place.name, 2
        while name.casefold() in taken:  # the same name twice gets a number behind it
            name, again = f"{place.name[: LONGEST_NAME - 5]} ({again})", again + 1
        seen.add(key)
        taken.add(name.casefold())
        places.append(replace(place, name=name))
        if len(places) > MOST_PLACES:
            raise BadInput(phrase("reports.places-too-many", most_places=MOST_PLACES))
    if not places:
        raise BadInput(phrase("reports.places-none"))
    return PlaceFile(tuple(places), passed_over)


def _unpacked(data: bytes) -> bytes:
    """The KML in a KMZ: `doc.kml`, else the first one. Its name leads nowhere, as nothing is written."""
    end = data.rfind(b"PK\x05\x06")
    is_whole = 0 <= end <= len(data) - 22 and data[max(0, end - 20) : end][:4] != b"PK\x06\x07"
    if not is_whole or struct.unpack_from("<I", data, end + 12)[0] > LARGEST_INDEX_BYTES:
        raise BadInput(phrase("reports.places-kmz-damaged"))
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            names = [each for each in packed.infolist() if each.filename.lower().endswith(".kml")]
            names.sort(key=lambda each: each.filename.lower() != "doc.kml")
            if not names:
                raise BadInput(phrase("reports.places-kmz-empty"))
            with packed.open(names[0]) as kml:
                content = kml.read(LARGEST_KML_BYTES + 1)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, ValueError):
        raise BadInput(phrase("reports.places-kmz-locked")) from None
    if len(content) > LARGEST_KML_BYTES:
        raise BadInput(
            phrase("reports.places-kml-too-large", largest_kml_bytes=LARGEST_KML_BYTES // 1024 // 1024)
        )
    return content


def _place(raw: _Raw, number: int) -> FoundPlace:
    name = plain(raw.name, LONGEST_NAME) or f"Place {number}"
    lat_deg, lon_deg = _number(raw.lat), _number(raw.lon)
    if lat_deg is None or lon_deg is None:
        raise BadInput(phrase("reports.place-no-numbers", name=name, number=number))
    if max(abs(lat_deg), abs(lon_deg)) > MOST_DEGREES:
        raise BadInput(
            phrase(
                "reports.place-in-metres",
                name=name,
                number=number,
                lon_deg=lon_deg,
                lat_deg=lat_deg,
                to_wgs84=TO_WGS84,
            )
        )
    if abs(lat_deg) > 90 or abs(lon_deg) > 180:
        swapped = abs(lon_deg) <= 90 and abs(lat_deg) <= 180
        hint = say("reports.place-swapped") if swapped else ""
        raise BadInput(
            phrase(
                "reports.place-nowhere",
                name=name,
                number=number,
                lat_deg=lat_deg,
                lon_deg=lon_deg,
                hint=hint,
            )
        )
    elevation_m = _number(raw.elevation)
    known = elevation_m is not None and LOWEST_ELEVATION_M <= elevation_m <= HIGHEST_ELEVATION_M
    return FoundPlace(name, lat_deg, lon_deg, elevation_m if known else None)


def _number(value: object) -> float | None:
    """A finite number, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return None
    try:
        number = float(value)
    except (ValueError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def _geojson(data: bytes, *, latitude_first: bool) -> Iterator[_Raw | None]:
    try:
        whole = json.loads(data.decode("utf-8-sig"))
    except RecursionError:
        raise BadInput(phrase("reports.places-geojson-deep")) from None
    except ValueError as error:
        raise BadInput(phrase("reports.places-geojson-broken", error=error)) from None

    # the `crs` member of GeoJSON of 2008 may name another system than WGS 84
    crs = whole.get("crs") if isinstance(whole, dict) else None
    properties = crs.get("properties") if isinstance(crs, dict) else None
    if isinstance(properties, dict):
        named = next((str(properties[key]) for key in ("name", "code", "href") if key in properties), "")
        if named and not IN_DEGREES.search(named):
            code = re.search(r"EPSG\D*(\d+)$", named, re.IGNORECASE)
            system = f"EPSG:{code[1]}" if code else plain(named, LONGEST_NAME)
            raise BadInput(phrase("reports.places-not-wgs84", system=system, to_wgs84=TO_WGS84))
    return _features(whole, "", 0, latitude_first=latitude_first)


def _features(thing: Any, name: str, depth: int, *, latitude_first: bool) -> Iterator[_Raw | None]:
    """Every point in a GeoJSON object, with the name of the feature it belongs to."""
    if depth > DEEPEST:
        raise BadInput(phrase("reports.places-geojson-deep"))
    if not isinstance(thing, dict):
        yield None
        return
    kind, parts = thing.get("type"), thing.get("features") or thing.get("geometries")
    if kind in ("FeatureCollection", "GeometryCollection") and isinstance(parts, list):
        for part in parts:
            yield from _features(part, name, depth + 1, latitude_first=latitude_first)
    elif kind == "Feature":
        named = _name_in(thing.get("properties")) or name
        yield from _features(thing.get("geometry"), named, depth + 1, latitude_first=latitude_first)
    elif kind == "Point":
        yield _position(thing.get("coordinates"), name, latitude_first=latitude_first)
    elif kind == "MultiPoint" and isinstance(thing.get("coordinates"), list):
        for position in thing["coordinates"]:
            yield _position(position, name, latitude_first=latitude_first)
    else:
        yield None


def _name_in(properties: Any) -> str:
    if not isinstance(properties, dict):
        return ""
    said = {
        str(key).lower(): str(value)
        for key, value in reversed(properties.items())
        if isinstance(value, str | int) and str(value).strip()
    }
    return next((said[key] for key in ("name", "title", "label", "id") if key in said), "")


def _position(position: Any, name: str, *, latitude_first: bool) -> _Raw | None:
    if not isinstance(position, list) or len(position) < 2:
        return None
    first, second = position[0], position[1]
    lat, lon = (first, second) if latitude_first else (second, first)
    return _Raw(name, lat, lon, position[2] if len(position) > 2 else None)


def _xml(data: bytes) -> Iterator[_Raw | None]:
    """Places of a GPX or KML file, whichever its root says."""
    try:
        elements = list(_wanted(data))
    except ParseError as error:
        raise BadInput(phrase("reports.places-xml-broken", error=error)) from None
    except (DefusedXmlException, ValueError, LookupError):
        raise BadInput(phrase("reports.places-xml-entities")) from None
    waypoints = [raw for tag, raw in elements if tag in ("wpt", "placemark")]
    others = [raw for tag, raw in elements if tag == "rtept"] if not waypoints else []
    return iter([*waypoints, *others, *(None for tag, _ in elements if tag in ("trk", "rte"))])


_READ = frozenset({"wpt", "rtept", "placemark", "trk", "rte"})


def _wanted(data: bytes) -> Iterator[tuple[str, _Raw | None]]:
    """The elements of interest as they close; each is emptied afterwards, so that memory stays small."""
    depth, count, root = 0, 0, ""
    for event, element in iterparse(io.BytesIO(data), events=("start", "end"), forbid_dtd=True):
        tag = _local(element)
        if event == "start":
            depth, count = depth + 1, count + 1
            root = root or tag
            if root not in ("gpx", "kml"):
                raise BadInput(phrase("reports.places-xml-other", root=root, forms=FORMS))
            if depth > DEEPEST:
                raise BadInput(phrase("reports.places-xml-deep"))
            if count > MOST_ELEMENTS:
                raise BadInput(phrase("reports.places-xml-much"))
            continue
        depth -= 1
        if tag in _READ:
            lat, lon = element.get("lat"), element.get("lon")
            if tag == "placemark":
                yield tag, _placemark(element)
            elif lat is None and lon is None:
                yield tag, None
            else:
                yield tag, _Raw(_child(element, "name"), lat, lon, _child(element, "ele") or None)
            element.clear()
        elif tag in ("trkpt", "extensions"):
            element.clear()


def _local(element: Element) -> str:
    return str(element.tag).rpartition("}")[2].lower()


def _child(element: Element, name: str) -> str:
    return next((each.text or "" for each in element if _local(each) == name), "")


def _placemark(element: Element) -> _Raw | None:
    """The first point of a placemark; one without a point is no place."""
    for point in element.iter():
        if _local(point) == "point":
            values = _child(point, "coordinates").strip().split(",")
            if len(values) < 2:
                return None
            return _Raw(_child(element, "name"), values[1], values[0], values[2] if len(values) > 2 else None)
    return None
