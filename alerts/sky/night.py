"""A night at a site: its events, its dark spans and its dark windows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.plain_values import value
from alerts.common.span import Span, require_utc


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


MOST_LOSS_MAG = 3.0


def require_loss_wish(most_loss_mag: float) -> float:
    """The wish itself; BadInput unless it lies above 0 and up to 3 mag."""
    if not 0 < most_loss_mag <= MOST_LOSS_MAG:
        raise BadInput(phrase("sky.moon-loss-range", most_loss_mag=MOST_LOSS_MAG, wished_mag=most_loss_mag))
    return most_loss_mag


@dataclass(frozen=True, slots=True)
class SkyWishes:
    """The part of a person's wishes that the sky alone can answer.

    lowest_altitude_deg: airless altitude of the target; None means the default rule (the lower
    of 10 degrees and transit altitude - 4 degrees, not below 3 degrees).
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
    shape: Shape
    span: Span


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


@value(frozen=True, slots=True)
class Night:
    """One night, local mean solar noon to the next, named by the civil date at its start.

    moon_lit: geocentric illuminated fraction (0..1) at the night's middle.
    dark: spans with the Sun low enough for the wish; moonless: spans with the Moon down.
    foreground_moonlit: spans between sunset and sunrise with the Moon up and above the site's ridge.
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
