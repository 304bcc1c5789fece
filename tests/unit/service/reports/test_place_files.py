"""Places from files: GPX 1.1, GeoJSON (RFC 7946), KML 2.2, KMZ, and what must be refused."""

from __future__ import annotations

import io
import json
import tracemalloc
import zipfile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.errors import BadInput
from service.reports.place_files import LARGEST_BYTES, LARGEST_KML_BYTES, MOST_PLACES, read_places

GPX_HEAD = '<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
KML_HEAD = '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'


def gpx(inside: str) -> bytes:
    return f"{GPX_HEAD}{inside}</gpx>".encode()


def kml(inside: str) -> bytes:
    return f"{KML_HEAD}{inside}</Document></kml>".encode()


def geojson(*features: object, **members: object) -> bytes:
    return json.dumps({"type": "FeatureCollection", **members, "features": features}).encode()


def crs(name: str) -> dict[str, object]:
    return {"type": "name", "properties": {"name": name}}


def kmz(**files: bytes) -> bytes:
    """A packed file; `__` in a name stands for a slash, `_` for a dot."""
    return packed({name.replace("__", "/").replace("_", "."): data for name, data in files.items()})


def packed(files: dict[str, bytes]) -> bytes:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in files.items():
            file.writestr(name, data)
    return content.getvalue()


POINT = b"<Point><coordinates>-1.05,40.75</coordinates></Point>"
CAIRN = b"<kml><Placemark><name>Cairn</name>" + POINT + b"</Placemark></kml>"
OTHER = CAIRN.replace(b"Cairn", b"Other")


def named(key: str, name: str = "Cairn") -> bytes:
    return geojson({**feature("", -1.05, 40.75), "properties": {"fid": 7, key: name}})


def encrypted() -> bytes:
    """The flag of an encrypted entry set in both of its headers."""
    data = bytearray(kmz(doc_kml=CAIRN))
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(mark) + at] |= 1
    return bytes(data)


def many_entries() -> bytes:
    return packed({f"{number}.png": b"" for number in range(5_000)} | {"doc.kml": CAIRN})


def feature(name: str, *coordinates: object, kind: str = "Point") -> dict[str, object]:
    return {
        "type": "Feature",
        "properties": {"name": name},
        "geometry": {"type": kind, "coordinates": coordinates},
    }


GOOD = {
    "gpx waypoint with elevation": (
        gpx('<wpt lat="40.31" lon="-1.42"><ele>1180</ele><name>Windpump Flat</name></wpt>'),
        [("Windpump Flat", 40.31, -1.42, 1180.0)],
    ),
    "gpx 1.0 without a name": (
        b'<gpx version="1.0" creator="t"><wpt lat="1" lon="2"/></gpx>',
        [("Place 1", 1.0, 2.0, None)],
    ),
    "gpx route points where there are no waypoints": (
        gpx('<rte><rtept lat="1" lon="2"><name>A</name></rtept></rte>'),
        [("A", 1.0, 2.0, None)],
    ),
    "gpx tracks are passed over": (
        gpx(
            '<wpt lat="1" lon="2"/><trk><trkseg>'
            '<trkpt lat="3" lon="4"/><trkpt lat="5" lon="6"/></trkseg></trk>'
        ),
        [("Place 1", 1.0, 2.0, None)],
    ),
    "geojson has longitude first": (
        geojson(feature("Windpump Flat", -1.42, 40.31, 1180)),
        [("Windpump Flat", 40.31, -1.42, 1180.0)],
    ),
    "geojson point alone": (b'{"type": "Point", "coordinates": [2, 1]}', [("Place 1", 1.0, 2.0, None)]),
    "geojson with byte order mark": (
        b"\xef\xbb\xbf" + geojson(feature("A", 2, 1)),
        [("A", 1.0, 2.0, None)],
    ),
    "geojson many points": (
        geojson(feature("A", [2, 1], [4, 3], kind="MultiPoint")),
        [("A", 1.0, 2.0, None), ("A (2)", 3.0, 4.0, None)],
    ),
    "kml placemark": (
        kml(
            "<Placemark><name>Cairn</name><Point><coordinates>-1.05,40.75,1540</coordinates></Point></Placemark>"
        ),
        [("Cairn", 40.75, -1.05, 1540.0)],
    ),
    "kml folder and a line": (
        kml(
            "<Folder><Placemark><LineString><coordinates>0,0 1,1</coordinates></LineString></Placemark>"
            "<Placemark><name>A</name><Point><coordinates> 2,1 </coordinates></Point></Placemark></Folder>"
        ),
        [("A", 1.0, 2.0, None)],
    ),
    "kmz": (kmz(doc_kml=CAIRN, images__a_png=b"x"), [("Cairn", 40.75, -1.05, None)]),
    "kmz with several": (kmz(a_kml=OTHER, doc_kml=CAIRN), [("Cairn", 40.75, -1.05, None)]),
    "kmz whose kml has another name": (kmz(files__places_KML=CAIRN), [("Cairn", 40.75, -1.05, None)]),
    "row_228 kmz with a path that leads out": (
        packed({"../../../etc/passwd.kml": CAIRN}),
        [("Cairn", 40.75, -1.05, None)],
    ),
    **{
        f"geojson named by {key}": (named(key), [("Cairn", 40.75, -1.05, None)])
        for key in ("NAME", "Name", "name", "title", "Title")
    },
    "geojson with an empty name beside one": (
        geojson({**feature("", -1.05, 40.75), "properties": {"NAME": None, "name": "Cairn"}}),
        [("Cairn", 40.75, -1.05, None)],
    ),
    **{
        f"geojson that says {system}": (
            geojson(feature("Cairn", -1.05, 40.75), crs=crs(system)),
            [("Cairn", 40.75, -1.05, None)],
        )
        for system in ("urn:ogc:def:crs:OGC:1.3:CRS84", "urn:ogc:def:crs:EPSG::4326", "EPSG:4258")
    },
    "geojson with no system": (geojson(feature("A", 2, 1), crs=None), [("A", 1.0, 2.0, None)]),
    "the same place twice": (
        gpx('<wpt lat="1" lon="2"/><wpt lat="1.000001" lon="2"/>'),
        [("Place 1", 1.0, 2.0, None)],
    ),
    "an elevation that can't be": (
        gpx('<wpt lat="1" lon="2"><ele>99999</ele></wpt>'),
        [("Place 1", 1.0, 2.0, None)],
    ),
    "a name with control characters": (
        gpx('<wpt lat="1" lon="2"><name>A&#x202E;B\n\n C</name></wpt>'),
        [("AB C", 1.0, 2.0, None)],
    ),
    "utf-16": (
        '<gpx version="1.1" creator="t"><wpt lat="1" lon="2"/></gpx>'.encode("utf-16"),
        [("Place 1", 1.0, 2.0, None)],
    ),
}


