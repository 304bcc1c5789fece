"""The pictures of what the camera will see: through the lens, and for an arch the panorama."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from alerts.briefing.pictures.drawing import (
    BODY,
    LIGHT,
    NARROW,
    Label,
    Palette,
    Picture,
    drawn_name,
    heading,
    path_of,
    render,
    spaced,
    within,
    wrapped,
)
from alerts.briefing.pictures.frame_scene import (
    ViewScene,
    glow_sentences,
    panorama_alt,
    standing_sentences,
    view_alt,
)
from alerts.briefing.pictures.geometry import (
    Box,
    LensPlane,
    Plane,
    Point,
    UnrolledPlane,
    clipped,
    runs,
    strips,
)
from alerts.common.name_tables import direction_letters
from alerts.common.phrases import say
from alerts.common.text import article
from alerts.field.frame_plan import Panorama
from alerts.field.projection import CameraView
from alerts.sky.night import TrackPoint

EDGE = 12.0
LINE = 17.0
UPRIGHT_WIDTH = 0.62
"""Width of an upright frame, of the room that a level one fills."""
OPACITIES = (0.16, 0.2, 0.3)
LEAST_LAND, POINTER_AND_NAME = 12.0, 23.0
"""Height of land in the picture on which a name fits, and on which a pointer fits over it."""
BELOW_DEG, ABOVE_DEG = 18.0, 16.0
"""Land and sky that a panorama shows below the horizon and above the apex."""


def draw_view(scene: ViewScene, palette: Palette = LIGHT, *, width: int = NARROW) -> Picture:
    """One frame through the lens; the picture's edge is the frame's."""
    view, aim = scene.view, scene.aim
    focal = f"{scene.kit.focal_mm:g}"
    title = say(
        "pictures.view-title",
        is_assumed=bool(scene.kit.assumed),
        article=article(focal),
        focal=focal,
        at=scene.time(scene.at),
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
    caption = _caption(said, box.bottom + 36, width, palette)
    values = _values(scene, LensPlane(view, box), palette, step_deg, [*head, *caption])
    height = round((caption[-1].y if caption else box.bottom + 18) + 12)
    return render(Picture("view", "", view_alt(scene), width, height), palette, values)


def draw_panorama(scene: ViewScene, palette: Palette = LIGHT, *, width: int = NARROW) -> Picture:
    """The whole arch, unrolled, with the frames that hold it. The scene must have a panorama."""
    plan = scene.panorama
    assert plan is not None, "only an arch has a panorama"
    focal = f"{scene.kit.focal_mm:g}"
    title = say("pictures.arch-title", at=scene.time(scene.at))
    frames = say("pictures.arch-frames", frames=plan.frames, rows=plan.rows, focal=focal)
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
    caption = _caption([said], box.bottom + 36, width, palette)
    numbers = [  # 1, 2, 3 … along the top, where each frame of a row points
        Label(x, box.top + 13, str(k), palette.text, 11, "middle")
        for k, (x, _) in enumerate(plane.place([(0.0, each) for each in plan.azimuths_deg]), start=1)
    ]
    values = _values(scene, plane, palette, 30.0, [*head, *caption])
    values |= {"frames": _frames(scene, plan, plane), "numbers": numbers}
    alt, height = panorama_alt(scene, plan), round(caption[-1].y + 12)
    return render(Picture("panorama", "", alt, width, height), palette, values)


def _caption(sentences: Sequence[str], top: float, width: int, palette: Palette) -> list[Label]:
    lines = [line for said in sentences for line in wrapped(said, width - 2 * EDGE, BODY)]
    return [Label(EDGE, top + k * LINE, line, palette.text) for k, line in enumerate(lines)]


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
    jump, band = (box.right - box.left) * 0.6 if is_unrolled else math.inf, []
    for strip, opacity in zip(scene.strips, OPACITIES, strict=True):
        shapes = strips(plane.place(strip.upper), plane.place(strip.lower), widest_step=jump)
        if path := " ".join(_paths(shapes, box)):
            band.append((path, opacity))
    domes = []
    for glow in scene.glows:
        bearing_deg = glow.bearing_deg
        points = [(0, bearing_deg), (0, bearing_deg + glow.half_width_deg), (glow.height_deg, bearing_deg)]
        middle, side, top = plane.place(points)
        if not np.isnan([*middle, *side, *top]).any():
            rx, ry = abs(side[0] - middle[0]), abs(top[1] - middle[1])
            domes.append({"x": middle[0], "y": middle[1], "rx": rx, "ry": ry})

    # the ground: foregrounds of known height as plain blocks, their place and size, not their shape
    objects = []
    for each in scene.foregrounds:
        if each.height_deg is not None:
            half = each.width_deg / 2
            edge = np.linspace(each.bearing_deg - half, each.bearing_deg + half, 5).tolist()
            top_line = plane.place([(each.height_deg, azimuth) for azimuth in edge])
            base_line = plane.place([(-3.0, azimuth) for azimuth in edge])
            objects += _paths(strips(top_line, base_line), box)
    ticks, (pointers, names) = _ticks(plane, step_deg), _foreground_names(scene, plane, palette)
    azimuths = [
        Label(
            x,
            box.bottom + 18,
            direction_letters(azimuth) if azimuth % 45 == 0 else f"{azimuth}°",
            palette.muted,
            anchor="middle",
        )
        for azimuth, x in ticks
    ]
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
    by_azimuth = {azimuth: altitude for altitude, azimuth in scene.ridge}
    azimuths = np.array(sorted(by_azimuth))
    altitudes = np.array([by_azimuth[azimuth] for azimuth in azimuths])
    reach, box = plane.reach_deg, plane.box
    around = plane.middle_azimuth_deg + np.linspace(-reach, reach, 181)
    if isinstance(plane, UnrolledPlane):
        around = around[1:-1]
    heights = np.interp(around, azimuths, altitudes, period=360.0)
    line = plane.place(list(zip(heights.tolist(), around.tolist(), strict=True)))
    floor = box.bottom + 1000
    shapes = ([*run, (run[-1][0], floor), (run[0][0], floor)] for run in runs(line) if len(run) > 1)
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
    for foreground in scene.foregrounds:
        bearing_deg = foreground.bearing_deg
        land_deg, _ = min(scene.ridge, key=lambda pair: abs((pair[1] - bearing_deg + 180) % 360 - 180))
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
            view = CameraView.of(scene.kit, azimuth, tilt, portrait=True)
            half_w, half_h = view.width_mm / 2, view.height_mm / 2
            x = np.concatenate([side * half_w, np.full(9, half_w), -side * half_w, np.full(9, -half_w)])
            y = np.concatenate([np.full(9, half_h), -side * half_h, np.full(9, -half_h), side * half_h])
            altitudes, azimuths = view.direction(x, y)
            outline = plane.place(list(zip(altitudes.tolist(), azimuths.tolist(), strict=True)))
            jump = plane.box.right - plane.box.left
            broken = any(abs(b[0] - a[0]) > jump / 2 for a, b in pairwise(outline))
            paths += [] if broken else _paths([outline], plane.box)
    return paths
