"""The pictures of what the camera will see at one moment: through the lens, and for an arch the panorama.

What they show stands first, as plain values (band, core, land, foregrounds, town glow); then the planes that
it is drawn in; last the same in words for those who can't see it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from alerts.briefing.facts import FieldNotes
from alerts.briefing.pictures.drawing import (
    EDGE,
    LIGHT,
    NARROW,
    Box,
    Label,
    Palette,
    Picture,
    Point,
    caption,
    clipped,
    drawn_name,
    heading,
    path_of,
    render,
    runs,
    spaced,
    strips,
    within,
)
from alerts.briefing.pictures.night_picture import NightToDraw
from alerts.briefing.text.alert_lines import where_stands
from alerts.common.clock_times import clock_in
from alerts.common.phrases import Reader, say
from alerts.common.text import LONGEST_NAME, article, capital, direction_letters, direction_word, plain
from alerts.common.units import Units
from alerts.field.frame_plan import Panorama
from alerts.field.projection import CameraView
from alerts.sites.great_circle import turn_deg
from alerts.sites.horizon import ridge_deg
from alerts.sky.ephemeris import Ephemeris, SkyTable, posix_s
from alerts.sky.milky_way import CORE, galactic_direction
from alerts.sky.night import TargetKind, TrackPoint
from alerts.sky.observers import Ground
from alerts.sky.tracks import apex_track, place_at

UPRIGHT_WIDTH = 0.62
"""Width of an upright frame, of the room that a level one fills."""
OPACITIES = (0.16, 0.2, 0.3)
LEAST_LAND, POINTER_AND_NAME = 12.0, 23.0
"""Height of land in the picture on which a name fits, and on which a pointer fits over it."""
BELOW_DEG, ABOVE_DEG = 18.0, 16.0
"""Land and sky that a panorama shows below the horizon and above the apex."""
Floats = npt.NDArray[np.float64]

LONGITUDES_DEG: Floats = np.arange(-180.0, 181.0, 3.0)
BAND_HALF_WIDTHS_DEG = (13.0, 8.0, 4.0)
"""Half widths of the three strips that stand for the band, faint to bright: a sketch of where it is,
not of how bright it is."""
BULGE_SHARE, BULGE_DEG = 0.5, 25.0
"""By how much the strips widen about the core, and over which galactic longitude."""
RIDGE_STEP_DEG = 1.0
MOST_STANDINGS = 3

Direction = tuple[float, float]
"""Altitude and azimuth in degrees."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewScene:
    """One moment at one site through one kit: the best of the night's notes.

    strips: of the band, both edges of each from galactic longitude −180 to 180. ridge: the land all round,
    from north. apex: the band's top. target: what is followed besides the core, if anything.
    """

    drawn: NightToDraw
    notes: FieldNotes
    units: Units
    core: TrackPoint
    apex: TrackPoint
    strips: tuple[list[list[Direction]], ...]
    ridge: list[Direction]
    target: TrackPoint | None
    target_words: str

    @property
    def view(self) -> CameraView:
        aim = self.notes.aim
        return CameraView.of(self.notes.kit, aim.azimuth_deg, aim.tilt_deg, portrait=aim.portrait)

    @property
    def focal(self) -> str:
        """The lens's focal length in mm."""
        return f"{self.notes.kit.focal_mm:g}"

    @property
    def when(self) -> str:
        """The moment, as `time` has it."""
        return self.time(self.notes.frames.best_at)

    def time(self, at: datetime) -> str:
        """On the site's clock, as the reader's counts hours."""
        return clock_in(self.drawn.site.zone, [at], self.units.clock_hours).time(at)


