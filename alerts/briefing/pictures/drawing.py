"""What all pictures share: a drawn picture, its lettering, and the template round it.

A picture is SVG from a template (`templates/*.svg.j2`), drawn for a width in CSS pixels: 360 for a
phone and for mail, 720 for a desk. It asks nothing of the machine but a font of `lettering.FAMILY`.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined

from alerts.briefing.pictures.lettering import FAMILY, fitting, is_drawable, text_width
from alerts.briefing.pictures.palettes import Palette
from alerts.common.text import LONGEST_NAME, plain

NARROW, WIDE = 360, 720
WIDE_FROM = 560
BODY = 12.0
HEAD = 15.0


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
    title: str, beside: str, width: float, palette: Palette, left: float = 12
) -> tuple[list[Label], float]:
    """The title and what stands at its right, on one line or two; and the baseline of the last."""
    room = width - 2 * left
    first = Label(left, 24, fitting(title, room, HEAD, bold=True), palette.text, HEAD, bold=True)
    second = Label(width - left, 24, beside, palette.muted, anchor="end")
    if first.right + 12 <= second.left:
        return [first, second], 24
    return [first, Label(left, 42, fitting(beside, room, BODY), palette.muted)], 42


def xml_text(text: str, longest: int = LONGEST_NAME) -> str:
    """Text from people, safe in XML: one plain line, only characters that XML allows.

    Jinja2 escapes the markup in it; what is taken out here no escaping could save.
    """
    shown = plain(text, longest)
    return "".join(char for char in shown if _is_xml(char))


def _is_xml(char: str) -> bool:
    code = ord(char)
    return unicodedata.category(char) != "Cn" or (code & 0xFFFE != 0xFFFE and not 0xFDD0 <= code <= 0xFDEF)


def drawn_name(name: str, instead: str) -> str:
    """A person's name for something, or `instead` where the packaged font lacks its letters."""
    shown = xml_text(name)
    return shown if shown and is_drawable(shown) else instead


def render(
    name: str,
    *,
    key: str,
    alt: str,
    width: float,
    height: float,
    palette: Palette,
    values: Mapping[str, object],
) -> Picture:
    """Fill the template of that name. key: makes ids unique where several pictures share a page."""
    svg = (
        _templates()
        .get_template(f"{name}.svg.j2")
        .render(
            key=key,
            name=name,
            alt=xml_text(alt, 4000),
            width=round(width),
            height=round(height),
            colours=palette,
            family=FAMILY,
            **values,
        )
    )
    return Picture(name, svg, alt, round(width), round(height))


def path_of(points: Iterable[tuple[float, float]], *, close: bool = False) -> str:
    """An SVG path through the points, to a tenth of a pixel."""
    steps = [f"{x:.1f} {y:.1f}" for x, y in points]
    return ("M" + "L".join(steps) + ("Z" if close else "")) if len(steps) > 1 else ""


@cache
def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("alerts.briefing"),
        undefined=StrictUndefined,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
