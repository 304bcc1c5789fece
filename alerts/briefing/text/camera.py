"""The camera in words: where to point it, what to set and why, how many frames."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from alerts.briefing.facts.field_notes import FieldNotes
from alerts.common.text import LONGEST_NAME, Clock, count_word, direction_word, listed, plain
from alerts.field.exposure import Exposure, ShutterRule, say_shutter
from alerts.field.frame_plan import FramePlan
from alerts.field.panorama import Panorama


def camera_sentences(notes: FieldNotes, field: Clock) -> tuple[str, ...]:
    """What to set, what that costs, and the frames to take."""
    said = [*map(str, notes.kit.assumed), _frame(notes), _settings(notes.exposure), _cost(notes)]
    said.append(_series(notes.frames, field))
    if notes.panorama is not None:
        said += _panorama(notes.panorama)
    return (*said, *map(str, notes.exposure.hints))


def _frame(notes: FieldNotes) -> str:
    kit, aim = notes.kit, notes.aim
    wide, high = kit.field_of_view_deg(portrait=aim.portrait)
    held = "upright" if aim.portrait else "level"
    name, camera = plain(notes.subject, LONGEST_NAME), plain(kit.camera.name, LONGEST_NAME)
    fits = (
        f"ground and {name} fit in one frame"
        if aim.has_ground
        else f"{name} stands too high for ground in the frame"
    )
    return (
        f"{kit.lens_words} on {camera} sees {wide:.0f}° × {high:.0f}° held {held}. Point it at "
        f"{aim.azimuth_deg:.0f}° ({direction_word(aim.azimuth_deg)}), tilted up {aim.tilt_deg:.0f}°: {fits}."
    )


def _settings(exposure: Exposure) -> str:
    return (
        f"Start with {say_shutter(exposure.shutter_s)}, f/{exposure.aperture.f_number:g} "
        f"({exposure.aperture.why}), ISO {exposure.iso.value} ({exposure.iso.why})."
    )


def _cost(notes: FieldNotes) -> str:
    """The rules of thumb by their names, and the exact figures beside them."""
    exposure, subject = notes.exposure, plain(notes.subject, LONGEST_NAME)
    start, *others = exposure.rules
    thumbs = [f"{say_shutter(rule.set_s)} by {rule.name} ({_px(rule)})" for rule in others if rule.is_thumb]
    exact = [
        f"{say_shutter(rule.set_s)} to stay within {rule.name.replace('the core', subject)}"
        for rule in others
        if not rule.is_thumb
    ]
    return (
        f"{say_shutter(exposure.shutter_s)} is what the {start.name} gives, a rule of thumb: on this sensor "
        f"stars then trail {exposure.core_px:.1f} px at {subject} and {exposure.worst_px:.0f} px at worst in "
        "the frame. "
        f"Other rules of thumb give {listed(thumbs)}; exactly, it takes {listed(exact)}."
    )


def _px(rule: ShutterRule) -> str:
    return f"{rule.core_px:.1f} px"


def _series(frames: FramePlan, field: Clock) -> str:
    what = "the core" if frames.what == "core" else "the Milky Way's foot"
    over = (
        f", so that {what} stands over {plain(frames.over, LONGEST_NAME)} in their middle"
        if frames.over
        else ""
    )
    return (
        f"Take {count_word(frames.frames)} identical frames from {field.time(frames.start_at)} on "
        f"({_minutes(frames.sky_s)}){over}, then {count_word(frames.darks)} dark frames with the cap on, "
        f"at the same settings and temperature ({_minutes(frames.darks_s)})."
    )


def _panorama(plan: Panorama) -> Iterator[str]:
    tilts = listed([f"{tilt:.0f}°" for tilt in plan.tilts_deg])
    rows = f"{count_word(plan.rows)} rows" if plan.rows > 1 else "one row"
    yield (
        f"For the whole arch: {plan.frames} upright frames in {rows}, left to right, turned "
        f"{plan.step_deg:.0f}° each time ({plan.overlap * 100:.0f} % overlap), tilted up {tilts}."
    )
    yield (
        f"A row takes {_minutes(plan.row_s)}; the sky turns {plan.row_drift_deg:.1f}° meanwhile "
        f"and {plan.seam_drift_deg:.1f}° from a frame to the next, which stitching takes up. "
        "Don't pause in a row."
    )


def _minutes(seconds: float) -> str:
    """`3 min 52 s`, `58 s`."""
    minutes, rest = divmod(round(timedelta(seconds=seconds).total_seconds()), 60)
    words = (f"{minutes} min" * bool(minutes), f"{rest} s" * bool(rest))
    return " ".join(word for word in words if word) or "0 s"
