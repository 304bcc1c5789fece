"""Where the view crosses each layer: by hand, by another library, and by few places."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

from alerts.common.span import Span
from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.milky_way import geometry
from alerts.sky.night import DarkWindow, Shape, ShapeSpan, Target, TargetKind, TrackPoint
from alerts.sky.observers import Ground
from alerts.weather.forecast import LayerScheme, Place
from alerts.weather.line_of_sight import (
    ALTITUDES_DEG,
    HEIGHTS,
    MOST_PLACES,
    Layer,
    SightView,
    band_apex,
    cell_of,
    crossings,
    ground_distance_km,
    layer_middle_m,
    lies_below,
    nearest_place,
    places_to_ask,
    point_at,
    view_of,
)

OPEN_METEO, MET_NORWAY, TOTAL = LayerScheme.OPEN_METEO, LayerScheme.MET_NORWAY, LayerScheme.NONE
GRAPPA = Place(45.87, 11.80, 1700.0)
EARTH = Geod(ellps="WGS84")
UNHURRIED = settings(deadline=None)

BY_HAND = {
    "8 km at 12 degrees": (12.0, 8_000.0, 37.1),
    "10 km at 12 degrees": (12.0, 10_000.0, 46.2),
    "1 km at 12 degrees": (12.0, 1_000.0, 4.70),
    "2 km at 12 degrees": (12.0, 2_000.0, 9.37),
    "straight up": (90.0, 10_000.0, 0.0),
    "level, 10 km": (1e-9, 10_000.0, 356.73),
}
"""Altitude, height, distance in km; on a flat Earth the first two were 37.6 and 47.0. The last by
R acos(R / (R + h))."""


@pytest.mark.parametrize(("altitude_deg", "height_m", "distance"), BY_HAND.values(), ids=BY_HAND.keys())
def test_the_crossing_stands_where_geometry_puts_it(
    altitude_deg: float, height_m: float, distance: float
) -> None:
    assert ground_distance_km(altitude_deg, height_m) == pytest.approx(distance, abs=0.06)


@pytest.mark.parametrize("altitude_deg", [8.0, 15.0, 30.0, 60.0])
@pytest.mark.parametrize("eye_m", [0.0, 2_500.0])
def test_a_ray_marched_through_space_meets_the_layer_there(altitude_deg: float, eye_m: float) -> None:
    """Steps of one metre along a straight line, until it is as high as the layer."""
    radius, height_m = 6_371_008.8, 9_500.0
    altitude = math.radians(altitude_deg)
    low, high = 0.0, 1_000_000.0
    for _ in range(60):
        along = (low + high) / 2
        up, out = radius + eye_m + along * math.sin(altitude), along * math.cos(altitude)
        low, high = (along, high) if math.hypot(up, out) < radius + height_m else (low, along)
    expected = radius * math.atan2(out, up) / 1000
    assert ground_distance_km(altitude_deg, height_m, eye_m) == pytest.approx(expected, abs=0.001)


AZIMUTHS = st.floats(0, 360)
LATITUDES = st.floats(-80, 80)


@UNHURRIED
@given(LATITUDES, st.floats(-180, 180), AZIMUTHS, st.floats(1, 100))
def test_points_agree_with_geodesics_on_the_ellipsoid(
    lat_deg: float, lon_deg: float, azimuth_deg: float, distance: float
) -> None:
    """A sphere of the mean radius against WGS84 (pyproj): within 0.6 % of the distance."""
    found = point_at(lat_deg, lon_deg, azimuth_deg, distance)
    lon, lat, _ = EARTH.fwd(lon_deg, lat_deg, azimuth_deg, distance * 1000)
    _, _, off_m = EARTH.inv(lon, lat, found[1], found[0])
    assert off_m / 1000 < 0.006 * distance
    assert -180 <= found[1] <= 180


def test_points_lie_on_the_other_side_of_the_date_line() -> None:
    assert point_at(0.0, 179.9, 90.0, 55.6)[1] == pytest.approx(-179.6, abs=0.01)


HEIGHT_CASES = {
    "high cloud over the sea": (OPEN_METEO, Layer.HIGH, 0.0, None, 9_500.0),
    "low cloud over the sea": (OPEN_METEO, Layer.LOW, 0.0, None, 1_500.0),
    "the part of it above a mountain": (OPEN_METEO, Layer.LOW, 2_000.0, None, 2_500.0),
    "all of it below": (OPEN_METEO, Layer.LOW, 3_100.0, None, None),
    "at its very top": (OPEN_METEO, Layer.LOW, 3_000.0, None, None),
    "layers above the ground rise with it": (MET_NORWAY, Layer.LOW, 1_700.0, None, 2_700.0),
    "ground far below the site": (MET_NORWAY, Layer.LOW, 2_600.0, 500.0, None),
    "ground a little below": (MET_NORWAY, Layer.LOW, 1_700.0, 1_200.0, 2_450.0),
    "total alone": (TOTAL, Layer.TOTAL, 1_000.0, None, 5_000.0),
}


@pytest.mark.parametrize(
    ("scheme", "layer", "eye_m", "ground_m", "middle_m"), HEIGHT_CASES.values(), ids=HEIGHT_CASES.keys()
)
def test_each_feed_has_its_own_heights(
    scheme: LayerScheme, layer: Layer, eye_m: float, ground_m: float | None, middle_m: float | None
) -> None:
    assert layer_middle_m(scheme, layer, eye_m, ground_m) == middle_m
    assert lies_below(scheme, layer, eye_m, ground_m) is (middle_m is None)


def test_an_unknown_height_is_never_above_a_layer() -> None:
    assert not lies_below(OPEN_METEO, Layer.LOW, None, None)
    assert not lies_below(TOTAL, Layer.LOW, 5_000.0, None)


def test_the_fan_crosses_every_layer_in_three_directions_at_three_altitudes() -> None:
    found = crossings(GRAPPA, SightView(190.0), OPEN_METEO)
    assert len(found) == 27
    assert {each.azimuth_deg for each in found} == {160.0, 190.0, 220.0}
    assert {each.altitude_deg for each in found} == set(ALTITUDES_DEG)
    assert {each.layer for each in found} == {Layer.LOW, Layer.MID, Layer.HIGH}


def test_a_layer_below_the_site_has_no_crossing() -> None:
    teide = Place(28.27, -16.64, 3_500.0)
    assert {each.layer for each in crossings(teide, SightView(190.0), OPEN_METEO)} == {Layer.MID, Layer.HIGH}


def test_a_whole_arch_is_looked_at_over_160_degrees() -> None:
    assert SightView(90.0, 30.0, 80.0).directions_deg == (10.0, 90.0, 170.0)
    assert SightView(350.0).directions_deg == (320.0, 350.0, 20.0)


@pytest.mark.parametrize("half_width_deg", [30.0, 80.0])
def test_places_asked_are_few_and_stand_for_all_crossings(half_width_deg: float) -> None:
    view = SightView(190.0, 20.0, half_width_deg)
    places = places_to_ask(GRAPPA, view, [OPEN_METEO, MET_NORWAY], nearest_km=9.0)
    assert 3 <= len(places) <= MOST_PLACES
    found = crossings(GRAPPA, view, OPEN_METEO)
    nearest = [(each, nearest_place(each, places, GRAPPA)) for each in found]
    off = [distance_km(c.lat_deg, c.lon_deg, p.lat_deg, p.lon_deg) for c, p in nearest]
    assert max(off) < 16.0
    assert all(place.is_aside and place.elevation_m is None for place in places)


def test_nothing_is_asked_where_every_crossing_lies_in_the_site_s_own_cell() -> None:
    assert places_to_ask(GRAPPA, SightView(190.0), [OPEN_METEO], nearest_km=70.0) == ()


def test_no_place_is_asked_for_a_crossing_nearer_than_a_grid_step() -> None:
    """With cells of 28 km only high cloud, and mid cloud at 8 degrees, lies beyond the site's own."""
    places = places_to_ask(GRAPPA, SightView(190.0), [OPEN_METEO], nearest_km=28.0)
    away = [distance_km(GRAPPA.lat_deg, GRAPPA.lon_deg, p.lat_deg, p.lon_deg) for p in places]
    assert min(away) > 28.0 - 8.0  # a place is the middle of a square of 0.1 degrees


