"""What the camera will see at one moment, as plain values (band, core, land, foregrounds, town glow), and the
same in words for those who can't see it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from alerts.briefing.facts.field_notes import DrawnDome, ForegroundStanding
from alerts.briefing.pictures.drawing import drawn_name
from alerts.briefing.pictures.night_scene import NightToDraw
from alerts.common.clock_times import clock_in
from alerts.common.name_tables import direction_word
from alerts.common.phrases import Reader, say
from alerts.common.span import Span
from alerts.common.text import LONGEST_NAME, article, capital, plain
from alerts.common.units import Units
from alerts.field.frame_plan import Aim, Panorama
from alerts.field.kit import Kit
from alerts.field.projection import CameraView
from alerts.sites.horizon import ridge_deg
from alerts.sites.model import Foreground
from alerts.sky.ephemeris import Ephemeris, SkyTable, posix_s
from alerts.sky.milky_way import CORE, galactic_direction, geometry
from alerts.sky.night import TargetKind, TrackPoint
from alerts.sky.observers import Ground
from alerts.sky.tracks import sky_track

Floats = npt.NDArray[np.float64]

LONGITUDES_DEG: Floats = np.arange(-180.0, 181.0, 3.0)
BAND_HALF_WIDTHS_DEG = (13.0, 8.0, 4.0)
"""Half widths of the three strips that stand for the band, faint to bright: a sketch of where it is,
not of how bright it is."""
BULGE_SHARE, BULGE_DEG = 0.5, 25.0
"""By how much the strips widen about the core, and over which galactic longitude."""
RIDGE_STEP_DEG = 1.0
MOST_STANDINGS = 3


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
    standings: tuple[ForegroundStanding, ...] = ()
    glows: tuple[DrawnDome, ...] = ()
    panorama: Panorama | None = None
    target: TrackPoint | None = None
    target_words: str = ""
    units: Units = Units.METRIC

    @property
    def view(self) -> CameraView:
        return CameraView.of(self.kit, self.aim.azimuth_deg, self.aim.tilt_deg, portrait=self.aim.portrait)

    def time(self, at: datetime) -> str:
        """On the site's clock, as the reader's counts hours."""
        return clock_in(self.zone, [at], self.units.clock_hours).time(at)


def view_scene(drawn: NightToDraw, ephemeris: Ephemeris, units: Units = Units.METRIC) -> ViewScene:
    """The scene at the best moment of a night's notes, which there must be.

    It follows a target by coordinates besides the core. Of what stands over foregrounds only that which the
    site shows: a viewer may be shown a site without them.
    """
    site, window, notes = drawn.site, drawn.window, drawn.notes
    assert window is not None
    assert notes is not None, "what the camera sees is drawn from its notes"
    at = notes.frames.best_at
    target = None
    if window.target.kind is TargetKind.RADEC:
        target = sky_track(site, window.target, Span(at, at + timedelta(seconds=1)), ephemeris)[0]
    shown = {(each.name, each.bearing_deg) for each in site.foregrounds}
    at_s = posix_s(at)
    ground, table = Ground.of([site]), ephemeris.table(at_s, at_s)
    altitude, azimuth = _altaz(ground, table, CORE[None], at_s)
    sky = geometry(ground, table, np.array([at_s]))
    azimuths = np.arange(0.0, 360.0, RIDGE_STEP_DEG)
    bands = []
    for half_width_deg in BAND_HALF_WIDTHS_DEG:
        width = half_width_deg * (1 + BULGE_SHARE * np.exp(-((LONGITUDES_DEG / BULGE_DEG) ** 2)))
        edges = (galactic_direction(LONGITUDES_DEG, side * width) for side in (1, -1))
        bands.append(Strip(*(_pairs(*_altaz(ground, table, edge, at_s)) for edge in edges)))
    return ViewScene(
        site_name=site.name,
        zone=site.zone,
        at=at,
        kit=notes.kit,
        aim=notes.aim,
        core=TrackPoint(at, float(altitude[0]), float(azimuth[0])),
        apex=TrackPoint(at, float(sky.apex_altitude_deg[0, 0]), float(sky.apex_azimuth_deg[0, 0])),
        strips=tuple(bands),
        ridge=_pairs(ridge_deg(site.horizon, azimuths), azimuths),
        foregrounds=site.foregrounds,
        standings=tuple(each for each in notes.standings if (each.foreground, each.bearing_deg) in shown),
        glows=tuple(drawn.glows),
        panorama=notes.panorama,
        target=target,
        target_words=window.target.name or say("pictures.target-other"),
        units=units,
    )


def _altaz(ground: Ground, table: SkyTable, icrs: Floats, at_s: float) -> tuple[Floats, Floats]:
    """Altitude and azimuth of directions of shape (n, 3) at one time, each shape (n,)."""
    altitude, azimuth = ground.altaz(table.fixed(icrs, at_s)[None], near=False)
    return altitude[0], azimuth[0]


def _pairs(altitude: Floats, azimuth: Floats) -> tuple[tuple[float, float], ...]:
    return tuple(zip(altitude.tolist(), azimuth.tolist(), strict=True))


def view_alt(scene: ViewScene) -> str:
    """Everything that the frame shows, as sentences."""
    aim, core, target = scene.aim, scene.core, scene.target
    wide_deg, high_deg = scene.kit.field_of_view_deg(portrait=aim.portrait)
    focal = f"{scene.kit.focal_mm:g}"
    said = [
        say(
            "pictures.view-alt",
            is_upright=aim.portrait,
            article=article(focal),
            focal=focal,
            site=plain(scene.site_name, LONGEST_NAME),
            at=scene.time(scene.at),
            wide_deg=wide_deg,
            high_deg=high_deg,
            direction=direction_word(aim.azimuth_deg),
            azimuth_deg=aim.azimuth_deg,
            tilt_deg=aim.tilt_deg,
        )
    ]
    if target is not None:
        place = {"high_deg": target.altitude_deg, "direction": direction_word(target.azimuth_deg)}
        name = capital(plain(scene.target_words, LONGEST_NAME))
        said.append(say("pictures.target-up", target=name, **place))
    place = {"high_deg": core.altitude_deg, "direction": direction_word(core.azimuth_deg)}
    if core.altitude_deg <= 0:
        said.append(say("pictures.core-below"))
    elif scene.view.holds(core.altitude_deg, core.azimuth_deg):
        said.append(say("pictures.core-up", **place))
    else:
        said.append(say("pictures.core-outside", **place))
    said += [*glow_sentences(scene), *standing_sentences(scene)]
    if not aim.has_ground:
        said.append(say("pictures.view-alt-no-ground"))
    return " ".join(said)


def panorama_alt(scene: ViewScene, plan: Panorama) -> str:
    """The arch and its frames, as sentences."""
    focal = f"{scene.kit.focal_mm:g}"
    return say(
        "pictures.arch-alt",
        rows=plan.rows,
        site=plain(scene.site_name, LONGEST_NAME),
        at=scene.time(scene.at),
        apex_deg=scene.apex.altitude_deg,
        apex_direction=direction_word(scene.apex.azimuth_deg),
        core_deg=scene.core.altitude_deg,
        core_direction=direction_word(scene.core.azimuth_deg),
        frames=plan.frames,
        article=article(focal),
        focal=focal,
        tilts=[f"{tilt:.0f}°" for tilt in plan.tilts_deg],
        step_deg=plan.step_deg,
    )


def standing_sentences(scene: ViewScene, *, drawn: bool = False) -> list[str]:
    """When core or foot stands over each foreground: `The core stands over the peak (196°) at 01:26.`

    drawn: for letters in a picture, where a name may have some that the packaged font lacks.
    """
    usable = [each for each in scene.standings if each.reads_as_over]
    said = []
    for found in usable[:MOST_STANDINGS]:
        name = plain(found.foreground, LONGEST_NAME)
        shown = drawn_name(found.foreground, say("pictures.a-foreground")) if drawn else name
        where = {"bearing_deg": found.bearing_deg, "at": scene.time(found.at.at)}
        said.append(say("pictures.stands-over", what=found.what, foreground=shown, **where))
    return said


def glow_sentences(scene: ViewScene, *, drawn: bool = False) -> list[str]:
    """Towns whose light is in the frame: `Teruel, 27 km away, glows in the east (81°).` drawn: as above."""
    said, unknown = [], say("pictures.a-town")
    reader = Reader(units=scene.units)
    for glow in scene.glows:
        heights = (0.0, glow.height_deg / 2, glow.height_deg)
        if not any(scene.view.holds(height, glow.bearing_deg) for height in heights):
            continue
        name = drawn_name(glow.name, unknown) if drawn else plain(glow.name, LONGEST_NAME) or unknown
        where = {"direction": direction_word(glow.bearing_deg), "bearing_deg": round(glow.bearing_deg) % 360}
        said.append(say("pictures.glow", reader, town=capital(name), away_km=glow.distance_km, **where))
    return said
