"""When a target is up: by its altitude, the ridge, and for the band by how much of it shows.

Targets stand still among the stars, so being up depends on the local sidereal angle alone. The
angles are found once a site; each sidereal day then only needs its transit, corrected for the few
arcseconds by which aberration and nutation move the target over the year.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.sites.model import HorizonLine, Site
from alerts.sky import milky_way
from alerts.sky.ephemeris import SIDEREAL_RATE_RAD_S, SkyTable, direction
from alerts.sky.milky_way import CORE
from alerts.sky.night import SkyWishes, Target, TargetKind
from alerts.sky.observers import Ground
from alerts.sky.refraction import AirlessRidges
from alerts.sky.span_arrays import RowSpans, alternating_spans, merged

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Margin = Callable[[Ints, Floats], Floats]
"""By how much a condition holds for (row of a site, angle in radians), element by element."""

USUAL_LOWEST_DEG = 10.0
BELOW_TRANSIT_DEG = 4.0
FLOOR_DEG = 3.0
SHORTEST_BY_DEFAULT_MIN = 5.0
"""By the default rule a window lasts at least so long, in minutes: what grazes the limit, or the edge of the
dark, for two or three is no night. Who names an altitude gets every span. A rule of ours."""
_ANGLE_STEPS = 720
_BAND_STEPS = 240
_ROWS_AT_ONCE = 64
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


def lowest_altitudes_deg(sites: Sequence[Site], wishes: SkyWishes) -> Floats:
    """The altitude each site asks of the target: the wish; without one the lower of 10 degrees and the
    transit altitude less 4 degrees, but not below 3 degrees."""
    if wishes.lowest_altitude_deg is not None:
        return np.full(len(sites), float(wishes.lowest_altitude_deg))
    transits = np.array([transit_altitude_deg(site.lat_deg, wishes.target) for site in sites])
    return np.clip(transits - BELOW_TRANSIT_DEG, FLOOR_DEG, USUAL_LOWEST_DEG)


def shortest_window_s(wishes: SkyWishes) -> float:
    """What a window must last by these wishes, in seconds, beyond rounding to nothing; see
    SHORTEST_BY_DEFAULT_MIN."""
    is_limited = wishes.target.kind in (TargetKind.CORE, TargetKind.RADEC)
    return SHORTEST_BY_DEFAULT_MIN * 60 if is_limited and wishes.lowest_altitude_deg is None else 0.0


def transit_altitude_deg(lat_deg: float, target: Target) -> float:
    """The highest a target comes at a latitude, airless, by its J2000 declination (0.2 degrees a decade)."""
    return 90 - abs(lat_deg - math.degrees(math.asin(target_direction(target)[2])))


def target_spans(
    ground: Ground, horizons: Sequence[HorizonLine], table: SkyTable, target: Target, lowest_deg: Floats
) -> RowSpans:
    """When the target is up at each site, over the table's span (and up to a day beyond it).

    lowest_deg: shape (n,), airless; not used for `band` (15 degrees) and `none` (always up).
    A known ridge hides what stands below it, as the air lifts it (see `alerts.sky.refraction`); where none is
    known, what stands below 0 degrees airless. Terrain narrower than two minutes of the sky's turning, or
    grazed within 0.01 degrees, can be missed; so can a band that is up for less than six minutes.
    """
    if target.kind is TargetKind.NONE:
        rows = np.arange(len(ground))
        return RowSpans(rows, np.full(len(rows), table.first_s), np.full(len(rows), table.last_s))
    sidereal = table.sidereal_rad(table.nodes_s)
    if target.kind is TargetKind.BAND:
        transit_s, parts = _turns(ground, table, sidereal), []
        epochs = milky_way.epoch_of(transit_s)
        for epoch in sorted(set(epochs.ravel().tolist())):
            axes = milky_way.axes_in(float(epoch))
            margin = milky_way.share_margin(ground, horizons, axes, target.arc_l_deg)
            row, start, end = positive_arcs(margin, np.full(len(ground), math.pi), _BAND_STEPS)
            own_s = np.where(epochs == epoch, transit_s, np.nan)[row]
            parts.append(_turned_to(own_s, row, start[:, None], end[:, None]))
        return merged(parts)
    # upper transits, from a day before the table's span to a day after it, and the declination at each
    places = table.of_date(target_direction(target), table.nodes_s)
    ra = np.unwrap(np.arctan2(places[:, 1], places[:, 0]))
    dec = np.arcsin(np.clip(places[:, 2], -1, 1))
    transit_s, mean_dec = _turns(ground, table, sidereal - ra), float(dec.mean())
    dec = np.interp(transit_s, table.nodes_s, dec)
    # the arcs of each site for the mean declination; over a level horizon the altitude alone decides
    is_level = np.array([line.is_level for line in horizons])
    level = np.flatnonzero(is_level)
    turn, still = np.full(len(level), math.pi), np.zeros(len(level))
    arcs = [(level, -turn, turn, still, still)]
    if len(level) < len(is_level):
        arcs.append(_arcs_over_ridges(ground, horizons, mean_dec, lowest_deg))
    row, start, end, start_slope, end_slope = (np.concatenate(column) for column in zip(*arcs, strict=True))
    # on each day moved with the declination, and cut to where the target is above its altitude
    level_deg = np.where(is_level, np.maximum(lowest_deg, 0), lowest_deg)
    half, drift = _half_arcs(ground.lat_deg, dec, level_deg[:, None])[row], (dec - mean_dec)[row]
    start = np.maximum(start[:, None] + start_slope[:, None] * drift, -half)
    end = np.minimum(end[:, None] + end_slope[:, None] * drift, half)
    return merged([_turned_to(transit_s[row], row, start, end)])


def _turned_to(transit_s: Floats, row: Ints, start: Floats, end: Floats) -> RowSpans:
    """The times of hour angles from start to end (rad) about transits, shape (n, days); nothing where start
    isn't before end. row: shape (n,), of a site."""
    start_s, end_s = (transit_s + angle / SIDEREAL_RATE_RAD_S for angle in (start, end))
    up = end_s > start_s
    return RowSpans(row[np.nonzero(up)[0]], start_s[up], end_s[up])


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
    ground: Ground, horizons: Sequence[HorizonLine], dec: float, lowest_deg: Floats
) -> tuple[Ints, Floats, Floats, Floats, Floats]:
    """Where targets stand clear of ridges, searched as far as they are above their altitude: rows of sites,
    hour angles (rad, -pi..pi) of start and end, and how far each moves with the declination."""
    own = np.flatnonzero([not line.is_level for line in horizons])
    lat, elevation_m = np.radians(ground.lat_deg[own]), ground.elevation_m[own]
    ridges = AirlessRidges([horizons[k] for k in own.tolist()], elevation_m)

    def margin(rows: Ints, hour_angle: Floats, at_dec: float = dec) -> Floats:
        cos_lat, sin_lat = np.cos(lat[rows]), np.sin(lat[rows])
        cos_dec, sin_dec = math.cos(at_dec), math.sin(at_dec)
        south, west = np.cos(hour_angle) * cos_dec, np.sin(hour_angle) * cos_dec
        up = np.clip(sin_lat * sin_dec + cos_lat * south, -1, 1)
        azimuth = np.degrees(np.arctan2(-west, cos_lat * sin_dec - sin_lat * south)) % 360
        return np.asarray(np.degrees(np.arcsin(up)) - ridges.at(rows, azimuth))

    reach = _half_arcs(ground.lat_deg[own], dec, lowest_deg[own, None])[:, 0] + _REACH_MORE
    row, start, end = positive_arcs(margin, np.minimum(reach, math.pi), _ANGLE_STEPS)
    # how an edge's hour angle moves with declination; held to 20 where the path grazes the line
    step, slopes = 1e-5, []
    for angle in (start, end):
        by_dec = margin(row, angle, dec + step) - margin(row, angle, dec - step)
        by_angle = margin(row, angle + step) - margin(row, angle - step)
        slope = -np.divide(by_dec, by_angle, out=np.zeros_like(angle), where=np.abs(by_angle) > 1e-12)
        slopes.append(np.where(np.abs(angle) == math.pi, 0.0, np.clip(slope, -20, 20)))
    return own[row], start, end, slopes[0], slopes[1]