def test_neighbours_ask_about_the_same_places() -> None:
    """Sites a kilometre apart that look the same way: squares collapse to the same middles."""
    here = places_to_ask(GRAPPA, SightView(190.0), [OPEN_METEO], nearest_km=9.0)
    there = places_to_ask(Place(45.875, 11.805, 1700.0), SightView(190.0), [OPEN_METEO], nearest_km=9.0)
    assert len(set(here) & set(there)) >= 3


@UNHURRIED
@given(
    LATITUDES,
    st.floats(-180, 180),
    AZIMUTHS,
    st.sampled_from([30.0, 80.0]),
    st.one_of(st.none(), st.floats(-100, 5000)),
    st.lists(st.sampled_from(list(LayerScheme)), min_size=1, max_size=3),
    st.sampled_from([2.5, 9.0, 13.0, 28.0]),
)
def test_wherever_one_stands_at_most_six_places_on_earth_are_asked(
    lat_deg: float,
    lon_deg: float,
    azimuth_deg: float,
    half_width_deg: float,
    elevation_m: float | None,
    schemes: list[LayerScheme],
    nearest_km: float,
) -> None:
    site = Place(lat_deg, lon_deg, elevation_m)
    places = places_to_ask(site, SightView(azimuth_deg, 20.0, half_width_deg), schemes, nearest_km=nearest_km)
    assert len(places) <= MOST_PLACES
    assert len(set(places)) == len(places)
    for place in places:
        away = distance_km(lat_deg, lon_deg, place.lat_deg, place.lon_deg)
        assert nearest_km - 9.0 < away < 90.0


