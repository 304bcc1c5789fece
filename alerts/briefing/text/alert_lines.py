"""What a chance rests on, and how dark the sky is where the camera looks, in words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import datetime

from alerts.briefing.facts.alert import AlertFacts
from alerts.briefing.facts.field_notes import SkyNote, TownGlow
from alerts.common.text import (
    LONGEST_NAME,
    Clock,
    capital,
    direction_word,
    long_day,
    plain,
    sentence,
)
from alerts.judging.site_choice import OtherSite
from alerts.judging.verdict import VerdictWord
from alerts.judging.window_brightness import SLIGHT_LOSS_MAG, SMOKE_TOLD_FROM_MAG
from alerts.notifying.model import AlertKind


def say_models(facts: AlertFacts) -> str:
    """`Each alone 45 to 90 %; together 6 points up with their last runs`; "" where neither is known."""
    parts = []
    if facts.spread_pct is not None and facts.spread_pct[0] != facts.spread_pct[1]:
        parts.append(f"each alone {facts.spread_pct[0]} to {facts.spread_pct[1]} %")
    if facts.change_pct is not None:
        parts.append(f"together {_moved(facts.change_pct)} with their last runs")
    return capital("; ".join(parts))


def _moved(points: int) -> str:
    if points == 0:
        return "unchanged"
    return f"{abs(points)} point{'s' * (abs(points) > 1)} {'up' if points > 0 else 'down'}"


def say_sight(facts: AlertFacts) -> str:
    """`Overhead clears, the south-east doesn't (overhead alone: 84 %)`; "" where both say the same."""
    if not facts.sight:
        return ""
    alone = "" if facts.overhead_pct is None else f" (overhead alone: {facts.overhead_pct} %)"
    return capital(plain(facts.sight)) + alone


def say_sky(sky: SkyNote) -> str:
    """`20.8 mag/arcsec² at the core (22 is as dark as it gets); smoke or dust: …`."""
    subject = plain(sky.subject, LONGEST_NAME)
    parts = [f"{sky.mag_arcsec2:.1f} mag/arcsec² at {subject} (22 is as dark as it gets)"]
    if sky.loss_mag >= SLIGHT_LOSS_MAG:
        parts.append(f"Moon and twilight brighten it by up to {sky.loss_mag:.1f} mag")
    if sky.smoke_mag >= SMOKE_TOLD_FROM_MAG:
        parts.append(f"smoke or dust: {subject} is dimmed by {sky.dimmed_mag:.1f} mag")
    return "; ".join(parts)


def say_towns(sky: SkyNote) -> str:
    """`Teruel in the east (81°), 27 km, under the core; Madrid in the west (274°), 194 km`."""
    return "; ".join(_towns(sky))


def _towns(sky: SkyNote) -> Iterator[str]:
    if sky.inside:
        yield f"Inside {plain(sky.inside, LONGEST_NAME)}: its own light all round"
    for town in sky.towns:
        under = f", under {plain(sky.subject, LONGEST_NAME)}" if town.under_target else ""
        yield f"{town_words(town)}{under}"


def town_words(town: TownGlow) -> str:
    """`Teruel in the east (81°), 27 km`, in metric units."""
    name = plain(town.name, LONGEST_NAME) or "a town"
    bearing_deg = round(town.bearing_deg) % 360
    return f"{name} in the {direction_word(town.bearing_deg)} ({bearing_deg}°), {town.distance_km:.0f} km"


NO_MORE = "No message after this means nothing."
"""After a last word silence must not be read as good news, nor as bad."""


_STANDS = {VerdictWord.GO: "go", VerdictWord.WAIT: "not sure yet", VerdictWord.UNKNOWN: "can't say"}


def last_said(facts: AlertFacts) -> str:
    """`still go (78 %)`, `stand down`, `can't be confirmed`; "" where this isn't the last word."""
    if not facts.is_last_word or facts.preview:
        return ""
    if facts.kind is AlertKind.STAND_DOWN:
        return "stand down"
    if facts.verdict is VerdictWord.UNKNOWN or facts.chance_pct is None:
        return "can't be confirmed"
    word = "go" if facts.told_at is None else "still go"
    return f"{word} ({facts.chance_pct} %)"


