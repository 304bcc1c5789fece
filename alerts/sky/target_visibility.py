"""When a target is up: by its altitude, the ridge, and for the band by how much of it shows.

Targets stand still among the stars, so being up depends on the local sidereal angle alone. The
angles are found once a site; each sidereal day then only needs its transit, corrected for the few
arcseconds by which aberration and nutation move the target over the year.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.sites.horizon import Ridges
from alerts.sites.model import HorizonLine
from alerts.sky import milky_way_band
from alerts.sky.ephemeris import SIDEREAL_RATE_RAD_S, SkyTable, direction
from alerts.sky.hour_angles import altaz_at, positive_arcs
from alerts.sky.milky_way import CORE
from alerts.sky.night import Target, TargetKind
from alerts.sky.observers import Ground
from alerts.sky.span_arrays import RowSpans, merged

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

USUAL_LOWEST_DEG = 10.0
BELOW_TRANSIT_DEG = 4.0
FLOOR_DEG = 3.0
_ANGLE_STEPS = 720
_BAND_STEPS = 240
_REACH_MORE = 0.01
"""Radians searched beyond the mean arc, which changes by less over a year."""


def target_direction(target: Target) -> Floats:
    """ICRS unit vector of what is followed: the target itself, the core for `band` and `none`.

    Raises BadInput for a RADEC target without coordinates.
    """
    if target.kind is not TargetKind.RADEC:
        return CORE
    if target.ra_deg is None or target.dec_deg is None:
        raise BadInput(phrase("sky.target-without-coordinates"))
    if not (0 <= target.ra_deg < 360 and -90 <= target.dec_deg <= 90):
        raise BadInput(phrase("sky.target-range", ra_deg=target.ra_deg, dec_deg=target.dec_deg))
    return direction(target.ra_deg, target.dec_deg)


def default_lowest_deg(lat_deg: npt.ArrayLike, dec_deg: float) -> Floats:
    """The lower of 10 degrees and the transit altitude less 4 degrees, but not below 3 degrees."""
    transit = 90 - np.abs(np.asarray(lat_deg, dtype=np.float64) - dec_deg)
    return np.asarray(np.clip(transit - BELOW_TRANSIT_DEG, FLOOR_DEG, USUAL_LOWEST_DEG))


def transit_altitude_deg(lat_deg: float, target: Target) -> float:
    """The highest a target comes at a latitude, airless, by its J2000 declination (0.2 degrees a decade)."""
    return 90 - abs(lat_deg - math.degrees(math.asin(target_direction(target)[2])))


def default_lowest_core_deg(lat_deg: float) -> float:
    """`default_lowest_deg` of the core at one latitude."""
    return float(default_lowest_deg(lat_deg, math.degrees(math.asin(CORE[2]))))


@dataclass(frozen=True)
class _Daily:
    """A direction's transits: times (n, days) and the declination at each, in radians."""

    transit_s: Floats
    dec: Floats
    mean_dec: float


@dataclass(frozen=True)
class _Arcs:
    """Hour angles (rad, -pi..pi) between which targets are up.

    searched: shape (n,), the sites that have arcs of their own; at the others a target is up as far
    as its altitude says. row, start, end, and how far start and end move with declination: flat.
    """

    searched: Bools
    row: Ints
    start: Floats
    end: Floats
    start_slope: Floats
    end_slope: Floats


def target_spans(
    ground: Ground, horizons: Sequence[HorizonLine], table: SkyTable, target: Target, lowest_deg: Floats
) -> RowSpans:
    """When the target is up at each site, over the table's span (and up to a day beyond it).

    lowest_deg: shape (n,), airless; not used for `band` (15 degrees) and `none` (always up).
    The ridge hides what stands below it. Terrain narrower than two minutes of the sky's turning, or
    grazed within 0.01 degrees, can be missed; so can a band that is up for less than six minutes.
    """
    if target.kind is TargetKind.NONE:
        rows = np.arange(len(ground))
        return RowSpans(rows, np.full(len(rows), table.first_s), np.full(len(rows), table.last_s))
    if target.kind is TargetKind.BAND:
        return _band_spans(ground, horizons, table, target)
    daily = _transits(ground, table, target_direction(target))
    arcs = _arcs_over_ridges(ground.lat_deg, horizons, daily.mean_dec, lowest_deg)
    level_deg = np.where(arcs.searched, lowest_deg, np.maximum(lowest_deg, 0))
    return _daily_spans(daily, _half_arcs(ground.lat_deg, daily.dec, level_deg[:, None]), arcs)


def _transits(ground: Ground, table: SkyTable, icrs: Floats) -> _Daily:
    """Upper transits of a fixed direction, from a day before the table's span to a day after it."""
    places = table.of_date(icrs, table.nodes_s)
    ra = np.unwrap(np.arctan2(places[:, 1], places[:, 0]))
    dec = np.arcsin(np.clip(places[:, 2], -1, 1))
    transit_s = _turns(ground, table, table.sidereal_rad(table.nodes_s) - ra)
    return _Daily(transit_s, np.interp(transit_s, table.nodes_s, dec), float(dec.mean()))