@pytest.mark.parametrize(
    ("lat_deg", "lon_deg", "step_deg", "cell"),
    [
        (45.87, 11.80, 0.1, (45.9, 11.8)),
        (45.87, 11.80, 0.25, (45.75, 11.75)),
        (0.0, 179.98, 0.1, (0.0, -180.0)),
        (0.0, -179.98, 0.1, (0.0, -180.0)),
        (89.99, 10.0, 0.25, (90.0, 10.0)),
    ],
    ids=["tenth", "quarter", "date line from the west", "date line from the east", "pole"],
)
def test_cells_are_squares_that_meet_at_the_date_line(
    lat_deg: float, lon_deg: float, step_deg: float, cell: tuple[float, float]
) -> None:
    assert cell_of(lat_deg, lon_deg, step_deg) == cell


# What the camera looks at
START = datetime(2026, 7, 15, 22, tzinfo=UTC)
WINDOW = Span(START, START + timedelta(hours=3))
SITE = Site("Grappa", 45.87, 11.80, 1700.0, "Europe/Rome")


def window(kind: TargetKind, shape: Shape, altitude_deg: float = 14.0) -> DarkWindow:
    track = tuple(
        TrackPoint(at, altitude_deg, azimuth_deg)
        for at, azimuth_deg in ((WINDOW.start, 170.0), (WINDOW.middle, 190.0), (WINDOW.end, 210.0))
    )
    return DarkWindow(WINDOW, Target(kind), track, (ShapeSpan(shape, WINDOW),))


def test_the_frame_stands_on_the_target_at_the_window_s_middle() -> None:
    assert view_of(window(TargetKind.CORE, Shape.LEANING), SITE) == SightView(190.0, 14.0, 30.0)


def test_a_frame_is_never_looked_at_below_eight_degrees() -> None:
    assert view_of(window(TargetKind.CORE, Shape.COLUMN, 4.0), SITE).altitude_deg == 8.0


def test_the_core_under_an_arch_is_still_one_frame() -> None:
    assert view_of(window(TargetKind.CORE, Shape.ARCH), SITE).half_width_deg == 30.0


def test_the_arch_itself_is_looked_at_over_its_apex() -> None:
    view = view_of(window(TargetKind.BAND, Shape.ARCH), SITE)
    assert view.half_width_deg == 80.0
    assert view.azimuth_deg == pytest.approx(band_apex(SITE, WINDOW)[0])
    assert view.altitude_deg <= 30.0


def test_without_a_track_the_frame_faces_the_equator() -> None:
    empty = DarkWindow(WINDOW, Target(TargetKind.NONE), (), ())
    assert view_of(empty, SITE).azimuth_deg == 180.0
    assert view_of(empty, Site("Karoo", -32.4, 20.8)).azimuth_deg == 0.0


@pytest.mark.parametrize(
    ("site", "at"),
    [
        (SITE, START),
        (Site("Karoo", -32.4, 20.8), datetime(2027, 5, 2, 21, tzinfo=UTC)),
        (Site("Lofoten", 68.2, 13.6), datetime(2026, 10, 11, 19, tzinfo=UTC)),
        (Site("Quito", -0.2, -78.5), datetime(2028, 3, 20, 8, tzinfo=UTC)),
    ],
    ids=["Alps", "South Africa", "Arctic", "equator"],
)
def test_the_apex_agrees_with_the_ephemeris(site: Site, at: datetime) -> None:
    """Precession since 2000 is a third of a degree."""
    span = Span(at, at + timedelta(minutes=2))
    middle_s = span.middle.timestamp()
    table = Ephemeris.open().table(middle_s - 3600, middle_s + 3600)
    sky = geometry(Ground.of([site]), table, np.array([middle_s]))
    azimuth_deg, altitude_deg = band_apex(site, span)
    assert abs((azimuth_deg - float(sky.apex_azimuth_deg[0, 0]) + 180) % 360 - 180) < 0.6
    assert altitude_deg == pytest.approx(float(sky.apex_altitude_deg[0, 0]), abs=0.5)


def test_every_scheme_has_heights_that_rise() -> None:
    for scheme in LayerScheme:
        spans = list(HEIGHTS[scheme].spans_m.values())
        assert all(bottom < top for bottom, top in spans)
        assert all(below[1] == above[0] for below, above in pairwise(spans))
