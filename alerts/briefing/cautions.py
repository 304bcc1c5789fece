"""What every message that sends someone into the night says besides."""

from __future__ import annotations

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
)
CHAT_CAUTION = (
    "Drive rested, dress warm, know the ground, tell someone. Official warnings and local rules come first."
)
TURN_ROUND = "If you are on the way, turn round where it is safe. Don't stop on the road to read this."
