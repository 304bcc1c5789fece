"""When the core, or the foot of the band, stands over something on the ground."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from alerts.common.span import Span
from alerts.sites.horizon import ridge_deg
from alerts.sites.model import Foreground, Site
from alerts.sky.ephemeris import Ephemeris, SkyTable, posix_s, utc_from_posix
from alerts.sky.milky_way import geometry
from alerts.sky.night import TrackPoint
from alerts.sky.observers import Ground
from alerts.sky.tracks import track_point, true_spans

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
    start_s, end_s = posix_s(span.start), posix_s(span.end)
    table = ephemeris.table(start_s, end_s)
    found = [
        alignment
        for foreground in site.foregrounds
        for over in Over
        for alignment in _alignments(site, table, foreground, over, (start_s, end_s))
    ]
    return tuple(sorted(found, key=lambda alignment: alignment.span))


def _alignments(
    site: Site, table: SkyTable, foreground: Foreground, over: Over, ends_s: tuple[float, float]
) -> list[Alignment]:
    def margin(at_s: Floats) -> Floats:
        _, azimuth, above = _standing(site, table, over, at_s)
        near = foreground.width_deg / 2 - np.abs(_turn_between_deg(azimuth, foreground.bearing_deg))
        return np.asarray(np.minimum(near, above))

    pieces = true_spans(margin, *ends_s)
    return [
        _alignment(site, table, foreground, over, Span(utc_from_posix(a), utc_from_posix(b)))
        for a, b in pieces
        if round(b) > round(a)
    ]


def _alignment(site: Site, table: SkyTable, foreground: Foreground, over: Over, span: Span) -> Alignment:
    at_s = np.arange(posix_s(span.start), posix_s(span.end) + 1)
    altitude, azimuth, _ = _standing(site, table, over, at_s)
    best = int(np.argmin(np.abs(_turn_between_deg(azimuth, foreground.bearing_deg))))
    at = track_point(at_s[best], altitude[best], azimuth[best])
    return Alignment(foreground, over, span, at)


def _standing(site: Site, table: SkyTable, over: Over, at_s: Floats) -> tuple[Floats, Floats, Floats]:
    """Altitude and azimuth of core or foot, and how far the core stands above what could hide it."""
    sky = geometry(Ground.of([site]), table, at_s)
    core_altitude, core_azimuth = sky.core_altitude_deg[0], sky.core_azimuth_deg[0]
    if over is Over.CORE:
        return core_altitude, core_azimuth, core_altitude - ridge_deg(site.horizon, core_azimuth)
    feet = sky.horizon_azimuths_deg[0]
    nearer = np.argmin(np.abs(_turn_between_deg(feet, core_azimuth[:, None])), axis=1)
    return np.zeros_like(core_altitude), feet[np.arange(len(feet)), nearer], core_altitude


def _turn_between_deg(azimuth_deg: Floats, other_deg: Floats | float) -> Floats:
    """The signed turn from one azimuth to another, -180..180."""
    return np.asarray((azimuth_deg - other_deg + 180) % 360 - 180)
