"""What a chance rests on, and how dark the sky is where the camera looks, in words."""

from __future__ import annotations

from collections.abc import Iterator

from alerts.briefing.facts.alert import AlertFacts
from alerts.briefing.facts.field_notes import SkyNote, TownGlow
from alerts.common.text import LONGEST_NAME, capital, direction_word, plain
from alerts.judging.window_brightness import SLIGHT_LOSS_MAG, SMOKE_TOLD_FROM_MAG


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
