"""What all pictures share: colours, lettering, a drawn picture, and the template round it.

A picture is SVG from a template (`templates/*.svg.j2`), drawn for a width in CSS pixels: 360 for a
phone and for mail, 720 for a desk. It asks nothing of the machine but a font of `FAMILY`.

Nothing in a picture rests on colour alone: the core's path is solid, the Moon's dashed, cloud hatched,
the window framed, and each carries its words.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain

from jinja2 import Environment, PackageLoader, StrictUndefined

from alerts.briefing.facts import PictureLink
from alerts.common.text import LONGEST_NAME, plain, shorten

NARROW, WIDE = 360, 720
WIDE_FROM = 560
BODY = 12.0
HEAD = 15.0
EDGE, LINE = 12.0, 17.0
"""Room beside what is drawn, and from a line of words to the next."""


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


_COLOURS = {
    "surface": ("#18212b", "#fffdf8", "#ffffff"),
    "text": ("#ece6d9", "#1c232a", "#000000"),
    "muted": ("#a7b0b6", "#525c65", "#404040"),
    "line": ("#3a4854", "#c9c0af", "#9a9a9a"),
    "lamp": ("#f0b34e", "#8a4a00", "#000000"),
    "core": ("#d3c3ff", "#5b45a5", "#1a1a1a"),
    "moon": ("#a9cfe8", "#2f6285", "#404040"),
    "cloud": ("#8496a3", "#66737d", "#5c5c5c"),
    "warn": ("#ff9a7a", "#a3290f", "#000000"),
    "day": ("#42586e", "#fdf1da", "#ffffff"),
    "night": ("#0c1118", "#d5d8e0", "#dcdcdc"),
    "ground": ("#05080b", "#a9a294", "#b0b0b0"),
    "ground_text": ("#ece6d9", "#1c232a", "#000000"),
    "glow": ("#f0b34e", "#d98a1f", "#8a8a8a"),
}
DARK, LIGHT, PRINT = (
    Palette(name, **{role: colours[place] for role, colours in _COLOURS.items()})
    for place, name in enumerate(("dark", "light", "print"))
)
PALETTES = {palette.name: palette for palette in (DARK, LIGHT, PRINT)}


def mixed(first: str, second: str, share: float) -> str:
    """`share` (0..1) of the way from one colour to the other."""
    held = min(max(share, 0.0), 1.0)
    pairs = ((int(first[k : k + 2], 16), int(second[k : k + 2], 16)) for k in (1, 3, 5))
    return "#" + "".join(f"{round(a + (b - a) * held):02x}" for a, b in pairs)


FAMILY = "DejaVu Sans, Verdana, sans-serif"
_TEMPLATES = Environment(
    loader=PackageLoader("alerts.briefing"),
    undefined=StrictUndefined,
    autoescape=True,
    auto_reload=False,  # they don't change while the process runs
    trim_blocks=True,
    lstrip_blocks=True,
)

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
    """Width of one line in the unit of `size`.

    Widths are those of DejaVu Sans, in thousandths of the font size; a browser's own font differs by a
    few per cent, so room is left.
    """
    thousandths = 0.0
    for char in text:
        place = ord(char) - 32
        known = 0 <= place < len(_REGULAR)
        thousandths += _REGULAR[place] if known else _SPECIAL.get(char, _OTHERS * 1000)
    return thousandths * size / 1000 * (_BOLDER if bold else 1)


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


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawn picture. name: `night`, `view`, `panorama` or `season`. alt: says what it says.

    width_px, height_px: its size in CSS pixels.
    """

    name: str
    svg: str
    alt: str
    width_px: int
    height_px: int

    def link(self, src: str, alert: int) -> PictureLink:
        """The picture where a mail or a page shows it, see `PictureLink`."""
        return PictureLink(src, self.alt, self.width_px, self.height_px, alert)


@dataclass(frozen=True, slots=True)
class Label:
    """One line of text at a baseline. anchor: start, middle or end."""

    x: float
    y: float
    text: str
    fill: str
    size: float = BODY
    anchor: str = "start"
    bold: bool = False

    @property
    def left(self) -> float:
        width = self.width
        return self.x - {"start": 0.0, "middle": width / 2, "end": width}[self.anchor]

    @property
    def right(self) -> float:
        return self.left + self.width

    @property
    def width(self) -> float:
        return text_width(self.text, self.size, bold=self.bold)

    def crosses(self, other: Label) -> bool:
        """Whether the two lie on each other, with a hair's breadth between them."""
        apart = abs(self.y - other.y) >= max(self.size, other.size)
        return not apart and self.left < other.right + 4 and other.left < self.right + 4

    def is_on(self, lines: Iterable[float]) -> bool:
        """Whether it lies on one of these upright lines."""
        return any(self.left - 4 < x < self.right + 4 for x in lines)


def spaced(labels: Iterable[Label]) -> list[Label]:
    """The labels in order, each left out that would lie on one before it."""
    kept: list[Label] = []
    for label in labels:
        if not any(label.crosses(other) for other in kept):
            kept.append(label)
    return kept


def within(label: Label, left: float, right: float) -> Label:
    """The label moved sideways so that it lies between two edges, shortened if it can't."""
    text = fitting(label.text, right - left, label.size, bold=label.bold)
    width = text_width(text, label.size, bold=label.bold)
    start = min(max(label.left, left), right - width)
    return Label(start, label.y, text, label.fill, label.size, "start", label.bold)


