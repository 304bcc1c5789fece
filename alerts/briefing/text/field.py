"""The field plan in words: the evening step by step, the camera, what to pack, what to look for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.briefing.facts.alert import AlertFacts
from alerts.briefing.facts.field_notes import FieldNotes, ShowerNote
from alerts.briefing.text.units import say_speed, say_temperature
from alerts.common.text import (
    LONGEST_NAME,
    WEEKDAYS,
    Clock,
    count_word,
    direction_word,
    length,
    listed,
    plain,
)
from alerts.common.time_text import say_drive
from alerts.common.units import Units, in_units
from alerts.field.exposure import Exposure, ShutterRule, say_shutter
from alerts.field.frame_plan import HIGHEST_OVER_DEG, FramePlan
from alerts.field.panorama import Panorama

DAYLIGHT_SCOUTING = timedelta(minutes=45)
MOST_EARLIER = timedelta(hours=3)
LOOK_FIRST = timedelta(minutes=30)
COOL_C, COLD_C, BITTER_C = 12.0, 5.0, -5.0
WINDY_MS = 5.0
WET_PCT = 15.0
LONG_TRIP = timedelta(hours=7)

SILENCE = "The signal is lost about now: the last word comes before. No message after this means nothing."
_STAYING = ": be inside before, you stay until it opens."
_LEAVING = ": be outside before."

BEFORE_DARK = (
    "Manual mode, raw files, long-exposure noise reduction off: it would take a dark frame after each one.",
    "Manual focus on a bright star at the largest magnification: near infinity, rarely on the mark. Tape it.",
    "Two-second delay or a remote release; stabiliser off on the tripod.",
    "Screen dimmed to its lowest, so that dark frames look dark and your eyes stay used to it.",
    "Full batteries in the camera, an empty card, the lens cap where you find it for the dark frames.",
)
"""Common practice."""
ALWAYS_PACK = (
    "headlamp with red light and spare cells",
    "tripod",
    "spare camera batteries, kept warm",
    "charged phone, offline map, power bank",
    "water and something to eat",
)
"""Common practice."""


@dataclass(frozen=True, slots=True)
class Step:
    """One line of the evening. time: on the clock that its zone names; tone as in `view.Row`."""

    time: str
    text: str
    tone: str = ""


@dataclass(frozen=True, slots=True)
class FieldView:
    """The words of the field plan, section by section; empty sections say nothing."""

    steps: tuple[Step, ...]
    camera: tuple[str, ...]
    pack: tuple[str, ...]
    before_dark: tuple[str, ...]
    on_the_spot: tuple[str, ...]
    showers: tuple[str, ...]


def field_view(facts: AlertFacts, notes: FieldNotes, field: Clock, home: Clock, units: Units) -> FieldView:
    """field: the site's clock; home: the person's, for leaving and coming home."""
    return FieldView(
        steps=tuple(_steps(facts, notes, field, home, units)),
        camera=camera_sentences(notes, field),
        pack=_pack(facts, notes, units),
        before_dark=BEFORE_DARK,
        on_the_spot=tuple(_on_the_spot(facts, notes, field)),
        showers=tuple(_shower(shower, field) for shower in notes.showers),
    )


_Moment = tuple[datetime, str, str]


def _steps(facts: AlertFacts, notes: FieldNotes, field: Clock, home: Clock, units: Units) -> list[Step]:
    """Every moment of the trip in order, from leaving to being home."""
    moments = [
        *_travel(facts, notes, field, units),
        *_dusk(facts, notes),
        *_moon(facts, notes),
        *_window(facts, notes),
    ]
    moments.sort(key=lambda moment: moment[0])
    steps = [Step(_time(field, at, facts), text, tone) for at, text, tone in moments]
    if facts.leave_by is not None:
        latest = f" Leaving after {home.time(notes.latest_departure)} is too late." * (
            notes.latest_departure > facts.leave_by
        )
        start = f" from {plain(notes.start, LONGEST_NAME)}" if notes.start else ""
        drive = f", {say_drive(facts.estimate, is_estimate=True)}" if facts.estimate else ""
        leave = f"Leave{start}{drive}.{latest}"
        steps.insert(0, Step(_time(home, facts.leave_by, facts), leave, "lamp"))
    if facts.home_about is not None:
        steps.append(Step(_time(home, facts.home_about, facts), "Home, about. Sleep first if you are tired."))
    return steps


def _travel(facts: AlertFacts, notes: FieldNotes, field: Clock, units: Units) -> Iterator[_Moment]:
    if notes.signal_lost_at is not None:
        yield notes.signal_lost_at, SILENCE, ""
    yield notes.arrive, f"Arrive and scout{_by_what_light(facts, notes, field)}", ""
    yield from _gate(facts, notes, units)


def _gate(facts: AlertFacts, notes: FieldNotes, units: Units) -> Iterator[_Moment]:
    """When the gate closes and opens, as far as that falls into the stay."""
    if notes.gate is None or notes.gate_closes is None or facts.home_about is None:
        return
    if notes.gate_closes < facts.home_about:
        hours = in_units(f"The gate closes (open {notes.gate.hours})", units)
        yield notes.gate_closes, f"{hours}{_STAYING if notes.gate.may_stay else _LEAVING}", ""
    stays = notes.gate.may_stay and notes.gate_closes < facts.home_about
    if stays and notes.gate_opens is not None and notes.gate_opens <= facts.home_about:
        yield notes.gate_opens, "The gate opens: the way home is free.", ""


def _by_what_light(facts: AlertFacts, notes: FieldNotes, field: Clock) -> str:
    """Whether one arrives in daylight, and when one would have to leave for it."""
    if facts.sunset is None or notes.arrive < facts.sunset - timedelta(minutes=20):
        return " in daylight." if facts.sunset is not None else "."
    light = " in the last light" if notes.civil_dusk and notes.arrive < notes.civil_dusk else " by lamp"
    earlier = notes.arrive - (facts.sunset - DAYLIGHT_SCOUTING)
    if earlier > MOST_EARLIER:
        return f"{light}: know the place from daylight."
    five_minutes = timedelta(minutes=5)
    return (
        f"{light}. To scout in daylight leave {length(-(-earlier // five_minutes) * five_minutes)} earlier."
    )


def _dusk(facts: AlertFacts, notes: FieldNotes) -> Iterator[_Moment]:
    named = (
        (facts.sunset, "Sunset."),
        (notes.civil_dusk, "Civil twilight ends: walk with a lamp from here on."),
        (notes.nautical_dusk, "Nautical twilight ends: bright stars to focus on."),
        (notes.full_dark, "" if _opens_window(facts, notes.full_dark) else "Fully dark."),
        (notes.dawn, "First light of dawn."),
        (facts.sunrise, "Sunrise."),
    )
    for at, text in named:
        if at is not None and text and _on_trip(facts, notes, at):
            yield at, text, ""


def _opens_window(facts: AlertFacts, at: datetime | None) -> bool:
    if at is None or facts.window is None:
        return False
    return abs(facts.window.start - at) < timedelta(minutes=2)


def _moon(facts: AlertFacts, notes: FieldNotes) -> Iterator[_Moment]:
    lit = f"{100 * notes.moon_lit:.0f} % lit"
    for times, verb in ((notes.moon_rises, "rises"), (notes.moon_sets, "sets")):
        for at in times:
            if _on_trip(facts, notes, at):
                yield at, f"Moon {verb} ({lit}).", "moon"


def _on_trip(facts: AlertFacts, notes: FieldNotes, at: datetime) -> bool:
    """Between arriving and packing up; the sunset also on the way."""
    begins = facts.leave_by or notes.arrive if at == facts.sunset else notes.arrive
    ends = facts.window.end if facts.window else notes.give_up_at
    return begins <= at <= ends + timedelta(minutes=30)


def _window(facts: AlertFacts, notes: FieldNotes) -> Iterator[_Moment]:
    name = plain(facts.target_name, LONGEST_NAME)
    places = [f"{name} {direction_word(p.azimuth_deg)}, {p.altitude_deg:.0f}° high" for p in facts.core]
    if facts.window is not None:
        said = [*places, "", "", ""]
        yield facts.window.start, "Window opens" + (f": {said[0]}." if said[0] else "."), "lamp"
        if len(places) == 3:
            yield facts.core[1].at, f"Middle: {said[1]}.", "core"
        end = f": {said[len(places) - 1]}" if places else ""
        yield facts.window.end, f"Window ends{end}. Pack up; check the ground for what you put down.", "lamp"
    for standing in notes.standings:
        if standing.what == "foot" or standing.at.altitude_deg <= HIGHEST_OVER_DEG:
            what = "The core" if standing.what == "core" else "The Milky Way's foot"
            where = f"{plain(standing.foreground, LONGEST_NAME)} ({standing.bearing_deg:.0f}°)"
            yield standing.at.at, f"{what} stands over {where}.", "core"
    shutter = say_shutter(notes.frames.shutter_s)
    yield notes.frames.start_at, f"Start the series of {notes.frames.frames} frames ({shutter} each).", ""


def _time(clock: Clock, at: datetime, facts: AlertFacts) -> str:
    """`19:40`, with the weekday once the night's date has passed: `Sun 01:50`."""
    day = clock.day(at)
    return clock.time(at) if day == facts.night else f"{WEEKDAYS[day.weekday()][:3]} {clock.time(at)}"


