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

from alerts.errors import BadInput
from alerts.night import Target, TargetKind
from alerts.site import HorizonLine
from alerts.sky import band
from alerts.sky.ephemeris import SIDEREAL_RATE_RAD_S, SkyTable, direction
from alerts.sky.ground import Ground
from alerts.sky.hourangles import altaz_at, positive_arcs
from alerts.sky.milkyway import CORE
from alerts.sky.spans import RowSpans
from alerts.sky.terrain import ridge_deg

Floats = npt.NDArray[np.float64]

USUAL_LOWEST_DEG = 10.0
BELOW_TRANSIT_DEG = 4.0
FLOOR_DEG = 3.0
_ANGLE_STEPS = 1440
_BAND_STEPS = 240


def target_direction(target: Target) -> Floats:
    """ICRS unit vector of what is followed: the target itself, the core for `band` and `none`.

    Raises BadInput for a RADEC target without coordinates.
    """
    if target.kind is not TargetKind.RADEC:
        return CORE
    if target.ra_deg is None or target.dec_deg is None:
        raise BadInput(
            "a target by coordinates needs a right ascension and a declination in degrees (J2000)."
        )
    if not (0 <= target.ra_deg < 360 and -90 <= target.dec_deg <= 90):
        raise BadInput(
            f"right ascension {target.ra_deg:g}, declination {target.dec_deg:g}: "
            "they must lie in 0..360 (360 is 0) and -90..90 degrees."
        )
    return direction(target.ra_deg, target.dec_deg)


def default_lowest_deg(lat_deg: npt.ArrayLike, dec_deg: float) -> Floats:
    """The lower of 10 degrees and the transit altitude less 4 degrees, but not below 3 degrees."""
    transit = 90 - np.abs(np.asarray(lat_deg, dtype=np.float64) - dec_deg)
    return np.asarray(np.clip(transit - BELOW_TRANSIT_DEG, FLOOR_DEG, USUAL_LOWEST_DEG))


def transit_altitude_deg(lat_deg: float, target: Target) -> float:
    """The highest a target comes at a latitude, airless, by its J2000 declination (0.2 degrees a decade)."""
    return 90 - abs(lat_deg - math.degrees(math.asin(target_direction(target)[2])))


def default_lowest_core(lat_deg: float) -> float:
    """`default_lowest_deg` of the core at one latitude."""
    return float(default_lowest_deg(lat_deg, math.degrees(math.asin(CORE[2]))))


@dataclass(frozen=True)
class _Daily:
    """A direction's transits: times (n, days) and the declination at each, in radians."""

    transit_s: Floats
    dec: Floats
    mean_dec: float


def target_spans(
    ground: Ground, horizons: Sequence[HorizonLine], table: SkyTable, target: Target, lowest_deg: Floats
) -> RowSpans:
    """When the target is up at each site, over the table's span (and up to a day beyond it).

    lowest_deg: shape (n,), airless; not used for `band` (15 degrees) and `none` (always up).
    The ridge hides what stands below it. Terrain narrower than a minute of the sky's turning, or
    grazed within 0.01 degrees, can be missed.
    """
    if target.kind is TargetKind.NONE:
        rows = np.arange(len(ground))
        return RowSpans(rows, np.full(len(rows), table.first_s), np.full(len(rows), table.last_s))
    if target.kind is TargetKind.BAND:
        return _band_spans(ground, horizons, table, target)
    daily = _transits(ground, table, target_direction(target))
    level = np.array([line.is_level for line in horizons])
    half = _half_arcs(ground.lat_deg, daily, np.maximum(lowest_deg, 0))
    arcs = [
        None
        if flat
        else _arcs_over_ridge(ground.lat_deg[row], daily.mean_dec, lowest_deg[row], horizons[row])
        for row, flat in enumerate(level)
    ]
    return _daily_spans(daily, half, arcs)


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