def heading(
    title: str, beside: str, width: float, palette: Palette, left: float = EDGE
) -> tuple[list[Label], float]:
    """The title and what stands at its right, on one line or two; and the baseline of the last."""
    room = width - 2 * left
    first = Label(left, 24, fitting(title, room, HEAD, bold=True), palette.text, HEAD, bold=True)
    second = Label(width - left, 24, beside, palette.muted, anchor="end")
    if first.right + 12 <= second.left:
        return [first, second], 24
    return [first, Label(left, 42, fitting(beside, room, BODY), palette.muted)], 42


def caption(said: Iterable[tuple[str, str]], top: float, width: int) -> list[Label]:
    """Sentences, each of a colour, in lines below a picture from that baseline on."""
    lines = [(line, fill) for text, fill in said for line in wrapped(text, width - 2 * EDGE, BODY)]
    return [Label(EDGE, top + place * LINE, line, fill) for place, (line, fill) in enumerate(lines)]


def xml_text(text: str, longest: int = LONGEST_NAME) -> str:
    """Text from people, safe in XML: one plain line, only characters that XML allows.

    Jinja2 escapes the markup in it; what is taken out here no escaping could save.
    """
    return "".join(
        char
        for char in plain(text, longest)
        if unicodedata.category(char) != "Cn"
        or (ord(char) & 0xFFFE != 0xFFFE and not 0xFDD0 <= ord(char) <= 0xFDEF)
    )


def drawn_name(name: str, instead: str) -> str:
    """A person's name for something, or `instead` where the packaged font lacks its letters."""
    shown = xml_text(name)
    return shown if shown and is_drawable(shown) else instead


def render(
    name: str, alt: str, size: tuple[int, float], palette: Palette, values: Mapping[str, object]
) -> Picture:
    """The picture of that name, drawn by its template. size: its width and height."""
    width, height = size[0], round(size[1])
    svg = _TEMPLATES.get_template(f"{name}.svg.j2").render(
        key=name,  # before all ids: pictures of several names may share a page
        alt=xml_text(alt, 4000),
        width=width,
        height=height,
        colours=palette,
        family=FAMILY,
        **values,
    )
    return Picture(name, svg, alt, width, height)


def path_of(points: Iterable[tuple[float, float]], *, close: bool = False) -> str:
    """An SVG path through the points, to a tenth of a pixel."""
    steps = [f"{x:.1f} {y:.1f}" for x, y in points]
    return ("M" + "L".join(steps) + ("Z" if close else "")) if len(steps) > 1 else ""


Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Box:
    """A frame in the picture, y downward."""

    left: float
    top: float
    right: float
    bottom: float

    def holds(self, point: Point, margin: float = 0.0) -> bool:
        x, y = point
        across = self.left + margin <= x <= self.right - margin
        return across and self.top + margin <= y <= self.bottom - margin

    @property
    def width(self) -> float:
        return self.right - self.left

    def x(self, share: float) -> float:
        """Where a share of its width lies, from the left."""
        return self.left + self.width * share

    def y(self, part: float, whole: float = 1.0) -> float:
        """Where a part of the whole that fills its height lies, from below."""
        return self.bottom - (self.bottom - self.top) * part / whole


def runs(*lines: Iterable[Point], widest_step: float = math.inf) -> Iterator[tuple[list[Point], ...]]:
    """Unbroken stretches of lines that run beside each other, point by point: NaN in one of them, or a
    sideways jump of more than `widest_step`, ends one."""
    run: list[tuple[Point, ...]] = []
    for points in zip(*lines, strict=True):
        steps = zip(run[-1], points, strict=True) if run and widest_step < math.inf else ()
        jumps = any(abs(after[0] - before[0]) > widest_step for before, after in steps)
        is_broken = any(map(math.isnan, chain(*points)))
        if (jumps or is_broken) and run:
            yield tuple(map(list, zip(*run, strict=True)))
            run = []
        if not is_broken:
            run.append(points)
    if run:
        yield tuple(map(list, zip(*run, strict=True)))


def strips(
    upper: Iterable[Point], lower: Iterable[Point], *, widest_step: float = math.inf
) -> Iterator[list[Point]]:
    """Closed shapes between two edges of the same length, broken where either is."""
    for above, below in runs(upper, lower, widest_step=widest_step):
        yield above + below[::-1]


def clipped(shape: Sequence[Point], box: Box) -> list[Point]:
    """The part of a closed shape inside a box; empty when none is.

    Source: I. E. Sutherland and G. W. Hodgman, Reentrant polygon clipping, CACM 17 (1974), 32-42.
    """
    sides: tuple[Callable[[Point], float], ...] = (
        lambda p: p[0] - box.left,
        lambda p: box.right - p[0],
        lambda p: p[1] - box.top,
        lambda p: box.bottom - p[1],
    )
    found = list(shape)
    for inside in sides:  # keep what lies where this isn't negative
        kept: list[Point] = []
        for before, after in zip([*found[-1:], *found[:-1]], found, strict=True):
            was, now = inside(before), inside(after)
            if (was >= 0) != (now >= 0):
                share = was / (was - now)
                kept.append(
                    (before[0] + share * (after[0] - before[0]), before[1] + share * (after[1] - before[1]))
                )
            if now >= 0:
                kept.append(after)
        found = kept
    return found
