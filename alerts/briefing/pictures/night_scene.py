"""What the picture of a night shows, as plain values: the sky's paths, the ridge, the window, cloud."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from alerts.common.span import Span
from alerts.sites.horizon import ridge_deg
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris, posix_s
from alerts.sky.milky_way import geometry
from alerts.sky.night import DarkWindow, Night, TargetKind, TrackPoint
from alerts.sky.observers import Ground
from alerts.sky.tracks import moon_track, sun_track, target_track
from alerts.weather.cloud_by_hour import CloudHour


@dataclass(frozen=True, slots=True, kw_only=True)
class NightScene:
    """One night at one site, drawn from sunset to sunrise (from noon to noon where one is missing).

    target, ridge_deg: the target's path, a point every ten minutes, and the land below each point.
    target_words: what the path is ("core", "top of the band"). marks: the target at the window's
    start, middle and end, where it is up; empty without a window. All altitudes airless, azimuths from north.
    """

    site_name: str
    night: date
    zone: str
    span: Span
    sun: tuple[TrackPoint, ...]
    target: tuple[TrackPoint, ...]
    ridge_deg: tuple[float, ...]
    target_words: str
    moon: tuple[TrackPoint, ...]
    moon_lit: float
    moon_rises: tuple[datetime, ...]
    moon_sets: tuple[datetime, ...]
    sunset: datetime | None
    sunrise: datetime | None
    window: Span | None
    marks: tuple[TrackPoint, ...]
    cloud: tuple[CloudHour, ...]
    clock_hours: int = 24


def night_scene(
    site: Site,
    night: Night,
    ephemeris: Ephemeris,
    *,
    window: DarkWindow | None,
    cloud: Sequence[CloudHour] = (),
    clock_hours: int = 24,
) -> NightScene:
    """The scene of `night`. window: the one to frame; None frames nothing. cloud: see `cloud_hours`."""
    sunset = night.sun.sets[0] if night.sun.sets else None
    sunrise = night.sun.rises[-1] if night.sun.rises else None
    span = shown_span(night)
    path, words = _path(site, night, span, ephemeris)
    framed = window.span if window else None
    return NightScene(
        site_name=site.name,
        night=night.name,
        zone=site.zone,
        span=span,
        sun=sun_track(site, span, ephemeris),
        target=path,
        ridge_deg=tuple(float(a) for a in ridge_deg(site.horizon, [p.azimuth_deg for p in path])),
        target_words=words,
        moon=moon_track(site, span, ephemeris),
        moon_lit=night.moon_lit,
        moon_rises=tuple(at for at in night.moon.rises if span.contains(at)),
        moon_sets=tuple(at for at in night.moon.sets if span.contains(at)),
        sunset=sunset,
        sunrise=sunrise,
        window=framed,
        marks=_marks(site, night, window, ephemeris) if window else (),
        cloud=tuple(hour for hour in cloud if hour.span.overlap(span)),
        clock_hours=clock_hours,
    )


def shown_span(night: Night) -> Span:
    """From sunset to sunrise; the whole night where one is missing."""
    start = night.sun.sets[0] if night.sun.sets else night.span.start
    end = night.sun.rises[-1] if night.sun.rises else night.span.end
    return Span(start, end) if start < end else night.span


def _path(site: Site, night: Night, span: Span, ephemeris: Ephemeris) -> tuple[tuple[TrackPoint, ...], str]:
    """The target's path; for the band as a target, that of its highest point."""
    target = night.wishes.target
    path = target_track(site, target, span, ephemeris)
    if target.kind is TargetKind.BAND:
        return _apex_track(site, path, ephemeris), "top of the band"
    if target.kind is TargetKind.RADEC:
        return path, target.name or "target"
    return path, "core"


def _apex_track(site: Site, times: Sequence[TrackPoint], ephemeris: Ephemeris) -> tuple[TrackPoint, ...]:
    at_s = np.array([posix_s(point.at) for point in times])
    sky = geometry(Ground.of([site]), ephemeris.table(float(at_s[0]), float(at_s[-1])), at_s)
    places = zip(times, sky.apex_altitude_deg[0], sky.apex_azimuth_deg[0], strict=True)
    return tuple(TrackPoint(point.at, float(alt), float(az)) for point, alt, az in places)


def _marks(site: Site, night: Night, window: DarkWindow, ephemeris: Ephemeris) -> tuple[TrackPoint, ...]:
    if night.wishes.target.kind is TargetKind.BAND:
        return _apex_track(site, window.track, ephemeris)
    return tuple(point for point in window.track if point.altitude_deg > 0)


def highest_shown_deg(scene: NightScene) -> int:
    """Top of the panel in degrees: 30, 45, 60, or 104 (room for words at the zenith)."""
    highest = max((point.altitude_deg for point in scene.target), default=0.0)
    return next((top for top in (30, 45, 60) if math.ceil(highest) + 5 <= top), 104)
