"""Where the Sun, the Moon and a target stand over a span at one site, and over what on the ground.

All altitudes are airless and topocentric, azimuths from north through east.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import product

import numpy as np
import numpy.typing as npt

from alerts.common.span import Span
from alerts.sites.great_circle import turn_deg
from alerts.sites.model import Foreground, Site
from alerts.sky.band_shapes import SHAPES_BY_CODE, standing
from alerts.sky.crossings import EARTH_MEAN_KM
from alerts.sky.ephemeris import Body, Ephemeris, SkyTable, posix_s, utc_from_posix
from alerts.sky.milky_way import geometry, zeniths
from alerts.sky.night import DarkWindow, Shape, Target, TrackPoint
from alerts.sky.observers import MOON_RADIUS_KM, Ground
from alerts.sky.refraction import AirlessRidges, airless_ridge_deg
from alerts.sky.span_arrays import RowSpans, minute_marks, where_held
from alerts.sky.target_visibility import target_direction

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

TEN_MINUTES = timedelta(minutes=10)
_LOOK_EVERY = 8
_TURN_DEG_S = 15.1 / 3600
"""A little more than the Moon's altitude can change: its own motion is slower than the Earth's turn and goes
along with it, and the observer's motion adds a sixtieth at most."""
_SPANS_AT_ONCE = 256


def sky_track(
    site: Site, what: Body | Target, span: Span, ephemeris: Ephemeris, step: timedelta = TEN_MINUTES
) -> tuple[TrackPoint, ...]:
    """The middle of Sun or Moon, or a target (the core for `band` and `none`), at the span's start, every
    `step` after it, and at its end."""
    start_s, end_s = posix_s(span.start), posix_s(span.end)
    at_s = np.append(np.arange(start_s, end_s, step.total_seconds()), end_s)
    table = ephemeris.table(start_s, end_s)
    ground = Ground.of([site])
    if isinstance(what, Body):
        altitude, azimuth = ground.altaz(table.body_km(what, at_s)[None], near=True)
    else:
        altitude, azimuth = ground.altaz(table.fixed(target_direction(what), at_s)[None], near=False)
    return tuple(track_point(*point) for point in zip(at_s, altitude[0], azimuth[0], strict=True))


def place_at(site: Site, what: Body | Target, at: datetime, ephemeris: Ephemeris) -> TrackPoint:
    """Where the same stands at one moment."""
    return sky_track(site, what, Span(at, at + timedelta(seconds=1)), ephemeris)[0]


def apex_track(site: Site, times: Sequence[datetime], ephemeris: Ephemeris) -> tuple[TrackPoint, ...]:
    """The highest part of the Milky Way's band at those times, which ascend."""
    at_s = np.array([posix_s(at) for at in times])
    sky = geometry(Ground.of([site]), ephemeris.table(float(at_s[0]), float(at_s[-1])), at_s)
    places = zip(times, sky.apex_altitude_deg[0], sky.apex_azimuth_deg[0], strict=True)
    return tuple(TrackPoint(at, float(altitude), float(azimuth)) for at, altitude, azimuth in places)


def shapes_at(site: Site, target: Target, at: datetime, ephemeris: Ephemeris) -> tuple[Shape, ...]:
    """The shapes in which the Milky Way stands at a time, the one that it is called by first."""
    at_s = np.array([posix_s(at)])
    zenith = zeniths(Ground.of([site]), ephemeris.table(float(at_s[0]), float(at_s[0])), at_s)
    return SHAPES_BY_CODE[int(standing(zenith, target.arc_l_deg).codes[0, 0])]