def _pack(facts: AlertFacts, notes: FieldNotes, units: Units) -> tuple[str, ...]:
    """What this night asks for, before what every night does."""
    air, special = notes.air, []
    special += [_clothes(air.felt_c, units)]
    if air.on_lens:
        special.append(
            f"lens heater, or a hand warmer and a rubber band: {air.on_lens} on the lens is likely"
        )
    if air.wind_ms is not None and air.wind_ms >= WINDY_MS:
        special.append(f"a weight for the tripod: wind up to {say_speed(air.wind_ms, units)}")
    if air.wet_pct is not None and air.wet_pct >= WET_PCT:
        special.append(f"rain cover for the camera: {air.wet_pct:.0f} % chance of rain or snow")
    if facts.leave_by and facts.home_about and facts.home_about - facts.leave_by > LONG_TRIP:
        special.append("something hot to drink: it is a long night")
    return (*special, *ALWAYS_PACK)


def _clothes(felt_c: float | None, units: Units) -> str:
    if felt_c is None:
        return "warm clothes: nobody says how cold it gets"
    felt = f"it will feel like {say_temperature(felt_c, units)}"
    if felt_c <= BITTER_C:
        return f"down jacket, hat, two pairs of gloves, insulated boots, hand warmers: {felt}"
    if felt_c <= COLD_C:
        return f"winter jacket, hat, gloves, warm shoes: {felt}"
    if felt_c <= COOL_C:
        return f"warm jacket and hat: {felt}"
    return f"a jacket for standing still: {felt}"