def _turns(ground: Ground, table: SkyTable, greenwich_rad: Floats) -> Floats:
    """When the angle, given at the nodes and shifted by longitude, is a whole turn: (n, days)."""
    turn = 2 * math.pi
    first, last = np.interp([table.first_s, table.last_s], table.nodes_s, greenwich_rad)
    lon = np.radians(ground.lon_deg)
    days = math.ceil((last - first) / turn) + 2
    numbers = np.ceil((first + lon) / turn)[:, None] - 1 + np.arange(days)
    return np.asarray(np.interp(numbers * turn - lon[:, None], greenwich_rad, table.nodes_s))


def _half_arcs(lat_deg: Floats, dec: Floats | float, lowest_deg: Floats) -> Floats:
    """Hour angle at which a target sets below its altitude, (n, days); 0 when never up, pi when always."""
    lat, lowest = np.radians(lat_deg).reshape(-1, 1), np.radians(lowest_deg)
    down = np.sin(lowest) - np.sin(lat) * np.sin(dec)
    swing = np.maximum(np.cos(lat) * np.cos(dec), 1e-15)
    return np.asarray(np.arccos(np.clip(down / swing, -1, 1)))


def _arcs_over_ridges(
    lat_deg: Floats, horizons: Sequence[HorizonLine], dec: float, lowest_deg: Floats
) -> _Arcs:
    """Where a target stands clear of the ridges, searched as far as it is above its altitude."""
    searched = np.array([not line.is_level for line in horizons])
    own = np.flatnonzero(searched)
    lat, ridges = np.radians(lat_deg[own]), Ridges([line for line in horizons if not line.is_level])

    def margin(rows: Ints, hour_angle: Floats, at_dec: float = dec) -> Floats:
        altitude, azimuth = altaz_at(lat[rows], hour_angle, at_dec)
        return np.asarray(altitude - ridges.at(rows, azimuth))

    reach = _half_arcs(lat_deg[own], dec, lowest_deg[own, None])[:, 0] + _REACH_MORE
    row, start, end = positive_arcs(margin, np.minimum(reach, math.pi), _ANGLE_STEPS)
    slopes = (_slope(margin, row, edge, dec) for edge in (start, end))
    return _Arcs(searched, own[row], start, end, *slopes)


def _slope(margin: Callable[..., Floats], row: Ints, angle: Floats, dec: float) -> Floats:
    """How an edge's hour angle moves with declination; held to 20 where the path grazes the line."""
    step = 1e-5
    by_dec = margin(row, angle, dec + step) - margin(row, angle, dec - step)
    by_angle = margin(row, angle + step) - margin(row, angle - step)
    slope = -np.divide(by_dec, by_angle, out=np.zeros_like(angle), where=np.abs(by_angle) > 1e-12)
    return np.where(np.abs(angle) == math.pi, 0.0, np.clip(slope, -20, 20))


def _daily_spans(daily: _Daily, half: Floats, arcs: _Arcs) -> RowSpans:
    """Lay each site's arcs on every transit, cut to the half arc of that day, (n, days)."""
    counts = np.bincount(arcs.row, minlength=len(half))
    place = np.arange(len(arcs.row)) - np.repeat(np.cumsum(counts) - counts, counts)
    start = np.full((*half.shape, max(1, int(counts.max(initial=1)))), np.nan)
    end = np.full_like(start, np.nan)
    whole = ~arcs.searched
    start[whole, :, 0], end[whole, :, 0] = -half[whole], half[whole]
    drift, own = (daily.dec - daily.mean_dec)[arcs.row], half[arcs.row]
    start[arcs.row, :, place] = np.maximum(arcs.start[:, None] + arcs.start_slope[:, None] * drift, -own)
    end[arcs.row, :, place] = np.minimum(arcs.end[:, None] + arcs.end_slope[:, None] * drift, own)
    start_s = daily.transit_s[:, :, None] + start / SIDEREAL_RATE_RAD_S
    end_s = daily.transit_s[:, :, None] + end / SIDEREAL_RATE_RAD_S
    up = end > start
    return RowSpans(np.nonzero(up)[0], start_s[up], end_s[up]).joined()


def _band_spans(ground: Ground, horizons: Sequence[HorizonLine], table: SkyTable, target: Target) -> RowSpans:
    transit_s = _turns(ground, table, table.sidereal_rad(table.nodes_s))
    epochs = milky_way_band.epoch_of(transit_s)
    daily = _Daily(transit_s, np.zeros_like(transit_s), 0.0)
    parts = []
    for epoch in np.unique(epochs):
        arcs = _band_arcs(ground.lat_deg, horizons, float(epoch), target.arc_l_deg)
        parts.append(_daily_spans(daily, np.where(epochs == epoch, math.pi, np.nan), arcs))
    return merged(parts)


def _band_arcs(
    lat_deg: Floats, horizons: Sequence[HorizonLine], epoch: float, arc: milky_way_band.Arc | None
) -> _Arcs:
    margin = milky_way_band.share_margin(np.radians(lat_deg), horizons, milky_way_band.axes_in(epoch), arc)
    row, start, end = positive_arcs(margin, np.full(len(lat_deg), math.pi), _BAND_STEPS)
    still = np.zeros_like(start)
    return _Arcs(np.ones(len(lat_deg), dtype=np.bool_), row, start, end, still, still)