def best_minute(site: Site, window: DarkWindow, shape: Shape, ephemeris: Ephemeris) -> datetime | None:
    """When a shape shows best in a window: an arch at its lowest, a column at its most upright, the core at
    its highest, a leaning band in the middle of its longest time; None where it doesn't stand."""
    spans = [piece.span for piece in window.shapes if piece.has((shape,))]
    if not spans:
        return None
    if shape is Shape.LEANING:
        return max(spans, key=lambda span: span.duration).middle
    pieces = [
        np.append(np.arange(posix_s(span.start), posix_s(span.end), 60.0), posix_s(span.end) - 1)
        for span in spans
    ]
    at_s = np.concatenate(pieces)
    sky = geometry(Ground.of([site]), ephemeris.table(float(at_s[0]), float(at_s[-1])), at_s)
    apex = sky.apex_altitude_deg[0]
    merit = {Shape.ARCH: -apex, Shape.COLUMN: apex, Shape.OVERHEAD: sky.core_altitude_deg[0]}[shape]
    return utc_from_posix(float(at_s[np.argmax(merit)]))


def track_point(at_s: float, altitude_deg: float, azimuth_deg: float) -> TrackPoint:
    """A point to the second and 0.001 degrees."""
    return TrackPoint(utc_from_posix(at_s), round(float(altitude_deg), 3), round(float(azimuth_deg), 3) % 360)


def moon_over_ridges(
    sites: Sequence[Site], ground: Ground, table: SkyTable, spans: RowSpans
) -> tuple[RowSpans, Ints]:
    """Within spans of many sites in which the Moon is up (row: of a site): when its upper limb is also seen
    over the site's ridge, so that its light reaches the foreground; and for each of the pieces the index of
    its span.

    Over a level horizon that is all the time it is up.
    """
    is_level = np.array([site.horizon.is_level for site in sites], dtype=np.bool_)
    rough = np.flatnonzero(~is_level[spans.row] & (spans.start_s < spans.end_s))
    level = np.flatnonzero(is_level[spans.row])
    pieces = [(spans.start_s[level], spans.end_s[level], level)]
    lines = [site.horizon for site in sites] if len(rough) else []
    ridges = AirlessRidges(lines, ground.elevation_m)
    for low in range(0, len(rough), _SPANS_AT_ONCE):
        some = rough[low : low + _SPANS_AT_ONCE]
        start_s, end_s, source = _over_ridges(ridges, ground, table, spans.pick(some))
        pieces.append((start_s, end_s, some[source]))
    start_s, end_s, source = (np.concatenate(column) for column in zip(*pieces, strict=True))
    order = np.argsort(source, kind="stable")
    source = source[order]
    return RowSpans(spans.row[source], start_s[order], end_s[order]), source


def _over_ridges(
    ridges: AirlessRidges, ground: Ground, table: SkyTable, spans: RowSpans
) -> tuple[Floats, Floats, Ints]:
    """Starts and ends of the pieces of some spans, and for each the index of its span.

    Between two looks the Moon's altitude moves by at most the Earth's turn: above the highest part of the
    ridge, or below the lowest, by more than that, it needs no closer look, and any margin of that sign does.
    """
    at_s, span_of = minute_marks(spans)
    rows = spans.row[span_of]

    def look(which: Ints) -> tuple[Floats, Floats]:
        """The altitude of the Moon's upper limb, and how far above the ridge that is."""
        moon_km = table.body_km(Body.MOON, at_s[which])[:, None]
        altitude, azimuth = ground.part(rows[which]).altaz(moon_km, near=True)
        limb = altitude[:, 0] + moon_radius_deg(np.linalg.norm(moon_km[:, 0], axis=-1), altitude[:, 0])
        return limb, limb - ridges.at(rows[which], azimuth[:, 0])

    # every eighth minute of each span, and its last one
    firsts = np.flatnonzero(np.diff(span_of, prepend=-1))
    is_look = (np.arange(len(at_s)) - firsts[span_of]) % _LOOK_EVERY == 0
    is_look[np.append(firsts[1:], len(at_s)) - 1] = True
    looks = np.flatnonzero(is_look)
    altitude, margin = look(looks)
    margins = np.repeat(margin, np.diff(looks, append=len(rows)))

    can_turn = _TURN_DEG_S * np.diff(at_s[looks])
    unsure = np.ones(len(can_turn), dtype=np.bool_)
    for limits, sign in ((ridges.highest, 1.0), (ridges.lowest, -1.0)):
        beyond = sign * (altitude - limits[rows[looks]])
        low, high = beyond[:-1], beyond[1:]
        unsure &= (np.minimum(low, high) <= 0) | (low + high <= can_turn)
    closer = np.flatnonzero(np.repeat(np.append(unsure, False), np.diff(looks, append=len(rows))) & ~is_look)
    _, margins[closer] = look(closer)
    return where_held(at_s, span_of, margins)