def _on_the_spot(facts: AlertFacts, notes: FieldNotes, field: Clock) -> Iterator[str]:
    """What decides on the ground, as no message may reach there."""
    if facts.window is not None and facts.core:
        toward = direction_word(facts.core[0].azimuth_deg)
        first = field.time(facts.window.start - LOOK_FIRST)
        yield f"At {first} look toward the {toward}: stars down to the land there mean that it holds."
    wished = length(facts.shortest_window)
    yield (
        f"If cloud stands in the {direction_word(notes.look_deg)} by {field.time(notes.give_up_at)}, "
        f"go home: less than {wished} of the window would be left."
    )
    yield "Lightning, rising fog or a wind that moves the tripod: pack up at once."
    yield "Give your eyes twenty minutes in the dark; use the red lamp only."


def _shower(shower: ShowerNote, field: Clock) -> str:
    """`Perseids: 3 days before the peak; radiant 62° up in the north-east at 05:00.`"""
    highest = shower.highest
    radiant = (
        f"radiant {highest.altitude_deg:.0f}° up in the {direction_word(highest.azimuth_deg)} "
        f"at {field.time(highest.at)}"
    )
    rate = f"at best about {shower.hourly} an hour for one pair of eyes; " if shower.hourly else ""
    return f"{shower.name}: {_from_peak(shower.days_to_peak)}; {rate}{radiant}."


def _from_peak(days: float) -> str:
    whole = round(abs(days))
    if abs(days) <= 0.5:
        return "the peak is tonight"
    if whole <= 1:
        return "a day before the peak" if days > 0 else "a day after the peak"
    return f"{whole} days {'before' if days > 0 else 'after'} the peak"


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
