"""The Milky Way against the horizon: core, band apex and feet, and how much of the band is up.

The band is the great circle of galactic latitude 0; the core is the direction l = b = 0, not
Sgr A* (0.07 degrees away). Altitudes are airless; azimuths run from north through east.

A longitude of the band counts as up when the whole strip there, galactic latitude -5 to 5 degrees, stands
above 15 degrees and above the ridge. The band as a target is up when at least 60 degrees of longitude are, or
all of the wished arc where that is shorter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.sites.horizon import Ridges
from alerts.sites.model import HorizonLine, Site
from alerts.sky.ephemeris import SkyTable, direction
from alerts.sky.observers import Ground, along
from alerts.sky.refraction import AirlessRidges
from alerts.sky.span_arrays import alternating_spans

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Arc = tuple[float, float]

POLE_RA_DEG, POLE_DEC_DEG, NODE_L_DEG = 192.85948, 27.12825, 32.93192
"""North galactic pole (ICRS) and longitude of the ascending node; Perryman & ESA 1997, ESA SP-1200,
vol. 1, section 1.5.3."""

POLE: Floats = direction(POLE_RA_DEG, POLE_DEC_DEG)
_NODE, _TURN = direction(POLE_RA_DEG + 90, 0), math.radians(NODE_L_DEG)
CORE: Floats = _NODE * math.cos(_TURN) - np.cross(POLE, _NODE) * math.sin(_TURN)
GALACTIC_AXES: Floats = np.stack([CORE, np.cross(POLE, CORE), POLE])
"""Rows: ICRS unit vectors of (l, b) = (0, 0), (90, 0) and the north galactic pole."""

LOWEST_DEG = 15.0
NEEDED_DEG = 60.0
HALF_WIDTH_DEG = 5.0
JULIAN_YEAR_S = 365.25 * 86_400
_J2000_S = 946_728_000
_STRIP_STEP_DEG = 4.0


def galactic_direction(l_deg: npt.ArrayLike, b_deg: npt.ArrayLike, axes: Floats = GALACTIC_AXES) -> Floats:
    """Unit vectors, shape (..., 3), of galactic longitudes and latitudes in degrees; ICRS or as axes are."""
    longitude, latitude = np.radians(np.asarray(l_deg)), np.radians(np.asarray(b_deg))
    ahead, aside = np.cos(latitude) * np.cos(longitude), np.cos(latitude) * np.sin(longitude)
    return np.asarray(np.stack([ahead, aside, np.sin(latitude) + 0 * longitude], axis=-1) @ axes)


@dataclass(frozen=True)
class Geometry:
    """How the Milky Way stands, arrays of shape (n, m) for n sites and m times, in degrees.

    apex: the band's highest point. horizon_azimuths_deg: shape (n, m, 2), where the band meets the
    level horizon.
    """

    core_altitude_deg: Floats
    core_azimuth_deg: Floats
    apex_altitude_deg: Floats
    apex_azimuth_deg: Floats
    horizon_azimuths_deg: Floats


def geometry(ground: Ground, table: SkyTable, at_s: Floats) -> Geometry:
    """The geometry for each of n sites at POSIX times of shape (m,) (the same for all) or (n, m)."""
    times = np.broadcast_to(at_s, (len(ground), np.shape(at_s)[-1]))
    core, pole = table.fixed(CORE, times), table.fixed(POLE, times)
    core_altitude, core_azimuth = ground.altaz(core, near=False)
    pole_altitude, pole_azimuth = ground.altaz(pole, near=False)
    return Geometry(
        core_altitude,
        core_azimuth,
        apex_altitude_deg=90 - np.abs(pole_altitude),
        apex_azimuth_deg=np.where(pole_altitude > 0, pole_azimuth + 180, pole_azimuth) % 360,
        horizon_azimuths_deg=np.stack([pole_azimuth - 90, pole_azimuth + 90], axis=-1) % 360,
    )


def zeniths(ground: Ground, table: SkyTable, at_s: Floats) -> Floats:
    """The zenith of each of n sites in galactic axes, shape (3, n, m), at times as for `geometry`."""
    times = np.broadcast_to(at_s, (len(ground), np.shape(at_s)[-1]))
    return np.stack([along(table.fixed(axis, times), ground.up) for axis in GALACTIC_AXES])


def arc_length_deg(arc_l_deg: Arc | None) -> float:
    """Length of an arc of galactic longitude counted eastward; the whole turn without one."""
    if arc_l_deg is None:
        return 360.0
    return (arc_l_deg[1] - arc_l_deg[0]) % 360 or 360.0


def needed_deg(arc_l_deg: Arc | None) -> float:
    """Degrees of longitude that must be up for the band, or this arc of it, to count as up."""
    return min(NEEDED_DEG, arc_length_deg(arc_l_deg))


def epoch_of(at_s: npt.ArrayLike) -> Floats:
    """The number of the Julian year in which POSIX times lie: within one the axes stand still, so
    that a night comes out the same whatever span it is computed in."""
    return np.asarray(np.floor(np.asarray(at_s) / JULIAN_YEAR_S))


def axes_in(epoch: float) -> Floats:
    """Galactic axes, shape (3, 3), rows as in GALACTIC_AXES, on the mean equator and equinox of the
    middle of a numbered year.

    Nutation, aberration and half a year's precession are left out: up to 65 arcseconds, about 5
    seconds of time. Precession angles: Capitaine, Wallace & Chapront 2003, A&A 412, 567, eq. 40.
    """
    t = ((epoch + 0.5) * JULIAN_YEAR_S - _J2000_S) / JULIAN_YEAR_S / 100
    zeta = 2.650545 + 2306.083227 * t + 0.2988499 * t**2
    z = -2.650545 + 2306.077181 * t + 1.0927348 * t**2
    theta = 2004.191903 * t - 0.4294934 * t**2
    zeta, z, theta = (math.radians(arcseconds / 3600) for arcseconds in (zeta, z, theta))
    tip = np.array([[math.cos(theta), 0, -math.sin(theta)], [0, 1, 0], [math.sin(theta), 0, math.cos(theta)]])
    return np.asarray(GALACTIC_AXES @ (_about_pole(-z) @ tip @ _about_pole(-zeta)).T)


def _about_pole(angle: float) -> Floats:
    cos, sin = math.cos(angle), math.sin(angle)
    return np.array([[cos, sin, 0], [-sin, cos, 0], [0, 0, 1]])


def share_margin(
    ground: Ground, lines: Sequence[HorizonLine], axes: Floats, arc: Arc | None
) -> Callable[[Ints, Floats], Floats]:
    """A function of (row of a site, local sidereal angle): degrees of longitude up beyond those needed.

    Level horizons go by a formula, ridges by strips 4 degrees apart.
    """
    lat, ridges = np.radians(ground.lat_deg), AirlessRidges(lines, ground.elevation_m)
    level = np.array([line.is_level for line in lines])
    longitudes, places = _strips(axes, arc)

    def margin(rows: Ints, sidereal: Floats) -> Floats:
        share = _up_over_level_deg(lat[rows], sidereal, axes, arc)
        rough = np.flatnonzero(~level[rows])
        if len(rough):
            own = rows[rough]
            least = _margins(lat[own], sidereal[rough], places, ridges, own)
            # the length on which the samples, straight between, are positive
            low, high = least[:, :-1], least[:, 1:]
            rise = np.abs(high) + np.abs(low)
            partly = np.clip(np.maximum(low, high), 0, None) / np.where(rise > 0, rise, 1)
            both, none = (low >= 0) & (high >= 0), (low < 0) & (high < 0)
            positive = np.where(both, 1.0, np.where(none, 0.0, partly)).sum(axis=1)
            share[rough] = positive * (longitudes[1] - longitudes[0])
        return share - needed_deg(arc)

    return margin


def longitudes_up_deg(site: Site, sidereal: float, axes: Floats, arc: Arc | None) -> tuple[Arc, ...]:
    """The stretches of galactic longitude that are up at one local sidereal angle, eastward.

    Each is (from, to) with 0 <= from < 360 and from < to, so one that passes l = 0 ends above 360.
    """
    longitudes, places = _strips(axes, arc)
    here, turn = np.radians([site.lat_deg]), np.array([sidereal])
    ridges = AirlessRidges([site.horizon], [site.elevation_m])
    (margin,) = _margins(here, turn, places, ridges, np.zeros(1, dtype=np.intp))
    change = np.flatnonzero((margin[1:] >= 0) != (margin[:-1] >= 0))
    share = margin[change] / (margin[change] - margin[change + 1])
    edges = longitudes[change] + share * (longitudes[1] - longitudes[0])
    counts, opens = np.array([len(edges)]), np.array([margin[0] >= 0])
    _, starts, ends = alternating_spans(counts, edges, opens, longitudes[0], longitudes[-1])
    stretches = [(a, b) for a, b in zip(starts.tolist(), ends.tolist(), strict=True) if b > a]
    if arc is None and len(stretches) > 1 and stretches[0][0] == 0 and stretches[-1][1] == 360:
        (_, end), *between, (start, _) = stretches
        stretches = [*between, (start, end + 360)]
    return tuple((round(a % 360, 1), round(a % 360 + b - a, 1)) for a, b in stretches)


def _up_over_level_deg(lat: Floats, sidereal: Floats, axes: Floats, arc: Arc | None) -> Floats:
    """Over a level horizon what is up is symmetric about the zenith's own longitude."""
    zenith, _, _ = _sides(lat, sidereal)
    x, y, z = (zenith @ axes.T).T
    lowest, edge = math.sin(math.radians(LOWEST_DEG)), math.radians(HALF_WIDTH_DEG)
    # sin(altitude) = sin b sin b' + cos b cos b' cos(l - l'), worst on the side away from the zenith
    cos_half = (lowest + math.sin(edge) * np.abs(z)) / np.maximum(math.cos(edge) * np.hypot(x, y), 1e-15)
    half = np.degrees(np.arccos(np.clip(cos_half, -1, 1)))
    if arc is None:
        return np.asarray(2 * half)
    from_first = (np.degrees(np.arctan2(y, x)) - arc[0])[:, None] % 360 + np.array([-360.0, 0.0, 360.0])
    low = np.maximum(from_first - half[:, None], 0)
    high = np.minimum(from_first + half[:, None], arc_length_deg(arc))
    return np.asarray(np.maximum(high - low, 0).sum(axis=1))