def moon_radius_deg(distance_km: Floats, altitude_deg: Floats) -> Floats:
    """The Moon's semidiameter as an observer sees it, by its geocentric distance and its altitude there: who
    has it overhead is nearer by the Earth's radius. To 0.1 arcseconds."""
    nearer_km = EARTH_MEAN_KM * np.sin(np.radians(altitude_deg))
    return np.asarray(np.degrees(np.arcsin(MOON_RADIUS_KM / (distance_km - nearer_km))))


class Over(StrEnum):
    """What stands over a bearing."""

    CORE = "core"  # the galactic centre direction
    FOOT = "foot"  # where the band meets the level horizon on the core's side


@dataclass(frozen=True, slots=True)
class Alignment:
    """A time in which the core, or the foot of the band, stands within a foreground's width.

    at: the moment of `span` at which it stands nearest to the bearing; altitude and azimuth then.
    """

    foreground: Foreground
    over: Over
    span: Span
    at: TrackPoint


def alignments(site: Site, span: Span, ephemeris: Ephemeris) -> tuple[Alignment, ...]:
    """When core or band foot stands within half a width of each of the site's foregrounds.

    The core counts while it is above the ridge; the foot while the core is above the horizon.
    """
    start_s, end_s = np.array([posix_s(span.start)]), np.array([posix_s(span.end)])
    table = ephemeris.table(float(start_s[0]), float(end_s[0]))
    at_s, span_of = minute_marks(RowSpans(np.zeros(1, dtype=np.intp), start_s, end_s))
    found = []
    for foreground, over in product(site.foregrounds, Over):
        _, azimuth, above = _standing(site, table, over, at_s)
        near = foreground.width_deg / 2 - np.abs(turn_deg(azimuth, foreground.bearing_deg))
        starts, ends, _ = where_held(at_s, span_of, np.minimum(near, above))
        for a, b in zip(np.round(starts), np.round(ends), strict=True):
            if a >= b:
                continue
            seconds = np.arange(a, b + 1)
            altitude, azimuth, _ = _standing(site, table, over, seconds)
            best = int(np.argmin(np.abs(turn_deg(azimuth, foreground.bearing_deg))))
            at = track_point(seconds[best], altitude[best], azimuth[best])
            found.append(Alignment(foreground, over, Span(utc_from_posix(a), utc_from_posix(b)), at))
    return tuple(sorted(found, key=lambda alignment: alignment.span))


def _standing(site: Site, table: SkyTable, over: Over, at_s: Floats) -> tuple[Floats, Floats, Floats]:
    """Altitude and azimuth of core or foot, and how far the core stands above what could hide it."""
    sky = geometry(Ground.of([site]), table, at_s)
    core_altitude, core_azimuth = sky.core_altitude_deg[0], sky.core_azimuth_deg[0]
    if over is Over.CORE:
        ridge = airless_ridge_deg(site.horizon, site.elevation_m, core_azimuth)
        return core_altitude, core_azimuth, core_altitude - ridge
    feet = sky.horizon_azimuths_deg[0]
    nearer = np.argmin(np.abs(turn_deg(feet, core_azimuth[:, None])), axis=1)
    return np.zeros_like(core_altitude), feet[np.arange(len(feet)), nearer], core_altitude