def view_scene(drawn: NightToDraw, ephemeris: Ephemeris, units: Units = Units.METRIC) -> ViewScene:
    """The scene at the best moment of a night's notes, which there must be. It follows a target by
    coordinates besides the core."""
    site, window, notes = drawn.site, drawn.window, drawn.notes
    assert window is not None
    assert notes is not None, "what the camera sees is drawn from its notes"
    at = notes.frames.best_at
    is_followed = window.target.kind is TargetKind.RADEC
    at_s = posix_s(at)
    ground, table = Ground.of([site]), ephemeris.table(at_s, at_s)
    altitude, azimuth = _altaz(ground, table, CORE[None], at_s)
    azimuths = np.arange(0.0, 360.0, RIDGE_STEP_DEG)
    bands = []
    for half_width_deg in BAND_HALF_WIDTHS_DEG:
        width = half_width_deg * (1 + BULGE_SHARE * np.exp(-((LONGITUDES_DEG / BULGE_DEG) ** 2)))
        edges = (galactic_direction(LONGITUDES_DEG, side * width) for side in (1, -1))
        bands.append([_pairs(*_altaz(ground, table, edge, at_s)) for edge in edges])
    return ViewScene(
        drawn=drawn,
        notes=notes,
        units=units,
        core=TrackPoint(at, float(altitude[0]), float(azimuth[0])),
        apex=apex_track(site, [at], ephemeris)[0],
        strips=tuple(bands),
        ridge=_pairs(ridge_deg(site.horizon, azimuths), azimuths),
        target=place_at(site, window.target, at, ephemeris) if is_followed else None,
        target_words=window.target.name or say("pictures.target-other"),
    )


def _altaz(ground: Ground, table: SkyTable, icrs: Floats, at_s: float) -> tuple[Floats, Floats]:
    """Altitude and azimuth of directions of shape (n, 3) at one time, each shape (n,)."""
    altitude, azimuth = ground.altaz(table.fixed(icrs, at_s)[None], near=False)
    return altitude[0], azimuth[0]


def _pairs(altitude: Floats, azimuth: Floats) -> list[Direction]:
    return list(zip(altitude.tolist(), azimuth.tolist(), strict=True))


@dataclass(frozen=True, slots=True)
class LensPlane:
    """What one frame shows, scaled to fill its box, y downward."""

    view: CameraView
    box: Box
    reach_deg = 100.0
    """How far to either side of the middle it shows."""

    @property
    def middle_azimuth_deg(self) -> float:
        return self.view.azimuth_deg

    def place(self, directions: Sequence[Direction]) -> list[Point]:
        """Where directions fall; NaN where it can't show them."""
        altitude, azimuth = np.array(directions, dtype=np.float64).reshape(-1, 2).T
        x, y = self.view.project(altitude, azimuth)
        scale = self.box.width / self.view.width_mm
        middle_x, middle_y = (self.box.left + self.box.right) / 2, (self.box.top + self.box.bottom) / 2
        return [(float(middle_x + a * scale), float(middle_y - b * scale)) for a, b in zip(x, y, strict=True)]

    @property
    def rim(self) -> str:
        """The path of what a fisheye leaves black, the frame without its circle; "" where it fills it."""
        view, box = self.view, self.box
        if not view.fisheye or view.circle_mm > math.hypot(view.width_mm, view.height_mm) / 2 - 1e-6:
            return ""
        radius = view.circle_mm * box.width / view.width_mm
        left, middle = (box.left + box.right) / 2 - radius, (box.top + box.bottom) / 2
        arcs = "".join(f"a{radius:.1f} {radius:.1f} 0 1 0 {way * 2 * radius:.1f} 0" for way in (1, -1))
        return f"M{box.left} {box.top}H{box.right}V{box.bottom}H{box.left}ZM{left:.1f} {middle:.1f}{arcs}Z"


@dataclass(frozen=True, slots=True)
class UnrolledPlane:
    """Azimuth across and altitude up, the same scale both ways."""

    box: Box
    middle_azimuth_deg: float
    lowest_deg: float
    pixels_per_deg: float

    @property
    def reach_deg(self) -> float:
        return self.box.width / 2 / self.pixels_per_deg

    def place(self, directions: Sequence[Direction]) -> list[Point]:
        middle = (self.box.left + self.box.right) / 2
        return [
            (
                middle + turn_deg(azimuth, self.middle_azimuth_deg) * self.pixels_per_deg,
                self.box.bottom - (altitude - self.lowest_deg) * self.pixels_per_deg,
            )
            for altitude, azimuth in directions
        ]


