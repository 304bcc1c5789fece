"""A night at a site: which one it is, its events, its dark spans and windows, and the targets one may wish.

A night runs from local mean solar noon, by the site's longitude and to the whole second, to the
next. It is numbered by the days since 1970 of its mean solar date, and named by the civil date in
the site's zone at its start: the two differ where the zone lies a day off the longitude, as at
Apia, Kiritimati or the Chatham Islands.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase, say
from alerts.common.plain_values import value
from alerts.common.span import Span, intersect, require_utc
from alerts.sites.model import Site

DAY_S = 86_400
_NOON_S = 43_200
_SECONDS_PER_DEGREE = 240
_EPOCH = date(1970, 1, 1)
MOST_LOSS_MAG = 3.0
SHORTEST_MOONLIGHT = timedelta(minutes=5)
WINTER_ARC_L_DEG = (120.0, 240.0)
"""The arc of the band that stands high on winter evenings of the northern half."""


class DarknessWish(StrEnum):
    ASTRONOMICAL = "astronomical"  # Sun's centre below -18 degrees
    NEAR = "near"  # below -15 degrees


class TargetKind(StrEnum):
    CORE = "core"
    BAND = "band"
    RADEC = "radec"
    NONE = "none"


class Shape(StrEnum):
    """How the Milky Way stands; tested in the order overhead, column, arch, leaning."""

    OVERHEAD = "overhead"
    COLUMN = "column"
    ARCH = "arch"
    LEANING = "leaning"


class BodyState(StrEnum):
    """What a body does over one night; never-crossing is an answer, not an error."""

    CROSSES = "crosses"
    ALWAYS_UP = "always_up"
    ALWAYS_DOWN = "always_down"


@dataclass(frozen=True, slots=True)
class Target:
    """What must be up. RADEC targets carry J2000 degrees and a name; `band` may name its arc of
    galactic longitude (degrees, from..to eastward), all of it by default."""

    kind: TargetKind = TargetKind.CORE
    name: str = ""
    ra_deg: float | None = None
    dec_deg: float | None = None
    arc_l_deg: tuple[float, float] | None = None


def require_loss_wish(most_loss_mag: float) -> float:
    """The wish itself; BadInput unless it lies above 0 and up to 3 mag."""
    if not 0 < most_loss_mag <= MOST_LOSS_MAG:
        raise BadInput(phrase("sky.moon-loss-range", most_loss_mag=MOST_LOSS_MAG, wished_mag=most_loss_mag))
    return most_loss_mag


@dataclass(frozen=True, slots=True)
class SkyWishes:
    """The part of a person's wishes that the sky alone can answer.

    lowest_altitude_deg: airless altitude of the target, so that a wish means the same at every height and in
    every table; only over a known ridge the air lifts it (`alerts.sky.refraction`). None means the default
    rule (the lower of 10 degrees and transit altitude - 4 degrees, not below 3 degrees), by which nothing
    shorter than `target_visibility.SHORTEST_BY_DEFAULT_MIN` is a window.
    most_loss_mag: with `moonless` off, by how many mag the Moon may brighten the sky at the target
    (see `alerts.sky.brightness.total`); None for any Moon.
    """

    target: Target = Target()
    darkness: DarknessWish = DarknessWish.ASTRONOMICAL
    moonless: bool = True
    lowest_altitude_deg: float | None = 10.0
    most_loss_mag: float | None = None


@value(frozen=True, slots=True)
class TrackPoint:
    """Where the target stands at one moment: airless altitude, azimuth from north through east."""

    at: datetime
    altitude_deg: float
    azimuth_deg: float


@value(frozen=True, slots=True)
class ShapeSpan:
    """How the Milky Way stands over a span; what each shape is, `alerts.sky.band_shapes` says.

    also: further shapes that stand all the while, as a column below a core overhead. apex_deg: how high the
    top of an arch is at its lowest, in whole degrees; None without an arch. Nights made by earlier rules have
    neither.
    """

    shape: Shape
    span: Span
    also: tuple[Shape, ...] = ()
    apex_deg: int | None = None

    @property
    def standing(self) -> tuple[Shape, ...]:
        """All shapes, the one that it is called by first."""
        return (self.shape, *self.also)

    def has(self, shapes: Collection[Shape]) -> bool:
        """Whether one of these stands."""
        return any(each in shapes for each in self.standing)


@value(frozen=True, slots=True)
class DarkWindow:
    """A half-open span in which Sun, Moon and target wishes hold.

    track: the target at start, middle and end (the core's for `band` and `none`).
    shapes: consecutive spans that fill the window, split to the minute.
    longitudes_up_deg: for the target `band`, the stretches of galactic longitude that are up at the
    middle, each (from, to) eastward with from < to; empty for other targets.
    """

    span: Span
    target: Target
    track: tuple[TrackPoint, ...]
    shapes: tuple[ShapeSpan, ...]
    longitudes_up_deg: tuple[tuple[float, float], ...] = ()


@value(frozen=True, slots=True)
class BodyEvents:
    """Crossings of one altitude in a night, ascending; both empty when the state says why."""

    rises: tuple[datetime, ...]
    sets: tuple[datetime, ...]
    state: BodyState
    up_at_start: bool

    def __post_init__(self) -> None:
        """As spans do: times in one and the same zone compare fast."""
        for at in (*self.rises, *self.sets):
            if at.tzinfo is not UTC:
                object.__setattr__(self, "rises", tuple(map(require_utc, self.rises)))
                object.__setattr__(self, "sets", tuple(map(require_utc, self.sets)))
                return

    def down(self, night: Span) -> tuple[Span, ...]:
        """When the body is below the altitude, in the night that these are the events of."""
        edges = sorted((*self.rises, *self.sets))
        edges = [*([] if self.up_at_start else [night.start]), *edges, night.end]
        pairs = zip(edges[0::2], edges[1::2], strict=False)
        return tuple(Span(start, end) for start, end in pairs if start < end)

    @property
    def first_set(self) -> datetime | None:
        return self.sets[0] if self.sets else None

    @property
    def last_rise(self) -> datetime | None:
        return self.rises[-1] if self.rises else None


@value(frozen=True, slots=True)
class Night:
    """One night, local mean solar noon to the next, named by the civil date at its start.

    moon_lit: geocentric illuminated fraction (0..1) at the night's middle.
    dark: spans with the Sun low enough for the wish; moonless: spans with the Moon down.
    foreground_moonlit: spans between sunset and sunrise with the Moon's upper limb up and over the site's
    ridge, as the air lifts it.
    """

    name: date
    span: Span
    sun: BodyEvents
    civil: BodyEvents
    nautical: BodyEvents
    astronomical: BodyEvents
    moon: BodyEvents
    moon_lit: float
    dark: tuple[Span, ...]
    moonless: tuple[Span, ...]
    windows: tuple[DarkWindow, ...]
    wishes: SkyWishes
    foreground_moonlit: tuple[Span, ...] = ()

    @property
    def moonlit(self) -> tuple[Span, ...]:
        """When the Moon's light is seen on the ground: `foreground_moonlit` with the Sun below -12 degrees,
        for some minutes. Before, twilight outshines it: 3.4 lux at -6 degrees and 0.008 at -12, the full Moon
        0.27 at most; common practice."""
        lit = intersect(self.foreground_moonlit, self.nautical.down(self.span))
        return tuple(span for span in lit if span.duration >= SHORTEST_MOONLIGHT)

    @property
    def over_at(self) -> datetime:
        """When the night is past: at sunrise, or at its end where the Sun doesn't rise."""
        return self.sun.last_rise or self.span.end

    @property
    def sunset_to_sunrise(self) -> Span:
        """The whole night where one is missing."""
        start = self.sun.first_set or self.span.start
        return Span(start, self.over_at) if start < self.over_at else self.span


def rests_on_assumed_level(site: Site, target: Target) -> bool:
    """Whether a target's windows there rest on a level horizon that nobody gave; darkness alone has none."""
    return site.horizon.is_level and target.kind is not TargetKind.NONE


def night_start_s(site: Site, number: int) -> int:
    """Local mean solar noon that begins a night, POSIX seconds, to the whole second."""
    return number * DAY_S + _NOON_S - round(site.lon_deg * _SECONDS_PER_DEGREE)


def name_of(site: Site, number: int) -> date:
    """The civil date in the site's zone at the start of a night."""
    return datetime.fromtimestamp(night_start_s(site, number), site.tz).date()


def number_named(site: Site, name: date) -> int:
    """The number of the night with that name; BadInput where the calendar skipped the date.

    Where a zone lies twelve hours off the longitude a clock change can give two nights one name;
    the earlier one answers to it.
    """
    near = (name - _EPOCH).days
    for number in (near - 1, near, near + 1):
        if name_of(site, number) == name:
            return number
    raise BadInput(phrase("sky.no-such-night", name=site.name, night=name, zone=site.zone))


def number_at(site: Site, at: datetime) -> int:
    """The number of the night that contains an aware time."""
    return int((require_utc(at).timestamp() - night_start_s(site, 0)) // DAY_S)


def name_at(site: Site, at: datetime) -> date:
    """The name of the night that contains an aware time."""
    return name_of(site, number_at(site, at))


_PLAIN = {
    "core": Target(TargetKind.CORE),
    "band": Target(TargetKind.BAND),
    "winter": Target(TargetKind.BAND, arc_l_deg=WINTER_ARC_L_DEG),
    "none": Target(TargetKind.NONE),
}
_RADEC = re.compile(r"^\s*(?P<name>[^:=]+?)\s*[:=]\s*(?P<ra>[+-]?[\d.]+)\s*,\s*(?P<dec>[+-]?[\d.]+)\s*$")


def parse_target(text: str) -> Target:
    """The target of `core`, `band`, `winter` (the band from l 120° to 240°), `none` or
    `NAME=RA,DEC` (J2000 degrees). BadInput says these when it is none of them."""
    plain = _PLAIN.get(text.strip().lower())
    if plain is not None:
        return plain
    match = _RADEC.match(text)
    if match is None:
        raise BadInput(phrase("sky.target-unreadable", text=text))
    ra_deg, dec_deg = _number(match["ra"]), _number(match["dec"])
    if not 0 <= ra_deg < 360:
        raise BadInput(phrase("sky.target-ra-range", ra_deg=ra_deg))
    if not -90 <= dec_deg <= 90:
        raise BadInput(phrase("sky.target-dec-range", dec_deg=dec_deg))
    return Target(TargetKind.RADEC, match["name"].strip(), ra_deg, dec_deg)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise BadInput(phrase("sky.degrees-unreadable", text=text)) from None


def shape_phrase(shape: Shape) -> Phrase:
    """The shape as inside a sentence: `an arch`."""
    return phrase(f"sky.shape-{shape}")


def shape_label(shape: Shape) -> str:
    """The shape by itself: `arch`, `overhead`."""
    return say(_label(shape))


def told_pieces(pieces: Iterable[ShapeSpan]) -> tuple[ShapeSpan, ...]:
    """The pieces as they are told: neighbours that are called the same are one, with the arch's lowest top
    and what else stands in any."""
    told: list[ShapeSpan] = []
    for each in pieces:
        if told and told[-1].shape is each.shape:
            before = told.pop()
            tops = [piece.apex_deg for piece in (before, each) if piece.apex_deg is not None]
            also = tuple(dict.fromkeys((*before.also, *each.also)))
            whole = Span(before.span.start, each.span.end)
            told.append(ShapeSpan(each.shape, whole, also, min(tops, default=None)))
        else:
            told.append(each)
    return tuple(told)


def piece_phrase(piece: ShapeSpan) -> Phrase:
    """The piece by itself: `arch 62° high`, `overhead, for a time an upright column too`."""
    if piece.shape is Shape.ARCH and piece.apex_deg is not None:
        return phrase("sky.piece-arch", apex_deg=piece.apex_deg)
    return phrase("sky.piece-with-column") if Shape.COLUMN in piece.also else _label(piece.shape)


def _label(shape: Shape) -> Phrase:
    return phrase(f"sky.label-{shape}")


def target_phrase(target: Target) -> Phrase:
    """What the target is called inside a sentence."""
    if target.name:
        return phrase("sky.target-named", name=target.name)
    return phrase("sky.target", kind=target.kind)
