"""Colours of the pictures: ink and lamp, dark and light, and greys for print.

Nothing in a picture rests on colour alone: the core's path is solid, the Moon's dashed, cloud hatched,
the window framed, and each carries its words.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Palette:
    """One set of colours, `#rrggbb`.

    day, night: the sky at sunset and in full darkness; ground: land against the sky, ground_text: words
    on it. glow: light of towns.
    """

    name: str
    surface: str
    text: str
    muted: str
    line: str
    lamp: str
    core: str
    moon: str
    cloud: str
    warn: str
    day: str
    night: str
    ground: str
    ground_text: str
    glow: str


DARK = Palette(
    name="dark",
    surface="#18212b",
    text="#ece6d9",
    muted="#a7b0b6",
    line="#3a4854",
    lamp="#f0b34e",
    core="#d3c3ff",
    moon="#a9cfe8",
    cloud="#8496a3",
    warn="#ff9a7a",
    day="#42586e",
    night="#0c1118",
    ground="#05080b",
    ground_text="#ece6d9",
    glow="#f0b34e",
)
LIGHT = Palette(
    name="light",
    surface="#fffdf8",
    text="#1c232a",
    muted="#525c65",
    line="#c9c0af",
    lamp="#8a4a00",
    core="#5b45a5",
    moon="#2f6285",
    cloud="#66737d",
    warn="#a3290f",
    day="#fdf1da",
    night="#d5d8e0",
    ground="#a9a294",
    ground_text="#1c232a",
    glow="#d98a1f",
)
PRINT = Palette(
    name="print",
    surface="#ffffff",
    text="#000000",
    muted="#404040",
    line="#9a9a9a",
    lamp="#000000",
    core="#1a1a1a",
    moon="#404040",
    cloud="#5c5c5c",
    warn="#000000",
    day="#ffffff",
    night="#dcdcdc",
    ground="#b0b0b0",
    ground_text="#000000",
    glow="#8a8a8a",
)
PALETTES = {palette.name: palette for palette in (DARK, LIGHT, PRINT)}


def mixed(first: str, second: str, share: float) -> str:
    """`share` (0..1) of the way from one colour to the other."""
    held = min(max(share, 0.0), 1.0)
    pairs = ((int(first[k : k + 2], 16), int(second[k : k + 2], 16)) for k in (1, 3, 5))
    return "#" + "".join(f"{round(a + (b - a) * held):02x}" for a, b in pairs)


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two colours, 1..21. Source: WCAG 2.2, relative luminance and contrast ratio."""
    bright, dim = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def _luminance(colour: str) -> float:
    shares = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4 for share in shares]
    red, green, blue = linear
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