def last_word(facts: AlertFacts, home: Clock) -> str:
    """`Last word before you lose signal at 20:30: still go (78 %). No message after this means nothing.`"""
    said = last_said(facts)
    if not said:
        return ""
    if facts.kind is not AlertKind.STAND_DOWN and facts.chance_pct is None:
        said = plain(facts.cause).rstrip(".") or f"it {said}"
    if facts.doubt:
        said += f", {plain(facts.doubt)}"
    at = "" if facts.signal_lost_at is None else f" at {home.time(facts.signal_lost_at)}"
    return f"Last word before you lose signal{at}: {said}. {NO_MORE}"


def fork_line(facts: AlertFacts) -> str:
    """`Leave by 18:10 either way; decide at 20:30: East 74 %, West 41 %.`"""
    return sentence(plain(facts.fork)) if facts.fork else ""


def other_lines(facts: AlertFacts, home: Clock) -> Iterator[str]:
    """`Salt Pan East: go, 74 %, leave by 21:14`: each other site of that night, best first."""
    return (_other_line(each, facts, home) for each in facts.others)


def _other_line(other: OtherSite, facts: AlertFacts, home: Clock) -> str:
    said = [_STANDS.get(other.verdict, other.verdict.value)]
    said += [] if other.chance_pct is None else [f"{other.chance_pct} %"]
    said.append(_when_to_leave(other, facts, home))
    return f"{plain(other.site_name, LONGEST_NAME)}: {', '.join(filter(None, said))}"


def _when_to_leave(other: OtherSite, facts: AlertFacts, home: Clock) -> str:
    """`leave by 21:14`; once that is past, until when leaving still helps."""
    if other.leave_by is not None and other.leave_by > facts.decided_at:
        return f"leave by {_say(other.leave_by, facts, home)}"
    if other.latest_departure is not None:
        return f"worth leaving until {_say(other.latest_departure, facts, home)}"
    return ""


def _say(at: datetime, facts: AlertFacts, home: Clock) -> str:
    """`21:14`, with the weekday on another day than the night's evening."""
    day = home.day(at)
    return home.time(at) if day == facts.night else f"{long_day(day).split()[0]} {home.time(at)}"


CAUTIONS = (
    "Official weather warnings, local rules and the rescue services come first, before anything "
    "written here. Check the warnings for the place before you leave.",
    "Driving at night is tiring. Rest before you leave, stop when you are sleepy, and sleep there rather "
    "than drive home tired.",
    "It will feel colder than it does at home: you stand still for hours. Take one more layer than seems "
    "right.",
    "Weather can turn faster than any forecast. If it does, pack up and go.",
    "Learn the ground in daylight. Edges, holes, water and the way back are hard to see in the dark.",
    "Tell someone where you are going and when you will be back.",
    "Keep off closed and private land, and leave gates, plants and animals as you found them.",
)


WATER = (
    "This site lies by water. Look up tides and water levels for the whole stay, and keep your way back dry."
)


CHAT_CAUTION = (
    "Drive rested, dress warm, know the ground, tell someone. Official warnings and local rules come first."
)


TURN_ROUND = "If you are on the way, turn round where it is safe. Don't stop on the road to read this."


_SPEAKS_OF_WATER = re.compile(
    r"\b(tid(e|es|al)|beach|shore|coast|causeway|ford|river|stream|lake|flood|marsh|mudflat|wave|sea)s?\b",
    re.IGNORECASE,
)


def cautions_for(alerts: Iterable[AlertFacts]) -> tuple[str, ...]:
    """What to say besides: nothing unless an alert sends someone out; water where a site's note names it."""
    going = [facts for facts in alerts if facts.is_go]
    if not going:
        return ()
    by_water = any(_SPEAKS_OF_WATER.search(facts.access_note) for facts in going)
    return (*CAUTIONS, WATER) if by_water else CAUTIONS
