"""Where the camera's view crosses each cloud layer: the places to ask the feeds about.

A frame of the night sky looks at 5 to 45 degrees, not overhead. High cloud that spoils it stands tens of
kilometres away, low cloud a few. Straight rays over a sphere; refraction (0.1 degrees at 8 degrees, which
moves a crossing by less than two per cent) and terrain are ignored.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from alerts.common.span import Span
from alerts.sites.great_circle import EARTH_RADIUS_KM
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Shape, TargetKind
from alerts.weather.forecast import LayerScheme, Place
from alerts.weather.models import KM_PER_DEG
from alerts.weather.skill import Floats

FRAME_HALF_WIDTH_DEG = 30.0
ARCH_HALF_WIDTH_DEG = 80.0
ALTITUDES_DEG = (8.0, 15.0, 30.0)
"""Where the frame is looked along: above the haze of the horizon, at the core, and above it."""
MOST_PLACES = 6
"""Places asked about besides the site itself, for one night at one site."""
CELL_DEG = 0.1
"""Crossings in one square of this side are one place; the finest global models have cells of 0.1 degrees."""
CLOSE_ENOUGH_KM = 6.0
"""Half a cell of those: a place this near to a crossing tells it as well as one right there."""
TROPOPAUSE_M = 11_000.0
"""Top of the high layer: the tropopause of the International Standard Atmosphere."""
TYPICAL_ALTITUDE_DEG = 20.0
"""Where a frame is centred when nobody says: the core from middle latitudes."""


class Layer(StrEnum):
    LOW = "low"
    MID = "mid"
    HIGH = "high"
    TOTAL = "total"


@dataclass(frozen=True, slots=True)
class LayerHeights:
    """Bottom and top in metres: above sea level, or above the ground where `above_ground`."""

    spans_m: Mapping[Layer, tuple[float, float]]
    above_ground: bool


HEIGHTS: Mapping[LayerScheme, LayerHeights] = {
    LayerScheme.OPEN_METEO: LayerHeights(
        {Layer.LOW: (0.0, 3_000.0), Layer.MID: (3_000.0, 8_000.0), Layer.HIGH: (8_000.0, TROPOPAUSE_M)},
        above_ground=False,
    ),
    LayerScheme.MET_NORWAY: LayerHeights(
        {Layer.LOW: (0.0, 2_000.0), Layer.MID: (2_000.0, 5_000.0), Layer.HIGH: (5_000.0, TROPOPAUSE_M)},
        above_ground=True,
    ),
    LayerScheme.NONE: LayerHeights({Layer.TOTAL: (0.0, 8_000.0)}, above_ground=True),
}
"""Each feed's own layers (open-meteo.com/en/docs, api.met.no/doc/locationforecast/datamodel). Cloud that is
only known in total is looked for in the middle of the troposphere below 8 km."""


@dataclass(frozen=True, slots=True)
class SightView:
    """What a camera at a site looks at: the frame's middle, and half its width, in degrees."""

    azimuth_deg: float
    altitude_deg: float = TYPICAL_ALTITUDE_DEG
    half_width_deg: float = FRAME_HALF_WIDTH_DEG

    @property
    def directions_deg(self) -> tuple[float, float, float]:
        """Azimuths of the fan: left edge, middle, right edge."""
        width = self.half_width_deg
        return ((self.azimuth_deg - width) % 360, self.azimuth_deg % 360, (self.azimuth_deg + width) % 360)


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where the view in one direction meets the middle of a layer; distance over the ground."""

    layer: Layer
    azimuth_deg: float
    altitude_deg: float
    distance_km: float
    lat_deg: float
    lon_deg: float


def view_of(window: DarkWindow, site: Site) -> SightView:
    """The frame for a dark window: its target at the window's middle, or the whole arch over its apex."""
    middle = window.track[len(window.track) // 2] if window.track else None
    is_arch = any(
        each.has((Shape.ARCH,)) and each.span.contains(window.span.middle) for each in window.shapes
    )
    if window.target.kind is TargetKind.BAND and is_arch:
        azimuth_deg, altitude_deg = band_apex(site, window.span)
        return SightView(azimuth_deg, min(altitude_deg, max(ALTITUDES_DEG)), ARCH_HALF_WIDTH_DEG)
    if middle is None:
        return SightView(180.0 if site.lat_deg >= 0 else 0.0)
    return SightView(middle.azimuth_deg, max(middle.altitude_deg, min(ALTITUDES_DEG)))


POLE_RA_DEG, POLE_DEC_DEG = 192.86, 27.13
"""North galactic pole, J2000 (ESA 1997, SP-1200, vol. 1, section 1.5.3)."""


def band_apex(site: Site, window: Span) -> tuple[float, float]:
    """Azimuth and altitude of the Milky Way's highest point at the window's middle; within 1 degree.

    It stands opposite the galactic pole, as far from the zenith as the pole from the horizon. Sidereal
    time: IAU 1982 (Meeus, Astronomical Algorithms, 12.4); precession since 2000 is ignored.
    """
    days = window.middle.timestamp() / 86_400 + 2_440_587.5 - 2_451_545.0
    sidereal_deg = 280.46061837 + 360.98564736629 * days + site.lon_deg
    hour, dec, lat = (math.radians(v) for v in (sidereal_deg - POLE_RA_DEG, POLE_DEC_DEG, site.lat_deg))
    height = math.asin(math.sin(lat) * math.sin(dec) + math.cos(lat) * math.cos(dec) * math.cos(hour))
    east = -math.cos(dec) * math.sin(hour)
    north = math.cos(lat) * math.sin(dec) - math.sin(lat) * math.cos(dec) * math.cos(hour)
    pole_deg = math.degrees(math.atan2(east, north))
    opposite_deg = pole_deg + 180 if height >= 0 else pole_deg
    return opposite_deg % 360, 90 - abs(math.degrees(height))


def ground_distance_km(altitude_deg: float, height_m: float, eye_m: float = 0.0) -> float:
    """How far away, over the ground, a ray from `eye_m` at that altitude reaches `height_m`.

    Both heights above sea level, the eye below; altitude above 0. From the triangle of Earth's centre,
    eye and crossing: cos(altitude + angle) = (R + eye) cos(altitude) / (R + height).
    """
    altitude = math.radians(altitude_deg)
    eye_km, height_km = EARTH_RADIUS_KM + eye_m / 1000, EARTH_RADIUS_KM + height_m / 1000
    return EARTH_RADIUS_KM * (math.acos(eye_km * math.cos(altitude) / height_km) - altitude)


def point_at(lat_deg: float, lon_deg: float, azimuth_deg: float, distance_km: float) -> tuple[float, float]:
    """The point at that distance along a great circle; longitude in -180..180."""
    lat, azimuth, angle = math.radians(lat_deg), math.radians(azimuth_deg), distance_km / EARTH_RADIUS_KM
    sine = math.sin(lat) * math.cos(angle) + math.cos(lat) * math.sin(angle) * math.cos(azimuth)
    there = math.asin(min(1.0, max(-1.0, sine)))
    turn = math.atan2(
        math.sin(azimuth) * math.sin(angle) * math.cos(lat), math.cos(angle) - math.sin(lat) * math.sin(there)
    )
    return math.degrees(there), (lon_deg + math.degrees(turn) + 180) % 360 - 180


def layer_middle_m(scheme: LayerScheme, layer: Layer, eye_m: float, ground_m: float | None) -> float | None:
    """Height above sea level of the middle of what lies above the eye; None when all of it lies below.

    ground_m: the model's ground, for layers counted from there; None takes the eye's.
    """
    heights = HEIGHTS[scheme]
    base_m = (eye_m if ground_m is None else ground_m) if heights.above_ground else 0.0
    bottom_m, top_m = (base_m + height for height in heights.spans_m[layer])
    if top_m <= eye_m:
        return None
    return (max(bottom_m, eye_m) + top_m) / 2


def lies_below(scheme: LayerScheme, layer: Layer, eye_m: float | None, ground_m: float | None) -> bool:
    """Whether a layer's top lies below the site: no cloud for its camera, but possibly fog in the valley."""
    if eye_m is None or layer not in HEIGHTS[scheme].spans_m:
        return False
    return layer_middle_m(scheme, layer, eye_m, ground_m) is None


def crossings(site: Place, view: SightView, scheme: LayerScheme) -> tuple[Crossing, ...]:
    """Where the fan of the view meets each layer, by layer, then direction, then altitude.

    A site of unknown elevation is taken at sea level; a layer below the site has no crossing.
    """
    eye_m, found = site.elevation_m or 0.0, []
    for layer in HEIGHTS[scheme].spans_m:
        middle_m = layer_middle_m(scheme, layer, eye_m, None)
        if middle_m is None:
            continue
        for azimuth_deg in view.directions_deg:
            for altitude_deg in ALTITUDES_DEG:
                distance_km = ground_distance_km(altitude_deg, middle_m, eye_m)
                lat_deg, lon_deg = point_at(site.lat_deg, site.lon_deg, azimuth_deg, distance_km)
                found.append(Crossing(layer, azimuth_deg, altitude_deg, distance_km, lat_deg, lon_deg))
    return tuple(found)


def cell_of(lat_deg: float, lon_deg: float, step_deg: float) -> tuple[float, float]:
    """The middle of the square that a point falls into, degrees; squares at the date line meet."""
    lat = round(round(lat_deg / step_deg) * step_deg, 4)
    lon = round(round(lon_deg / step_deg) * step_deg, 4)
    return min(90.0, max(-90.0, lat)), -180.0 if lon >= 180.0 else max(-180.0, lon)


def places_to_ask(
    site: Place, view: SightView, schemes: Iterable[LayerScheme], *, nearest_km: float
) -> tuple[Place, ...]:
    """At most six places besides the site that tell most of the view, the most telling first.

    nearest_km: the finest grid step among the models asked; what the view crosses nearer than that is
    in the site's own cell. Places are the middles of squares of 0.1 degrees, so that crossings in one
    square share one. Chosen one after the other, each time the one that brings all crossings nearest to
    a place asked, those in the middle of the frame counting twice.
    """
    far = [
        each
        for scheme in dict.fromkeys(schemes)
        for each in crossings(site, view, scheme)
        if each.distance_km >= nearest_km
    ]
    home = cell_of(site.lat_deg, site.lon_deg, CELL_DEG)
    cells = list(dict.fromkeys(cell_of(each.lat_deg, each.lon_deg, CELL_DEG) for each in far))
    cells = [cell for cell in cells if cell != home]
    if not cells:
        return ()
    middle = view.directions_deg[1]
    weights = np.array([2.0 if each.azimuth_deg == middle else 1.0 for each in far])
    points = _offsets_km(site, [(each.lat_deg, each.lon_deg) for each in far])
    apart = np.linalg.norm(points[:, None] - _offsets_km(site, cells)[None], axis=2)
    missed_km = np.maximum(0.0, apart - CLOSE_ENOUGH_KM)

    # each the best to add to those before it
    best_km, asked = np.linalg.norm(points, axis=1), list[Place]()
    while len(asked) < MOST_PLACES:
        left = weights @ np.minimum(best_km[:, None], missed_km)
        index = int(np.argmin(left))
        if left[index] >= weights @ best_km:
            break
        asked.append(Place(*cells[index], None, is_aside=True))
        best_km = np.minimum(best_km, missed_km[:, index])
    return tuple(asked)


def _offsets_km(site: Place, points: Sequence[tuple[float, float]]) -> Floats:
    """East and north of the site in km, shape (n, 2); good over tens of kilometres."""
    degrees = np.array(points) - (site.lat_deg, site.lon_deg)
    east = (degrees[:, 1] + 180) % 360 - 180
    scale = KM_PER_DEG * math.cos(math.radians(site.lat_deg))
    return np.stack([east * scale, degrees[:, 0] * KM_PER_DEG], axis=1)


def nearest_place(crossing: Crossing, places: Sequence[Place], site: Place) -> Place:
    """Which of the places asked stands for a crossing: the nearest of them and the site itself, by a measure
    of distance that is right in its order over tens of kilometres."""
    scale, all_places = math.cos(math.radians(crossing.lat_deg)), (site, *places)
    apart = [
        (((crossing.lon_deg - place.lon_deg + 180) % 360 - 180) * scale) ** 2
        + (crossing.lat_deg - place.lat_deg) ** 2
        for place in all_places
    ]
    return all_places[apart.index(min(apart))]