def _half_arcs(lat_deg: Floats, daily: _Daily, lowest_deg: Floats) -> Floats:
    """Hour angle at which each site's target sets below its altitude, (n, days); 0 when never up."""
    lat, lowest = np.radians(lat_deg)[:, None], np.radians(lowest_deg)[:, None]
    down = np.sin(lowest) - np.sin(lat) * np.sin(daily.dec)
    swing = np.maximum(np.cos(lat) * np.cos(daily.dec), 1e-15)
    return np.asarray(np.arccos(np.clip(down / swing, -1, 1)))


@dataclass(frozen=True)
class _Arcs:
    """Hour angles (rad, -pi..pi) between which a target is up, and how they move with declination."""

    start: Floats
    end: Floats
    start_slope: Floats
    end_slope: Floats


def _arcs_over_ridge(lat_deg: float, dec: float, lowest_deg: float, line: HorizonLine) -> _Arcs:
    def margin(angle: Floats, at_dec: float = dec) -> Floats:
        altitude, azimuth = altaz_at(lat_deg, angle, at_dec)
        return np.asarray(altitude - np.maximum(lowest_deg, ridge_deg(line, azimuth)))

    start, end = positive_arcs(margin, _ANGLE_STEPS)
    return _Arcs(start, end, _slope(margin, start, dec), _slope(margin, end, dec))


def _slope(margin: Callable[..., Floats], angle: Floats, dec: float) -> Floats:
    """How an edge's hour angle moves with declination; held to 20 where the path grazes the line."""
    step = 1e-5
    by_dec = margin(angle, dec + step) - margin(angle, dec - step)
    by_angle = margin(angle + step) - margin(angle - step)
    edge = np.abs(np.abs(angle) - math.pi) < 1e-12
    slope = -np.divide(by_dec, by_angle, out=np.zeros_like(angle), where=np.abs(by_angle) > 1e-12)
    return np.where(edge, 0.0, np.clip(slope, -20, 20))


def _daily_spans(daily: _Daily, half: Floats, arcs: Sequence[_Arcs | None]) -> RowSpans:
    """Lay each site's arcs (or its half arc, when it has none of its own) on every transit."""
    n_arcs = max([1, *(len(own.start) for own in arcs if own is not None)])
    start = np.full((*half.shape, n_arcs), np.nan)
    end = np.full_like(start, np.nan)
    start[:, :, 0], end[:, :, 0] = np.where(half > 0, -half, np.nan), half
    for row, own in enumerate(arcs):
        if own is not None:
            drift = (daily.dec[row] - daily.mean_dec)[:, None]
            start[row], end[row] = np.nan, np.nan
            start[row, :, : len(own.start)] = own.start + own.start_slope * drift
            end[row, :, : len(own.end)] = own.end + own.end_slope * drift
    start_s = daily.transit_s[:, :, None] + start / SIDEREAL_RATE_RAD_S
    end_s = daily.transit_s[:, :, None] + end / SIDEREAL_RATE_RAD_S
    up = end_s > start_s
    rows = np.nonzero(up)[0]
    return RowSpans(rows, start_s[up], end_s[up]).joined()


def _band_spans(ground: Ground, horizons: Sequence[HorizonLine], table: SkyTable, target: Target) -> RowSpans:
    axes = band.axes_of_date(table, (table.first_s + table.last_s) / 2)
    transit_s = _turns(ground, table, table.sidereal_rad(table.nodes_s))
    daily = _Daily(transit_s, np.zeros_like(transit_s), 0.0)
    arcs = [
        _band_arcs(lat_deg, line, axes, target.arc_l_deg)
        for lat_deg, line in zip(ground.lat_deg, horizons, strict=True)
    ]
    return _daily_spans(daily, np.zeros_like(transit_s), arcs)


def _band_arcs(lat_deg: float, line: HorizonLine, axes: Floats, arc_l_deg: band.Arc | None) -> _Arcs:
    needed_deg = band.needed_deg(arc_l_deg)

    def margin(sidereal: Floats) -> Floats:
        return band.up_deg(lat_deg, sidereal, line, axes, arc_l_deg) - needed_deg

    start, end = positive_arcs(margin, _BAND_STEPS)
    return _Arcs(start, end, np.zeros_like(start), np.zeros_like(end))
