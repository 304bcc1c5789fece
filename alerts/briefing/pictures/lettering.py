"""Text in pictures: how wide it runs, what the packaged font can draw, and lines that fit.

Widths are those of DejaVu Sans, in thousandths of the font size; a browser's own font differs by a
few per cent, so room is left.
"""

from __future__ import annotations

from alerts.common.text import shorten

FAMILY = "DejaVu Sans, Verdana, sans-serif"

_REGULAR = (
    318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636, 636,
    636, 636, 636, 636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632, 575, 775,
    752, 295, 295, 656, 557, 863, 748, 787, 603, 787, 695, 635, 611, 732, 684, 989, 685, 611, 685, 390,
    337, 390, 838, 500, 500, 613, 635, 550, 635, 615, 352, 635, 634, 278, 278, 579, 278, 974, 634, 612,
    635, 635, 411, 521, 392, 634, 592, 818, 592, 592, 525, 636, 337, 636, 838,
)  # fmt: skip
"""Advance widths of the characters from space to tilde."""
_BOLDER = 1.11
_OTHERS = 0.66
_SPECIAL = {"°": 500, "–": 500, "·": 318, "…": 1000}

DRAWABLE = (
    (0x20, 0x7E), (0xA0, 0x17F), (0x218, 0x21B), (0x300, 0x304), (0x306, 0x30C), (0x384, 0x3CE),
    (0x400, 0x45F), (0x490, 0x491), (0x1E9E, 0x1E9E), (0x1EA0, 0x1EF9), (0x2010, 0x2015),
    (0x2018, 0x201E), (0x2020, 0x2022), (0x2026, 0x2026), (0x2030, 0x2030), (0x2032, 0x2033),
    (0x2039, 0x203A), (0x20AC, 0x20AC), (0x2116, 0x2116), (0x2122, 0x2122), (0x2153, 0x2154),
    (0x2190, 0x2193), (0x2212, 0x2212),
)  # fmt: skip
"""Code points that the packaged font surely holds: Latin, Greek, Cyrillic, signs."""


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width of one line in the unit of `size`."""
    thousandths = sum(_advance(char) for char in text)
    return thousandths * size / 1000 * (_BOLDER if bold else 1)


def _advance(char: str) -> float:
    place = ord(char) - 32
    if 0 <= place < len(_REGULAR):
        return _REGULAR[place]
    return _SPECIAL.get(char, _OTHERS * 1000)


def is_drawable(text: str) -> bool:
    """Whether a bare machine with only the packaged font can draw it."""
    return all(any(first <= ord(char) <= last for first, last in DRAWABLE) for char in text)


def fitting(text: str, room: float, size: float, *, bold: bool = False) -> str:
    """The text, shortened with an ellipsis where it is wider than `room`."""
    shown, length = text, len(text)
    while shown and text_width(shown, size, bold=bold) > room:
        length = min(length, len(shown)) - 1
        shown = shorten(text, length)
    return shown


def wrapped(text: str, room: float, size: float) -> tuple[str, ...]:
    """The text in lines no wider than `room`, broken at spaces; a longer word is shortened."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if text_width(longer, size) <= room or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return tuple(fitting(line, room, size) for line in lines if line)