Plane = LensPlane | UnrolledPlane


def draw_view(scene: ViewScene, palette: Palette = LIGHT, *, width: int = NARROW) -> Picture:
    """One frame through the lens; the picture's edge is the frame's."""
    view, aim = scene.view, scene.notes.aim
    title = say(
        "pictures.view-title",
        is_assumed=bool(scene.notes.kit.assumed),
        article=article(scene.focal),
        focal=scene.focal,
        at=scene.when,
    )
    toward = say(
        "pictures.view-toward",
        is_upright=aim.portrait,
        azimuth_deg=aim.azimuth_deg,
        direction=direction_letters(aim.azimuth_deg),
        tilt_deg=aim.tilt_deg,
    )
    head, baseline = heading(title, toward, width, palette)
    across = (width - 2 * EDGE) * (UPRIGHT_WIDTH if aim.portrait else 1)
    left, top = (width - across) / 2, baseline + 12
    box = Box(
        round(left, 1), top, round(left + across, 1), round(top + across * view.height_mm / view.width_mm, 1)
    )
    wide_deg = 2 * math.degrees(math.atan(view.width_mm / 2 / view.focal_mm))
    step_deg = next((step for step in (1.0, 2.0, 5.0, 10.0, 15.0) if wide_deg / step <= 7), 30.0)
    said = [*standing_sentences(scene, drawn=True), *glow_sentences(scene, drawn=True)]
    said += [] if aim.has_ground else [say("pictures.view-no-ground")]
    below = caption([(each, palette.text) for each in said], box.bottom + 36, width)
    values = _values(scene, LensPlane(view, box), palette, step_deg, [*head, *below])
    height = (below[-1].y if below else box.bottom + 18) + 12
    return render("view", view_alt(scene), (width, height), palette, values)


def draw_panorama(scene: ViewScene, palette: Palette = LIGHT, *, width: int = NARROW) -> Picture:
    """The whole arch, unrolled, with the frames that hold it. The scene must have a panorama."""
    plan = scene.notes.panorama
    assert plan is not None, "only an arch has a panorama"
    title = say("pictures.arch-title", at=scene.when)
    frames = say("pictures.arch-frames", frames=plan.frames, rows=plan.rows, focal=scene.focal)
    head, baseline = heading(title, frames, width, palette)
    span_deg = min(360.0, plan.step_deg * plan.frames + 20)
    scale = (width - 2 * EDGE) / span_deg
    tall = (BELOW_DEG + scene.apex.altitude_deg + ABOVE_DEG) * scale
    box = Box(EDGE, baseline + 12, width - EDGE, round(baseline + 12 + tall, 1))
    plane = UnrolledPlane(box, scene.apex.azimuth_deg, -BELOW_DEG, scale)
    said = say(
        "pictures.arch-caption",
        tilts=[f"{tilt:.0f}°" for tilt in plan.tilts_deg],
        step_deg=plan.step_deg,
        overlap_pct=plan.overlap * 100,
    )
    below = caption([(said, palette.text)], box.bottom + 36, width)
    numbers = [  # 1, 2, 3 … along the top, where each frame of a row points
        Label(x, box.top + 13, str(k), palette.text, 11, "middle")
        for k, (x, _) in enumerate(plane.place([(0.0, each) for each in plan.azimuths_deg]), start=1)
    ]
    values = _values(scene, plane, palette, 30.0, [*head, *below])
    values |= {"frames": _frames(scene, plan, plane), "numbers": numbers}
    return render("panorama", panorama_alt(scene, plan), (width, below[-1].y + 12), palette, values)


