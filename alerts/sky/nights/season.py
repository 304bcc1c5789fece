"""A site's season: every night with a dark window, what it offers, and what the wishes cost."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import groupby
from typing import NamedTuple

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase, say
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import (
    DAY_S,
    WINTER_ARC_L_DEG,
    DarknessWish,
    DarkWindow,
    Night,
    Shape,
    ShapeSpan,
    SkyWishes,
    Target,
    TargetKind,
    night_start_s,
    number_named,
    rests_on_assumed_level,
)
from alerts.sky.nights.night_builder import SiteNights, readable_nights, site_in_blocks
from alerts.sky.observers import Ground
from alerts.sky.target_visibility import (
    SHORTEST_BY_DEFAULT_MIN,
    lowest_altitudes_deg,
    shortest_window_s,
    target_spans,
    transit_altitude_deg,
)

Progress = Callable[[int, int], None]

LONGEST_DAYS = 366 * 5
SHAPE_WORTH = {Shape.ARCH: 1.0, Shape.COLUMN: 1.0, Shape.LEANING: 0.8, Shape.OVERHEAD: 0.6}
"""How much a minute of each shape counts: what is easiest to set over a foreground counts most."""
FULL_WORTH_MINUTES = 240.0
"""Minutes of window after which one more counts half: nobody shoots all night."""
TOO_SHORT_MIN = 30.0
"""A night whose longest window lasts less, in minutes, is listed as too short to use: by the time
a frame is found and focused it is over. A rule of ours, and the shortest window usually wished for."""
LOWER_TARGETS_DEG = (10.0, 5.0, 3.0)
LOSS_OFFERED_MAG = 0.3
"""What a thin Moon may cost where no Moon at all was asked for."""


@dataclass(frozen=True, slots=True)
class SeasonNight:
    """One night with at least one dark window.

    minutes: of all its windows together. shapes: those that last longest first, also those that stand beside
    another. worth: minutes weighed by shape, see `worth_of`.
    """

    name: date
    windows: tuple[DarkWindow, ...]
    minutes: float
    shapes: tuple[Shape, ...]
    moon_lit: float
    moon_rises: tuple[datetime, ...]
    moon_sets: tuple[datetime, ...]
    worth: float

    @property
    def is_too_short(self) -> bool:
        """Whether none of its windows is of use, see TOO_SHORT_MIN."""
        return max(window.span.minutes for window in self.windows) < TOO_SHORT_MIN


@dataclass(frozen=True, slots=True)
class Month:
    """Totals of one calendar month; longest: the night with the most minutes."""

    year: int
    month: int
    nights: int
    minutes: float
    longest: date


@dataclass(frozen=True, slots=True)
class WishCost:
    """How many nights of the season have a window under one set of wishes, and how long these are together.

    text: a phrase such as `the core above 10°`; chosen: whether these are the wishes asked for.
    """

    text: str
    nights: int
    minutes: float
    chosen: bool


@dataclass(frozen=True, slots=True)
class Season:
    """Every night with a window between two dates, both included, at one site."""

    site: Site
    first: date
    last: date
    wishes: SkyWishes
    nights: tuple[SeasonNight, ...]
    months: tuple[Month, ...]
    costs: tuple[WishCost, ...]

    @property
    def is_horizon_assumed(self) -> bool:
        """Whether its windows rest on a level horizon that nobody gave."""
        return bool(self.nights) and rests_on_assumed_level(self.site, self.wishes.target)

    def by_worth(self) -> tuple[SeasonNight, ...]:
        """The nights, best first; equal ones by date."""
        return tuple(sorted(self.nights, key=lambda night: (-night.worth, night.name)))


def season(
    site: Site,
    first: date,
    last: date,
    wishes: SkyWishes,
    ephemeris: Ephemeris,
    progress: Progress | None = None,
) -> Season:
    """The season at a site from the night named `first` to the one named `last`.

    progress: called as progress(nights_done, nights_in_all). Raises BadInput for dates in the wrong
    order, more than five years apart or left out of the calendar, OutsideEphemeris for years that the
    kernel doesn't hold.
    """
    if last < first:
        raise BadInput(phrase("sky.season-order", first=first, last=last))
    if (last - first).days >= LONGEST_DAYS:
        raise BadInput(phrase("sky.season-too-long", first=first, last=last))
    ephemeris.require_nights(first, last)
    # the calendar may have left dates out
    count = number_named(site, last) - number_named(site, first) + 1
    nights, done, counted = [], 0, _Counted()
    for block in site_in_blocks(site, first, count, wishes, ephemeris):
        counted = counted.and_of(block)
        for _, night in readable_nights(block):
            if night.windows:
                nights.append(_season_night(night))
            done += 1
            if progress is not None:
                progress(done, count)

    months = []
    for (year, month), group in groupby(nights, key=lambda night: (night.name.year, night.name.month)):
        own = list(group)
        longest = max(own, key=lambda night: night.minutes).name
        months.append(Month(year, month, len(own), sum(night.minutes for night in own), longest))

    # the chosen wishes and easier ones, each with its nights and their length
    costs = [WishCost(wishes_text(site, wishes), *counted, True)]
    for other in easier_wishes(site, wishes):
        counted = _counted(site, first, count, other, ephemeris)
        costs.append(WishCost(wishes_text(site, other), *counted, other == wishes))
    return Season(site, first, last, wishes, tuple(nights), tuple(months), tuple(costs))


def _season_night(night: Night) -> SeasonNight:
    pieces = [piece for window in night.windows for piece in window.shapes]
    minutes_by_shape: dict[Shape, float] = {}
    for shape, lasts in ((shape, piece.span.minutes) for piece in pieces for shape in piece.standing):
        minutes_by_shape[shape] = minutes_by_shape.get(shape, 0.0) + lasts
    return SeasonNight(
        name=night.name,
        windows=night.windows,
        minutes=sum(window.span.minutes for window in night.windows),
        shapes=tuple(sorted(minutes_by_shape, key=lambda shape: -minutes_by_shape[shape])),
        moon_lit=night.moon_lit,
        moon_rises=night.moon.rises,
        moon_sets=night.moon.sets,
        worth=worth_of(pieces),
    )


def worth_of(pieces: Sequence[ShapeSpan]) -> float:
    """A night's worth in minutes: each minute times the most SHAPE_WORTH of what stands in it, what exceeds
    four hours halved.

    A rule of ours for putting nights in order, not a measure of anything in the sky.
    """
    weighed = sum(max(map(SHAPE_WORTH.__getitem__, each.standing)) * each.span.minutes for each in pieces)
    return min(weighed, FULL_WORTH_MINUTES) + max(weighed - FULL_WORTH_MINUTES, 0) / 2


def wishes_text(site: Site, wishes: SkyWishes) -> str:
    """The target and darkness wished for at a site, as a phrase: `the core above 10°, near darkness`."""
    return say(_wishes_phrase(site, wishes))


def _wishes_phrase(site: Site, wishes: SkyWishes) -> Phrase:
    target = wishes.target
    if target.kind is TargetKind.NONE:
        what = phrase("sky.wish-none")
    elif target.kind is TargetKind.BAND:
        what = _target_phrase(target)
    else:
        lowest_deg = float(lowest_altitudes_deg([site], wishes)[0])
        what = phrase("sky.wish-above", target=_target_phrase(target), lowest_deg=lowest_deg)
    if wishes.darkness is DarknessWish.NEAR:
        what = phrase("sky.wish-near-darkness", wish=what)
    if wishes.moonless:
        return what
    if wishes.most_loss_mag is None:
        return phrase("sky.wish-any-moon", wish=what)
    return phrase("sky.wish-thin-moon", wish=what, loss_mag=wishes.most_loss_mag)


def _target_phrase(target: Target) -> Phrase:
    if target.kind is not TargetKind.BAND:
        by_name = phrase("sky.wish-named", name=target.name) if target.name else phrase("sky.wish-target")
        return phrase("sky.wish-core") if target.kind is TargetKind.CORE else by_name
    if target.arc_l_deg is None:
        return phrase("sky.wish-band")
    if target.arc_l_deg == WINTER_ARC_L_DEG:
        return phrase("sky.wish-winter")
    first_l_deg, last_l_deg = target.arc_l_deg
    return phrase("sky.wish-arc", first_l_deg=first_l_deg, last_l_deg=last_l_deg)


def count_nights(site: Site, first: date, count: int, wishes: SkyWishes, ephemeris: Ephemeris) -> int:
    """How many of `count` nights from `first` on have at least one dark window."""
    return _counted(site, first, count, wishes, ephemeris).nights


class _Counted(NamedTuple):
    """How many nights have a window, and the length of all windows together."""

    nights: int = 0
    minutes: float = 0.0

    def and_of(self, block: SiteNights) -> _Counted:
        minutes = float((block.windows.end_s - block.windows.start_s).sum()) / 60
        return _Counted(self.nights + len(set(block.window_night.tolist())), self.minutes + minutes)


def _counted(site: Site, first: date, count: int, wishes: SkyWishes, ephemeris: Ephemeris) -> _Counted:
    """Of the nights of one site, some two months at a time."""
    counted = _Counted()
    for block in site_in_blocks(site, first, count, wishes, ephemeris):
        counted = counted.and_of(block)
    return counted


def easier_wishes(site: Site, wishes: SkyWishes) -> tuple[SkyWishes, ...]:
    """What else could be wished for, from near to far: a lower target, near darkness, a thin Moon, the
    band, none. The band and none are offered without a thin Moon, which adds little to them."""
    kind, others = wishes.target.kind, []
    if kind in (TargetKind.CORE, TargetKind.RADEC):
        asked_deg = float(lowest_altitudes_deg([site], wishes)[0])
        lower = [lowest for lowest in LOWER_TARGETS_DEG if lowest < asked_deg]
        others += [replace(wishes, lowest_altitude_deg=lowest) for lowest in lower]
    if wishes.darkness is not DarknessWish.NEAR:
        others.append(replace(wishes, darkness=DarknessWish.NEAR))
    if wishes.moonless:
        others.append(replace(wishes, moonless=False, most_loss_mag=LOSS_OFFERED_MAG))
    strict = wishes if wishes.most_loss_mag is None else replace(wishes, moonless=True, most_loss_mag=None)
    if kind is TargetKind.CORE or wishes.target.arc_l_deg is not None:
        others.append(replace(strict, target=Target(TargetKind.BAND)))
    if kind is not TargetKind.NONE:
        others.append(replace(strict, target=Target(TargetKind.NONE)))
    return tuple(others)


def never_holds(site: Site, wishes: SkyWishes, year: int, ephemeris: Ephemeris) -> tuple[str, ...]:
    """Why the wishes give no window on any night of a year, and what would; empty when they do.

    Plain sentences: first the reason, then each easier wish that gives nights, with their number.
    Raises OutsideEphemeris for years the kernel doesn't hold.
    """
    first, count = date(year, 1, 1), (date(year + 1, 1, 1) - date(year, 1, 1)).days
    if count_nights(site, first, count, wishes, ephemeris):
        return ()
    offers = (
        (_wishes_phrase(site, other), count_nights(site, first, count, other, ephemeris))
        for other in easier_wishes(site, wishes)
    )
    better = [
        say("sky.easier-wish", wish=wish, nights=number, year=year) for wish, number in offers if number
    ]
    reason = _why_never(site, wishes, first, count, ephemeris)
    return (reason, *(better or [say("sky.easier-wish-none", year=year)]))


def _why_never(site: Site, wishes: SkyWishes, first: date, count: int, ephemeris: Ephemeris) -> str:
    """One sentence: the target never gets there, or not without the Moon, or not in darkness."""
    start_s, lowest = night_start_s(site, number_named(site, first)), lowest_altitudes_deg([site], wishes)
    table = ephemeris.table(start_s, start_s + count * DAY_S)
    # by day or night, Moon or not
    if not len(target_spans(Ground.of([site]), [site.horizon], table, wishes.target, lowest)):
        target, lowest_deg = _target_phrase(wishes.target), float(lowest[0])
        if wishes.target.kind is TargetKind.BAND:
            return say("sky.never-high-enough", target=target)
        transit_deg = transit_altitude_deg(site.lat_deg, wishes.target)
        if transit_deg <= 0:
            return say("sky.never-rises", target=target)
        if transit_deg <= lowest_deg:
            return say("sky.never-above", target=target, lowest_deg=lowest_deg, transit_deg=transit_deg)
        return say("sky.never-over-ridge", target=target, lowest_deg=lowest_deg)
    if wishes.lowest_altitude_deg is None and shortest_window_s(wishes):
        named = replace(wishes, lowest_altitude_deg=float(lowest[0]))
        if count_nights(site, first, count, named, ephemeris):
            what, minutes = _wishes_phrase(site, wishes), round(SHORTEST_BY_DEFAULT_MIN)
            return say("sky.never-for-long", wish=what, minutes=minutes)
    if count_nights(site, first, count, replace(wishes, moonless=False), ephemeris):
        return say("sky.never-moonless")
    if wishes.target.kind is TargetKind.NONE:
        return say("sky.never-darkness", darkness=wishes.darkness)
    what = _wishes_phrase(site, replace(wishes, darkness=DarknessWish.ASTRONOMICAL, moonless=True))
    return say("sky.never-dark", wish=what, darkness=wishes.darkness)