def _strips(axes: Floats, arc: Arc | None) -> tuple[Floats, Floats]:
    """Galactic longitudes of an arc in degrees, shape (k,), and unit vectors of the band's lower edge, middle
    and upper edge there, shape (3 k, 3)."""
    length = arc_length_deg(arc)
    longitudes = (arc[0] if arc else 0.0) + np.linspace(0, length, math.ceil(length / _STRIP_STEP_DEG) + 1)
    edges = np.array([[-HALF_WIDTH_DEG], [0.0], [HALF_WIDTH_DEG]])
    return longitudes, galactic_direction(longitudes, edges, axes).reshape(-1, 3)


def _margins(lat: Floats, sidereal: Floats, places: Floats, ridges: Ridges, rows: Ints) -> Floats:
    """How far above the limits the lowest part of each strip stands, shape (m, k), for m latitudes and
    sidereal angles in radians, and rows of their ridges. places: as `_strips` gives them."""
    zenith, north, east = _sides(lat, sidereal)
    altitude = np.degrees(np.arcsin(np.clip(zenith @ places.T, -1, 1)))
    margin = altitude - LOWEST_DEG
    high = np.nonzero(margin > 0)
    azimuth = np.degrees(np.arctan2((east @ places.T)[high], (north @ places.T)[high])) % 360
    margin[high] = np.minimum(margin[high], altitude[high] - ridges.at(rows[high[0]], azimuth))
    return np.asarray(margin.reshape(len(sidereal), 3, -1).min(axis=1))


def _sides(lat: Floats, sidereal: Floats) -> tuple[Floats, Floats, Floats]:
    """Zenith, north and east of observers on the equator and equinox of date, shape (m, 3) each."""
    cos_lat, sin_lat, cos, sin = np.cos(lat), np.sin(lat), np.cos(sidereal), np.sin(sidereal)
    zenith = np.stack([cos_lat * cos, cos_lat * sin, sin_lat], axis=-1)
    north = np.stack([-sin_lat * cos, -sin_lat * sin, cos_lat], axis=-1)
    return zenith, north, np.stack([-sin, cos, np.zeros_like(sin)], axis=-1)