def _values(
    scene: ViewScene, plane: Plane, palette: Palette, step_deg: float, beside: Sequence[Label]
) -> dict[str, object]:
    """What both pictures draw. step_deg: between marks along the lower edge. beside: words round it."""
    box, is_unrolled = plane.box, isinstance(plane, UnrolledPlane)
    core = target = None  # where they fall, if that is in the picture
    if scene.core.altitude_deg > 0:
        core = _within(plane, scene.core)
    if scene.target is not None:
        target = _within(plane, scene.target)

    # the sky: the band, and the domes of light that towns make
    jump, band = box.width * 0.6 if is_unrolled else math.inf, []
    for strip, opacity in zip(scene.strips, OPACITIES, strict=True):
        shapes = strips(*map(plane.place, strip), widest_step=jump)
        if path := " ".join(_paths(shapes, box)):
            band.append((path, opacity))
    domes = []
    for glow in scene.drawn.glows:
        bearing_deg = glow.bearing_deg
        points = [(0, bearing_deg), (0, bearing_deg + glow.half_width_deg), (glow.height_deg, bearing_deg)]
        middle, side, top = plane.place(points)
        if not np.isnan([*middle, *side, *top]).any():
            rx, ry = abs(side[0] - middle[0]), abs(top[1] - middle[1])
            domes.append({"x": middle[0], "y": middle[1], "rx": rx, "ry": ry})

    # the ground: foregrounds of known height as plain blocks, their place and size, not their shape
    objects = []
    for each in scene.drawn.site.foregrounds:
        if each.height_deg is not None:
            half = each.width_deg / 2
            edge = np.linspace(each.bearing_deg - half, each.bearing_deg + half, 5).tolist()
            top_line = plane.place([(each.height_deg, azimuth) for azimuth in edge])
            base_line = plane.place([(-3.0, azimuth) for azimuth in edge])
            objects += _paths(strips(top_line, base_line), box)
    ticks, (pointers, names) = _ticks(plane, step_deg), _foreground_names(scene, plane, palette)
    named = [(x, f"{azimuth}°" if azimuth % 45 else str(direction_letters(azimuth))) for azimuth, x in ticks]
    azimuths = [Label(x, box.bottom + 18, name, palette.muted, anchor="middle") for x, name in named]
    return {
        "box": box,
        "band": band,
        "land": _land(scene, plane),
        "objects": objects,
        "domes": domes,
        "core": core,
        "target": target,
        "core_size": 5 if is_unrolled else 7,
        "frames": [],
        "rim": plane.rim if isinstance(plane, LensPlane) else "",
        "numbers": [],
        "pointers": pointers,
        "sky_labels": _sky_labels(scene, plane, palette, core, target),
        "labels": [*beside, *spaced(azimuths)],
        "names": names,
        "ticks": [x for _, x in ticks],
    }


def _paths(shapes: Iterable[Sequence[Point]], box: Box) -> list[str]:
    """What of closed shapes lies in the box."""
    return [path for path in (path_of(clipped(shape, box), close=True) for shape in shapes) if path]


def _land(scene: ViewScene, plane: Plane) -> list[str]:
    """The land from the ridge down, across all that the plane shows."""
    altitudes, azimuths = np.array(scene.ridge).T
    reach, box = plane.reach_deg, plane.box
    around = plane.middle_azimuth_deg + np.linspace(-reach, reach, 181)
    if isinstance(plane, UnrolledPlane):
        around = around[1:-1]
    heights = np.interp(around, azimuths, altitudes, period=360.0)
    line = plane.place(_pairs(heights, around))
    floor = box.bottom + 1000
    shapes = ([*run, (run[-1][0], floor), (run[0][0], floor)] for (run,) in runs(line) if len(run) > 1)
    return _paths(shapes, Box(box.left - 4, box.top - 4, box.right + 4, box.bottom + 4))


def _within(plane: Plane, place: TrackPoint) -> Point | None:
    """Where it falls, if that is in the picture."""
    point = plane.place([(place.altitude_deg, place.azimuth_deg)])[0]
    return point if plane.box.holds(point) else None


