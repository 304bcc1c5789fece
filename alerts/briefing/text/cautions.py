"""What every message that sends someone into the night says besides."""

from __future__ import annotations

import re
from collections.abc import Iterable

from alerts.briefing.facts.alert import AlertFacts

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