@pytest.mark.parametrize(("data", "expected"), GOOD.values(), ids=GOOD)
def test_places_are_read(data: bytes, expected: list[tuple[str, float, float, float | None]]) -> None:
    found = read_places(data).places
    assert [(each.name, each.lat_deg, each.lon_deg, each.elevation_m) for each in found] == expected


LAUGHS = (
    b'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">'
    b'<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]><gpx><wpt lat="1" lon="2"><name>&c;</name></wpt></gpx>'
)
OUTSIDE = (
    b'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
    b'<gpx><wpt lat="1" lon="2"><name>&a;</name></wpt></gpx>'
)
BAD = {
    "empty": (b"", "isn't a GPX, GeoJSON, KML or KMZ file"),
    "a picture": (b"\x89PNG\r\n\x1a\n", "isn't a GPX, GeoJSON, KML or KMZ file"),
    "row_228 the start of a zip": (b"PK\x03\x04", "damaged"),
    "row_228 a broken zip": (b"PK" + kmz(doc_kml=CAIRN)[40:], "packed file"),
    "row_228 a zip without a kml": (kmz(readme_txt=b"hello"), "holds no KML"),
    "row_228 an encrypted zip": (encrypted(), "can't be unpacked"),
    "row_228 a zip bomb": (kmz(doc_kml=b"<kml>" + b" " * LARGEST_KML_BYTES), "more than 20 MB"),
    "row_228 a zip of thousands": (many_entries(), "holds too much"),
    "row_228 a zip in a zip": (kmz(doc_kml=kmz(doc_kml=CAIRN)), "XML"),
    "row_228 an entity bomb in a zip": (kmz(doc_kml=LAUGHS), "defines entities"),
    "row_229 metres by their size": (
        geojson(feature("Cairn", 664000.5, 4512000)),
        r"'Cairn' .number 1. lies at 664000\.5, 4512000: these are metres of a projected system, "
        r"not degrees; export it as WGS 84 .EPSG:4326.",
    ),
    "row_229 metres by the member": (
        geojson(feature("Cairn", 664000, 4512000), crs=crs("urn:ogc:def:crs:EPSG::25830")),
        "coordinates are in EPSG:25830, not in WGS 84; export it as WGS 84",
    ),
    "row_229 a code": (
        geojson(feature("A", 2, 1), crs={"type": "EPSG", "properties": {"code": 3857}}),
        "are in 3857, not in WGS 84",
    ),
    "html": (b"<html><body>login</body></html>", "outermost element is 'html'"),
    "broken xml": (b'<gpx><wpt lat="1"', "can't be read as XML"),
    "broken json": (b'{"type": "Feature', "can't be read"),
    "no places": (gpx("<trk><trkseg/></trk>"), "holds no places"),
    "an area": (geojson(feature("A", [[[0, 0], [1, 0], [1, 1], [0, 0]]], kind="Polygon")), "holds no places"),
    "NaN": (gpx('<wpt lat="NaN" lon="2"/>'), "no numbers"),
    "infinity": (gpx('<wpt lat="1e400" lon="2"/>'), "no numbers"),
    "json NaN": (b'{"type": "Point", "coordinates": [NaN, 1]}', "no numbers"),
    "json 1e999": (b'{"type": "Point", "coordinates": [1e999, 1]}', "no numbers"),
    "swapped geojson": (geojson(feature("A", 34.0, 118.2)), "look swapped"),
    "off the Earth": (gpx('<wpt lat="200" lon="200"/>'), "no place on Earth"),
    "entity bomb (row 65)": (LAUGHS, "defines entities"),
    "entity from a file (row 65)": (OUTSIDE, "defines entities"),
    "deep xml": (gpx("<a>" * 200 + "</a>" * 200), "nested too deeply"),
    "deep json (row 65)": (b"[" * 100_000 + b"]" * 100_000, "nested too deeply"),
    "deep collections": (
        b'{"type":"GeometryCollection","geometries":[' * 100 + b"]}" * 100,
        "nested too deeply",
    ),
    "a number of 5,000 digits": (
        b'{"type": "Point", "coordinates": [' + b"9" * 5000 + b", 1]}",
        "can't be read",
    ),
    "too many places": (gpx("".join(
        f'<wpt lat="{k / 100}" lon="2"/>' for k in range(MOST_PLACES + 1))), "more than 500 places"),
    "too many elements": (gpx("<a/>" * 200_001), "too much besides places"),
    "too large": (b"<gpx>" + b" " * LARGEST_BYTES, "more than 5 MB"),
    "an unknown encoding": (b'<?xml version="1.0" encoding="x-none"?><gpx/>', "as XML|encoding"),
}  # fmt: skip