def _sky_labels(
    scene: ViewScene, plane: Plane, palette: Palette, core: Point | None, target: Point | None
) -> list[Label]:
    """Beside the core, on the side with room (in a panorama small, inside the arch), and over the target."""
    box, labels = plane.box, []
    if core is not None:
        if isinstance(plane, UnrolledPlane):
            to_left, gap, size = core[0] > (box.left + box.right) / 2, 9, 11.0
            words = say("pictures.letter-core")
        else:
            to_left, gap, size = box.right - core[0] < 110, 13, 13.0
            words = say("pictures.letter-core-up", high_deg=scene.core.altitude_deg)
        x, anchor = core[0] + (-gap if to_left else gap), "end" if to_left else "start"
        labels.append(Label(x, core[1] + 4, words, palette.core, size, anchor, True))
    if target is not None and scene.target is not None:
        name = drawn_name(scene.target_words, say("pictures.target-other"))
        words = say("pictures.letter-target-up", target=name, high_deg=scene.target.altitude_deg)
        labels.append(Label(target[0], target[1] - 13, words, palette.text, 13, "middle", True))
    return spaced(within(label, box.left + 4, box.right - 4) for label in labels)


def _foreground_names(scene: ViewScene, plane: Plane, palette: Palette) -> tuple[list[Point], list[Label]]:
    """A pointer at the foot of each foreground in the frame, and its name on the land below."""
    box = plane.box
    pointers: list[Point] = []
    labels: list[Label] = []
    altitudes, azimuths = np.array(scene.ridge).T
    for foreground in scene.drawn.site.foregrounds:
        bearing_deg = foreground.bearing_deg
        land_deg = float(altitudes[np.argmin(np.abs(turn_deg(azimuths, bearing_deg)))])
        foot = plane.place([(land_deg, bearing_deg)])[0]
        if not box.holds(foot, 4):
            continue
        name = drawn_name(foreground.name, f"{bearing_deg:.0f}°")
        baseline = min(foot[1] + 24, box.bottom - 5)
        label = within(
            Label(foot[0], baseline, name, palette.ground_text, anchor="middle"), box.left + 4, box.right - 4
        )
        if any(label.crosses(other) for other in labels) or baseline - foot[1] < LEAST_LAND:
            continue
        labels.append(label)
        if baseline - foot[1] >= POINTER_AND_NAME:
            pointers.append((foot[0], foot[1] + 3))
    return pointers, labels


def _ticks(plane: Plane, step_deg: float) -> list[tuple[int, float]]:
    """Round azimuths and where they cross the horizon, or the frame's lower part where that is higher."""
    box, middle = plane.box, plane.middle_azimuth_deg
    reach, level = min(plane.reach_deg, 180.0), 0.0
    if isinstance(plane, LensPlane):
        reach = min(plane.reach_deg, 89.0)
        lowest, _ = plane.view.direction(0.0, -plane.view.height_mm / 2)
        level = max(0.0, float(lowest))
    first = int(np.ceil((middle - reach) / step_deg))
    wanted = [k * step_deg for k in range(first, int((middle + reach) / step_deg) + 1)]
    places = plane.place([(level, azimuth) for azimuth in wanted]) if wanted else []
    return [
        (round(azimuth) % 360, x)
        for azimuth, (x, _) in zip(wanted, places, strict=True)
        if box.left + 2 < x < box.right - 2
    ]


def _frames(scene: ViewScene, plan: Panorama, plane: UnrolledPlane) -> list[str]:
    """Outlines of the panorama's frames, as they lie on the unrolled sky."""
    paths: list[str] = []
    side = np.linspace(-1, 1, 9)
    for tilt in plan.tilts_deg:
        for azimuth in plan.azimuths_deg:
            view = CameraView.of(scene.notes.kit, azimuth, tilt, portrait=True)
            half_w, half_h = view.width_mm / 2, view.height_mm / 2
            x = np.concatenate([side * half_w, np.full(9, half_w), -side * half_w, np.full(9, -half_w)])
            y = np.concatenate([np.full(9, half_h), -side * half_h, np.full(9, -half_h), side * half_h])
            altitudes, azimuths = view.direction(x, y)
            outline = plane.place(_pairs(altitudes, azimuths))
            broken = any(abs(b[0] - a[0]) > plane.box.width / 2 for a, b in pairwise(outline))
            paths += [] if broken else _paths([outline], plane.box)
    return paths


