"""The picture of a night in words, for those who can't see it."""

from __future__ import annotations

from alerts.briefing.facts.whole_minutes import track_to_the_minute
from alerts.briefing.pictures.night_scene import NightScene
from alerts.common.text import LONGEST_NAME, Clock, capital, direction_word, long_day, plain
from alerts.common.time_text import nearest_minute, whole_minutes


def night_alt(scene: NightScene, clock: Clock) -> str:
    """Everything that the picture shows, as sentences."""
    zone = clock.zone_word(scene.span.start)
    said = [
        f"The night of {long_day(scene.night)} at {plain(scene.site_name, LONGEST_NAME)}, times in {zone}."
    ]
    said += [_sun(scene, clock), _window(scene, clock), _target(scene, clock)]
    said += [f"{capital(moon_words(scene, clock))}.", _cloud(scene, clock)]
    return " ".join(part for part in said if part)


def moon_words(scene: NightScene, clock: Clock) -> str:
    """`Moon, 3 % lit, sets 22:40`; where it never crosses, whether it is up or down all night."""
    lit = f"Moon, {100 * scene.moon_lit:.0f} % lit"
    turns = [(at, "rises") for at in scene.moon_rises] + [(at, "sets") for at in scene.moon_sets]
    if turns:
        said = [f"{verb} {clock.time(nearest_minute(at))}" for at, verb in sorted(turns)]
        return ", ".join([lit, *said])
    middle = scene.moon[len(scene.moon) // 2]
    return f"{lit}, {'up' if middle.altitude_deg > 0 else 'down'} all night"


def _sun(scene: NightScene, clock: Clock) -> str:
    if scene.sunset is None or scene.sunrise is None:
        up = scene.sun[len(scene.sun) // 2].altitude_deg > -0.8
        return "The Sun stays up." if up else "The Sun stays down."
    sets, rises = (clock.time(nearest_minute(at)) for at in (scene.sunset, scene.sunrise))
    return f"The Sun sets {sets} and rises {rises}."


def _window(scene: NightScene, clock: Clock) -> str:
    if scene.window is None:
        return "There is no dark window."
    window = whole_minutes(scene.window)
    return f"The dark window runs from {clock.time(window.start)} to {clock.time(window.end)}."


def _target(scene: NightScene, clock: Clock) -> str:
    if not scene.marks:
        return ""
    name = plain(scene.target_words, LONGEST_NAME)
    places = (
        f"{direction_word(mark.azimuth_deg)} at {mark.altitude_deg:.0f}° at {clock.time(mark.at)}"
        for mark in track_to_the_minute(scene.marks)
    )
    return f"In it the {name} stands " + ", then ".join(places) + "."


def _cloud(scene: NightScene, clock: Clock) -> str:
    known = [(hour.span.middle, hour.cloud_pct) for hour in scene.cloud if hour.cloud_pct is not None]
    known = [(at, pct) for at, pct in known if scene.span.contains(at)]
    if not known:
        return "No forecast of cloud reaches this night."
    middle = scene.window.middle if scene.window else scene.span.middle
    nearest = min(known, key=lambda entry: abs(entry[0] - middle))
    shown = sorted({known[0], nearest, known[-1]})
    said = ", ".join(f"{pct} % at {clock.time(at)}" for at, pct in shown)
    return f"Chance of cloud: {said}."
