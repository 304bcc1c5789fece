"""What the camera will see at one moment, as plain values: band, core, land, foregrounds, town glow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from alerts.briefing.facts.field_notes import Standing, TownGlow
from alerts.common.units import Units
from alerts.field.aim import Aim
from alerts.field.kit import Kit
from alerts.field.panorama import Panorama
from alerts.field.projection import View
from alerts.sites.horizon import ridge_deg
from alerts.sites.model import Foreground, Site
from alerts.sky.ephemeris import Ephemeris, SkyTable, posix_s
from alerts.sky.milky_way import CORE, galactic_direction, geometry
from alerts.sky.night import TrackPoint
from alerts.sky.observers import Ground

Floats = npt.NDArray[np.float64]

LONGITUDES_DEG: Floats = np.arange(-180.0, 181.0, 3.0)
BAND_HALF_WIDTHS_DEG = (13.0, 8.0, 4.0)
"""Half widths of the three strips that stand for the band, faint to bright: a sketch of where it is,
not of how bright it is."""
BULGE_SHARE, BULGE_DEG = 0.5, 25.0
"""By how much the strips widen about the core, and over which galactic longitude."""
RIDGE_STEP_DEG = 1.0


@dataclass(frozen=True, slots=True)
class Strip:
    """One strip of the band: both edges from galactic longitude −180 to 180, (altitude, azimuth)."""

    upper: tuple[tuple[float, float], ...]
    lower: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewScene:
    """One moment at one site through one kit.

    ridge: (altitude, azimuth) of the land all round, from north. standings: what stands over which
    foreground when, in the window. panorama, apex: for an arch, the frames and the band's top.
    target, target_words: what is followed besides the core, if anything.
    """

    site_name: str
    zone: str
    at: datetime
    kit: Kit
    aim: Aim
    core: TrackPoint
    apex: TrackPoint
    strips: tuple[Strip, ...]
    ridge: tuple[tuple[float, float], ...]
    foregrounds: tuple[Foreground, ...]
    standings: tuple[Standing, ...] = ()
    glows: tuple[TownGlow, ...] = ()
    panorama: Panorama | None = None
    target: TrackPoint | None = None
    target_words: str = ""
    units: Units = Units.METRIC

    @property
    def view(self) -> View:
        return View.of(self.kit, self.aim.azimuth_deg, self.aim.tilt_deg, portrait=self.aim.portrait)


def view_scene(
    site: Site,
    at: datetime,
    kit: Kit,
    aim: Aim,
    ephemeris: Ephemeris,
    *,
    standings: Sequence[Standing] = (),
    glows: Sequence[TownGlow] = (),
    panorama: Panorama | None = None,
    target: TrackPoint | None = None,
    target_words: str = "",
    units: Units = Units.METRIC,
) -> ViewScene:
    """The scene at one aware time."""
    at_s = posix_s(at)
    ground, table = Ground.of([site]), ephemeris.table(at_s, at_s)
    altitude, azimuth = _altaz(ground, table, CORE[None], at_s)
    sky = geometry(ground, table, np.array([at_s]))
    azimuths = np.arange(0.0, 360.0, RIDGE_STEP_DEG)
    return ViewScene(
        site_name=site.name,
        zone=site.zone,
        at=at,
        kit=kit,
        aim=aim,
        core=TrackPoint(at, float(altitude[0]), float(azimuth[0])),
        apex=TrackPoint(at, float(sky.apex_altitude_deg[0, 0]), float(sky.apex_azimuth_deg[0, 0])),
        strips=tuple(_strip(ground, table, at_s, half) for half in BAND_HALF_WIDTHS_DEG),
        ridge=_pairs(ridge_deg(site.horizon, azimuths), azimuths),
        foregrounds=site.foregrounds,
        standings=tuple(standings),
        glows=tuple(glows),
        panorama=panorama,
        target=target,
        target_words=target_words,
        units=units,
    )


def _strip(ground: Ground, table: SkyTable, at_s: float, half_width_deg: float) -> Strip:
    width = half_width_deg * (1 + BULGE_SHARE * np.exp(-((LONGITUDES_DEG / BULGE_DEG) ** 2)))
    upper, lower = (
        _pairs(*_altaz(ground, table, galactic_direction(LONGITUDES_DEG, side * width), at_s))
        for side in (1, -1)
    )
    return Strip(upper, lower)


def _altaz(ground: Ground, table: SkyTable, icrs: Floats, at_s: float) -> tuple[Floats, Floats]:
    """Altitude and azimuth of directions of shape (n, 3) at one time, each shape (n,)."""
    altitude, azimuth = ground.altaz(table.fixed(icrs, at_s)[None], near=False)
    return altitude[0], azimuth[0]


def _pairs(altitude: Floats, azimuth: Floats) -> tuple[tuple[float, float], ...]:
    return tuple((float(a), float(b)) for a, b in zip(altitude, azimuth, strict=True))