@pytest.mark.parametrize(("data", "said"), BAD.values(), ids=BAD)
def test_other_files_are_refused_with_the_reason(data: bytes, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        read_places(data)


def test_row_228_a_packed_bomb_costs_little_memory() -> None:
    data = kmz(doc_kml=b"<kml>" + b" " * 10 * LARGEST_KML_BYTES)
    assert len(data) < LARGEST_BYTES
    tracemalloc.start()
    with pytest.raises(BadInput):
        read_places(data)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 4 * LARGEST_KML_BYTES


@given(st.data())
def test_any_damage_to_a_packed_file_is_refused_in_words(data: st.DataObject) -> None:
    content = bytearray(kmz(doc_kml=CAIRN))
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(2, len(content) - 1))] = data.draw(st.integers(0, 255))
    try:
        read_places(bytes(content))
    except BadInput:
        return


def test_latitude_first_can_be_said() -> None:
    assert read_places(geojson(feature("A", 34.0, 118.2)), latitude_first=True).places[0].lon_deg == 118.2


def test_how_much_was_passed_over_is_counted() -> None:
    found = read_places(geojson(feature("A", 2, 1), feature("B", [0, 0], [1, 1], kind="LineString")))
    assert (len(found.places), found.passed_over) == (1, 1)


def test_a_large_track_costs_little_memory() -> None:
    points = '<trkpt lat="1" lon="2"><ele>3</ele></trkpt>' * 60_000
    data = gpx(f'<wpt lat="1" lon="2"/><trk><trkseg>{points}</trkseg></trk>')
    tracemalloc.start()
    read_places(data)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 60e6


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused_in_words(data: bytes) -> None:
    try:
        read_places(data)
    except BadInput:
        return


KEYS = st.sampled_from(["type", "features", "geometry", "geometries", "coordinates", "properties", "name"])
LEAVES = st.none() | st.booleans() | st.floats() | st.text() | st.sampled_from(["Feature", "Point"])
JSON = st.recursive(LEAVES, lambda inner: st.lists(inner) | st.dictionaries(KEYS, inner))


@given(JSON)
def test_any_json_is_read_or_refused_in_words(value: object) -> None:
    try:
        read_places(json.dumps({"type": "FeatureCollection", "features": [value]}).encode())
    except BadInput:
        return