def positive_arcs(margin: Margin, reach: Floats, n_steps: int) -> tuple[Ints, Floats, Floats]:
    """Rows, starts and ends of the arcs on which each row's margin is not negative.

    Each row is searched from -reach to reach (radians, shape (n,)); an arc that holds at either end
    is drawn out to -pi or pi. Arcs, and gaps between them, narrower than a step (2 reach / n_steps)
    can be missed.
    """
    rows, starts, ends = [np.zeros(0, dtype=np.intp)], [np.zeros(0)], [np.zeros(0)]
    for first in range(0, len(reach), _ROWS_AT_ONCE):
        some = np.arange(first, min(first + _ROWS_AT_ONCE, len(reach)))
        angles = reach[some][:, None] * np.linspace(-1, 1, n_steps + 1)
        values = margin(np.repeat(some, n_steps + 1), angles.ravel()).reshape(angles.shape)
        up = values >= 0
        row, step = np.nonzero(up[:, 1:] != up[:, :-1])
        low, high = angles[row, step], angles[row, step + 1]
        at_low, at_high = values[row, step], values[row, step + 1]
        # by the Illinois rule, to 1e-7 rad: a thousandth of a second of time
        x = low
        for _ in range(40 if len(low) else 0):
            before, x = x, (low * at_high - high * at_low) / (at_high - at_low)
            value = margin(some[row], x)
            same = (value >= 0) == (at_low >= 0)
            at_low, at_high = np.where(same, value, at_low / 2), np.where(same, at_high / 2, value)
            low, high = np.where(same, x, low), np.where(same, high, x)
            if (np.abs(x - before) < 1e-7).all():
                break
        counts = np.bincount(row, minlength=len(some))
        own, start, end = alternating_spans(counts, x, up[:, 0], -math.pi, math.pi)
        rows.append(some[own])
        starts.append(start)
        ends.append(end)
    return np.concatenate(rows), np.concatenate(starts), np.concatenate(ends)
