"""What the camera will see, in words."""

from __future__ import annotations

from alerts.briefing.facts.field_notes import Standing, TownGlow
from alerts.briefing.pictures.drawing import drawn_name
from alerts.briefing.pictures.frame_scene import ViewScene
from alerts.briefing.text.units import say_distance
from alerts.common.text import LONGEST_NAME, article, capital, clock_in, direction_word, listed, plain
from alerts.common.units import Units
from alerts.field.frame_plan import HIGHEST_OVER_DEG
from alerts.field.panorama import Panorama

MOST_STANDINGS = 3


def view_alt(scene: ViewScene) -> str:
    """Everything that the frame shows, as sentences."""
    time = clock_in(scene.zone, [scene.at], scene.units.clock_hours).time(scene.at)
    aim = scene.aim
    held = "upright" if aim.portrait else "level"
    wide, high = scene.kit.field_of_view_deg(portrait=aim.portrait)
    focal = f"{scene.kit.focal_mm:g}"
    said = [
        f"What {article(focal)} {focal} mm lens sees from {plain(scene.site_name, LONGEST_NAME)} at {time}: "
        f"{wide:.0f}° by {high:.0f}°, held {held}, toward {direction_word(aim.azimuth_deg)} "
        f"({aim.azimuth_deg:.0f}°), tilted up {aim.tilt_deg:.0f}°.",
        _target(scene),
        _core(scene),
        *glow_sentences(scene),
        *standing_sentences(scene),
    ]
    if not aim.has_ground:
        said.append("No ground is in the frame.")
    return " ".join(part for part in said if part)


def panorama_alt(scene: ViewScene, plan: Panorama) -> str:
    """The arch and its frames, as sentences."""
    time = clock_in(scene.zone, [scene.at], scene.units.clock_hours).time(scene.at)
    apex = scene.apex
    rows = f" in {plan.rows} rows" if plan.rows > 1 else ""
    tilts, focal = listed([f"{tilt:.0f}°" for tilt in plan.tilts_deg]), f"{scene.kit.focal_mm:g}"
    return (
        f"The Milky Way's arch from {plain(scene.site_name, LONGEST_NAME)} at {time}: its top "
        f"{apex.altitude_deg:.0f}° up in the {direction_word(apex.azimuth_deg)}, the core "
        f"{scene.core.altitude_deg:.0f}° up in the {direction_word(scene.core.azimuth_deg)}. "
        f"It takes {plan.frames} upright frames{rows} with {article(focal)} {focal} mm lens, "
        f"tilted up {tilts}, {plan.step_deg:.0f}° apart."
    )


def standing_sentences(scene: ViewScene, *, drawn: bool = False) -> list[str]:
    """When core or foot stands over each foreground: `The core stands over the peak (196°) at 01:26.`

    drawn: for letters in a picture, where a name may have some that the packaged font lacks.
    """
    usable = [found for found in scene.standings if _reads_as_over(found)]
    return [_standing(found, scene, drawn=drawn) for found in usable[:MOST_STANDINGS]]


def _standing(found: Standing, scene: ViewScene, *, drawn: bool) -> str:
    what = "The core" if found.what == "core" else "The foot of the Milky Way"
    name = found.foreground
    name = drawn_name(name, "the foreground") if drawn else plain(name, LONGEST_NAME)
    time = clock_in(scene.zone, [found.at.at], scene.units.clock_hours).time(found.at.at)
    return f"{what} stands over {name} ({found.bearing_deg:.0f}°) at {time}."


def _reads_as_over(found: Standing) -> bool:
    return found.what == "foot" or found.at.altitude_deg <= HIGHEST_OVER_DEG


def _target(scene: ViewScene) -> str:
    if scene.target is None:
        return ""
    name, place = plain(scene.target_words, LONGEST_NAME), scene.target
    where = f"{place.altitude_deg:.0f}° up in the {direction_word(place.azimuth_deg)}"
    return f"{capital(name)} stands {where}."


def _core(scene: ViewScene) -> str:
    core = scene.core
    if core.altitude_deg <= 0:
        return "The core is below the horizon."
    where = f"{core.altitude_deg:.0f}° up in the {direction_word(core.azimuth_deg)}"
    inside = scene.view.holds(core.altitude_deg, core.azimuth_deg)
    return f"The core stands {where}." if inside else f"The core, {where}, is outside the frame."


def glow_sentences(scene: ViewScene, *, drawn: bool = False) -> list[str]:
    """Towns whose light is in the frame: `Teruel, 27 km away, glows in the east (81°).` drawn: as above."""
    return [_glow(glow, scene.units, drawn=drawn) for glow in scene.glows if _is_framed(glow, scene)]


def _is_framed(glow: TownGlow, scene: ViewScene) -> bool:
    """Whether any of the dome's middle line is in the frame."""
    heights = (0.0, glow.height_deg / 2, glow.height_deg)
    return any(scene.view.holds(height, glow.bearing_deg) for height in heights)


def _glow(glow: TownGlow, units: Units, *, drawn: bool) -> str:
    unknown = "a town"
    name = drawn_name(glow.name, unknown) if drawn else plain(glow.name, LONGEST_NAME) or unknown
    where = f"{direction_word(glow.bearing_deg)} ({round(glow.bearing_deg) % 360}°)"
    return f"{capital(name)}, {say_distance(glow.distance_km, units)} away, glows in the {where}."