def view_alt(scene: ViewScene) -> str:
    """Everything that the frame shows, as sentences."""
    aim, core, target = scene.notes.aim, scene.core, scene.target
    wide_deg, high_deg = scene.notes.kit.field_of_view_deg(portrait=aim.portrait)
    said = [
        say(
            "pictures.view-alt",
            is_upright=aim.portrait,
            article=article(scene.focal),
            focal=scene.focal,
            site=plain(scene.drawn.site.name, LONGEST_NAME),
            at=scene.when,
            wide_deg=wide_deg,
            high_deg=high_deg,
            direction=direction_word(aim.azimuth_deg),
            azimuth_deg=aim.azimuth_deg,
            tilt_deg=aim.tilt_deg,
        )
    ]
    if target is not None:
        name = capital(plain(scene.target_words, LONGEST_NAME))
        said.append(say("pictures.target-up", target=name, **where_stands(target)))
    if core.altitude_deg <= 0:
        said.append(say("pictures.core-below"))
    elif scene.view.holds(core.altitude_deg, core.azimuth_deg):
        said.append(say("pictures.core-up", **where_stands(core)))
    else:
        said.append(say("pictures.core-outside", **where_stands(core)))
    said += [*glow_sentences(scene), *standing_sentences(scene)]
    if not aim.has_ground:
        said.append(say("pictures.view-alt-no-ground"))
    return " ".join(said)


def panorama_alt(scene: ViewScene, plan: Panorama) -> str:
    """The arch and its frames, as sentences."""
    return say(
        "pictures.arch-alt",
        rows=plan.rows,
        site=plain(scene.drawn.site.name, LONGEST_NAME),
        at=scene.when,
        apex_deg=scene.apex.altitude_deg,
        apex_direction=direction_word(scene.apex.azimuth_deg),
        core_deg=scene.core.altitude_deg,
        core_direction=direction_word(scene.core.azimuth_deg),
        frames=plan.frames,
        article=article(scene.focal),
        focal=scene.focal,
        tilts=[f"{tilt:.0f}°" for tilt in plan.tilts_deg],
        step_deg=plan.step_deg,
    )


def standing_sentences(scene: ViewScene, *, drawn: bool = False) -> list[str]:
    """When core or foot stands over each foreground: `The core stands over the peak (196°) at 01:26.`

    Only over those that the site shows: a viewer may be shown a site without them. drawn: for letters in a
    picture, where a name may have some that the packaged font lacks.
    """
    shown = {(each.name, each.bearing_deg) for each in scene.drawn.site.foregrounds}
    usable = [
        each
        for each in scene.notes.standings
        if each.reads_as_over and (each.foreground, each.bearing_deg) in shown
    ]
    said = []
    for found in usable[:MOST_STANDINGS]:
        name = plain(found.foreground, LONGEST_NAME)
        words = drawn_name(found.foreground, say("pictures.a-foreground")) if drawn else name
        where = {"bearing_deg": found.bearing_deg, "at": scene.time(found.at.at)}
        said.append(say("pictures.stands-over", what=found.what, foreground=words, **where))
    return said


def glow_sentences(scene: ViewScene, *, drawn: bool = False) -> list[str]:
    """Towns whose light is in the frame: `Teruel, 27 km away, glows in the east (81°).` drawn: as above."""
    said, unknown = [], say("pictures.a-town")
    reader = Reader(units=scene.units)
    for glow in scene.drawn.glows:
        heights = (0.0, glow.height_deg / 2, glow.height_deg)
        if not any(scene.view.holds(height, glow.bearing_deg) for height in heights):
            continue
        name = drawn_name(glow.name, unknown) if drawn else plain(glow.name, LONGEST_NAME) or unknown
        where = {"direction": direction_word(glow.bearing_deg), "bearing_deg": round(glow.bearing_deg) % 360}
        said.append(say("pictures.glow", reader, town=capital(name), away_km=glow.distance_km, **where))
    return said
