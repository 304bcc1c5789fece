"""What the picture of a night shows, as plain values (the sky's paths, the ridge, the window, cloud), and
the same in words for those who can't see it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from alerts.briefing.facts.alert import track_to_the_minute
from alerts.briefing.facts.field_notes import DrawnDome, FieldNotes
from alerts.common.clock_times import Clock
from alerts.common.name_tables import direction_word
from alerts.common.phrases import phrase, say
from alerts.common.span import Span
from alerts.common.text import LONGEST_NAME, capital, plain
from alerts.common.time_text import long_day, nearest_minute, whole_minutes
from alerts.sites.horizon import ridge_deg
from alerts.sites.model import Site
from alerts.sky.ephemeris import Body, Ephemeris, posix_s
from alerts.sky.milky_way import geometry
from alerts.sky.night import DarkWindow, Night, TargetKind, TrackPoint
from alerts.sky.observers import Ground
from alerts.sky.tracks import sky_track
from alerts.weather.chance import CloudHour


@dataclass(frozen=True, slots=True)
class NightToDraw:
    """What the pictures of one night are drawn from.

    window: the one to frame; None frames nothing. notes: for the field, None draws no view through the lens.
    cloud: hour by hour, see `cloud_hours`. glows: towns whose light is in the view.
    """

    site: Site
    night: Night
    window: DarkWindow | None = None
    notes: FieldNotes | None = None
    cloud: Sequence[CloudHour] = ()
    glows: Sequence[DrawnDome] = ()


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

    @property
    def known_cloud(self) -> list[tuple[datetime, int]]:
        """The hours in the picture of which a forecast speaks: their middle, and the chance of cloud."""
        known = [(hour.span.middle, hour.cloud_pct) for hour in self.cloud if hour.cloud_pct is not None]
        return [(at, pct) for at, pct in known if self.span.contains(at)]

    @property
    def middle(self) -> datetime:
        """Of the window; of the night where there is none."""
        return self.window.middle if self.window else self.span.middle


def night_scene(drawn: NightToDraw, ephemeris: Ephemeris, clock_hours: int = 24) -> NightScene:
    """The scene of a night. clock_hours: 24 or 12, of the times in the picture."""
    site, night, window = drawn.site, drawn.night, drawn.window
    target, span = night.wishes.target, shown_span(night)
    path, words = sky_track(site, target, span, ephemeris), say("pictures.target-core")
    marks = window.track if window else ()
    if target.kind is TargetKind.BAND:  # followed by its highest point
        path, words = _apex_track(site, path, ephemeris), say("pictures.target-apex")
        marks = _apex_track(site, marks, ephemeris) if marks else ()
    else:
        marks = tuple(point for point in marks if point.altitude_deg > 0)
        if target.kind is TargetKind.RADEC:
            words = target.name or say("pictures.target-other")
    return NightScene(
        site_name=site.name,
        night=night.name,
        zone=site.zone,
        span=span,
        sun=sky_track(site, Body.SUN, span, ephemeris),
        target=path,
        ridge_deg=tuple(float(a) for a in ridge_deg(site.horizon, [p.azimuth_deg for p in path])),
        target_words=words,
        moon=sky_track(site, Body.MOON, span, ephemeris),
        moon_lit=night.moon_lit,
        moon_rises=tuple(at for at in night.moon.rises if span.contains(at)),
        moon_sets=tuple(at for at in night.moon.sets if span.contains(at)),
        sunset=night.sun.sets[0] if night.sun.sets else None,
        sunrise=night.sun.rises[-1] if night.sun.rises else None,
        window=window.span if window else None,
        marks=marks,
        cloud=tuple(hour for hour in drawn.cloud if hour.span.overlap(span)),
        clock_hours=clock_hours,
    )


def shown_span(night: Night) -> Span:
    """From sunset to sunrise; the whole night where one is missing."""
    start = night.sun.sets[0] if night.sun.sets else night.span.start
    end = night.sun.rises[-1] if night.sun.rises else night.span.end
    return Span(start, end) if start < end else night.span


def _apex_track(site: Site, times: Sequence[TrackPoint], ephemeris: Ephemeris) -> tuple[TrackPoint, ...]:
    at_s = np.array([posix_s(point.at) for point in times])
    sky = geometry(Ground.of([site]), ephemeris.table(float(at_s[0]), float(at_s[-1])), at_s)
    places = zip(times, sky.apex_altitude_deg[0], sky.apex_azimuth_deg[0], strict=True)
    return tuple(TrackPoint(point.at, float(alt), float(az)) for point, alt, az in places)


def highest_shown_deg(scene: NightScene) -> int:
    """Top of the panel in degrees: 30, 45, 60, or 104 (room for words at the zenith)."""
    highest = max((point.altitude_deg for point in scene.target), default=0.0)
    return next((top for top in (30, 45, 60) if math.ceil(highest) + 5 <= top), 104)


def night_alt(scene: NightScene, clock: Clock) -> str:
    """Everything that the picture shows, as sentences."""
    name, zone = plain(scene.site_name, LONGEST_NAME), clock.zone_word(scene.span.start)
    said = [say("pictures.night-alt", day=long_day(scene.night), site=name, zone=zone)]

    if scene.sunset is None or scene.sunrise is None:
        is_up = scene.sun[len(scene.sun) // 2].altitude_deg > -0.8
        said.append(say("pictures.sun-stays", is_up=is_up))
    else:
        sets, rises = (clock.time(nearest_minute(at)) for at in (scene.sunset, scene.sunrise))
        said.append(say("pictures.sun-turns", sets=sets, rises=rises))

    if scene.window is None:
        said.append(say("pictures.window-none"))
    else:
        window = whole_minutes(scene.window)
        said.append(say("pictures.window-runs", start=clock.time(window.start), end=clock.time(window.end)))
    if scene.marks:
        places = [
            phrase(
                "pictures.target-place",
                direction=direction_word(mark.azimuth_deg),
                high_deg=mark.altitude_deg,
                at=clock.time(mark.at),
            )
            for mark in track_to_the_minute(scene.marks)
        ]
        target = plain(scene.target_words, LONGEST_NAME)
        said.append(say("pictures.target-stands", target=target, places=places))

    said.append(f"{capital(moon_words(scene, clock))}.")
    known = scene.known_cloud
    if known:
        nearest = min(known, key=lambda entry: abs(entry[0] - scene.middle))
        shown = sorted({known[0], nearest, known[-1]})
        told = [phrase("pictures.cloud-at", cloud_pct=pct, at=clock.time(at)) for at, pct in shown]
        said.append(say("pictures.cloud-told", told=told))
    else:
        said.append(say("pictures.cloud-untold"))
    return " ".join(said)


def moon_words(scene: NightScene, clock: Clock) -> str:
    """`Moon, 3 % lit, sets 22:40`; where it never crosses, whether it is up or down all night."""
    lit_pct = 100 * scene.moon_lit
    turns = [(at, "pictures.moon-rises") for at in scene.moon_rises]
    turns += [(at, "pictures.moon-sets") for at in scene.moon_sets]
    if turns:
        told = [phrase(key, at=clock.time(nearest_minute(at))) for at, key in sorted(turns)]
        return say("pictures.moon-turns", lit_pct=lit_pct, turns=told)
    middle = scene.moon[len(scene.moon) // 2]
    return say("pictures.moon-stays", lit_pct=lit_pct, is_up=middle.altitude_deg > 0)
