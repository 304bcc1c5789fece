"""When the core, or the foot of the band, stands over something on the ground."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import product

import numpy as np
import numpy.typing as npt

from alerts.common.span import Span
from alerts.sites.great_circle import turn_deg
from alerts.sites.horizon import ridge_deg
from alerts.sites.model import Foreground, Site
from alerts.sky.ephemeris import Ephemeris, SkyTable, posix_s, utc_from_posix
from alerts.sky.milky_way import geometry
from alerts.sky.night import TrackPoint
from alerts.sky.observers import Ground
from alerts.sky.span_arrays import RowSpans, minute_marks, where_held
from alerts.sky.tracks import track_point

Floats = npt.NDArray[np.float64]


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
        return core_altitude, core_azimuth, core_altitude - ridge_deg(site.horizon, core_azimuth)
    feet = sky.horizon_azimuths_deg[0]
    nearer = np.argmin(np.abs(turn_deg(feet, core_azimuth[:, None])), axis=1)
    return np.zeros_like(core_altitude), feet[np.arange(len(feet)), nearer], core_altitude
