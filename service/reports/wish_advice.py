"""What wishes would have given at a site, what of them can never hold there, and what could instead.

From sky, calendar and clock alone, but for what a limit costs. The command line and the pages say the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from alerts.common.phrases import Phrase, Reader, phrase, say
from alerts.common.span import Span
from alerts.common.text import month_name
from alerts.common.time_text import say_day
from alerts.judging.obstacles import Code, YearAhead, why_unsaid
from alerts.judging.rules import is_ruled_out, usable_spans
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarkWindow, Night, Shape, TargetKind, shape_phrase
from alerts.sky.nights.night_builder import readable_nights, site_in_blocks
from alerts.sky.nights.season import easier_wishes, never_holds, wishes_text
from alerts.track.record.climatology import UNKNOWN_CLIMATE
from alerts.weather.skill import price
from alerts.wishes.model import ALL_WEEK, CHOICES, LimitChoice, Wishes, units_of
from alerts.wishes.parse import weekday_phrases

LOOKED_BACK = 365
LOOKED_AHEAD = 90
NEXT_SHOWN = 3
MOST_OFFERS = 5
TRIPS_WITHIN = timedelta(days=2 * 365)
LONGEST_TRIP_LOOKED_AT = 100
"""Nights of a trip that are worked out for it."""


@dataclass(frozen=True, slots=True)
class Advice:
    """How many nights of the last twelve months had the sky for it, and the next that do.

    year: why no night of a year does, then what would give some, and what in the wishes works against the
    rest. prices: what the limit for a go costs here, and what the named ones would, in sentences.
    """

    past: int
    coming: tuple[date, ...]
    year: YearAhead = YearAhead()
    prices: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        if not self.past and not self.coming:
            return say("reports.advice-never")
        nights = phrase("reports.nights", count=self.past)
        if not self.coming:
            return say("reports.advice-none-coming", nights=nights)
        return say("reports.advice-coming", nights=nights, coming=[say_day(each) for each in self.coming])


def advise(
    site: Site,
    wishes: Wishes,
    today: date,
    ephemeris: Ephemeris,
    clear_shares: Sequence[float] = UNKNOWN_CLIMATE.by_month,
) -> Advice:
    """What to say of these wishes to whoever is about to subscribe. Trips bear only on what comes.

    clear_shares: of the place's night hours in each month, January first, as its record knows them by now.
    """
    look = _Look(site, today, ephemeris)
    good = list(look.good_nights(wishes))
    past = {each.name: each.window_h for each in good if each.name < today}
    coming = sorted({each.name for each in good} - past.keys())[:NEXT_SHOWN]
    never = () if good else tuple(look.why_never(wishes))
    empty_trips = tuple(look.empty_trips(wishes))
    ahead = [trip for trip in wishes.trips if trip.last >= today]
    if wishes.trips_only and ahead and len(empty_trips) == len(ahead):
        never, empty_trips = never or empty_trips, ()
    reader = Reader(units=units_of(wishes))
    clashes = [say(each, reader) for each in contradictions(site, wishes, today)]
    year = YearAhead(
        never=never,
        clashes=(*clashes, *empty_trips),
        trips_are_over=wishes.is_over_after(today),
        unsaid=_unsaid([each.unsaid for each in good]),
    )
    return Advice(len(past), tuple(coming), year, tuple(_prices(past, wishes, clear_shares)) if past else ())


def _unsaid(nights: Sequence[Code | None]) -> Code | None:
    """Why the go of none of these nights could be said in time; None where that of one could."""
    if not nights or None in nights:
        return None
    return Code.ALWAYS_QUIET if Code.ALWAYS_QUIET in nights else Code.TOO_FAR


def _prices(windows_h: Mapping[date, float], wishes: Wishes, clear_shares: Sequence[float]) -> Iterator[str]:
    """windows_h: of the nights of a year. The limit as it is, then the named ones: `even, from 70 %: of 137
    such nights a year …`."""
    shortest_h = wishes.shortest_window / timedelta(hours=1)
    own = wishes.choice or LimitChoice("yours", wishes.chance_go_pct, wishes.chance_back_pct)
    for choice in CHOICES if own in CHOICES else (own, *CHOICES):
        costs = [
            price(window_h, shortest_h, choice.go_pct, clear_shares[night.month - 1])
            for night, window_h in windows_h.items()
        ]
        rings = round(sum(cost.rings for cost in costs))
        vain = round(sum(cost.in_vain for cost in costs))
        missed = round(sum(cost.missed for cost in costs))
        yield say(
            "reports.advice-price",
            name=choice.name,
            go_pct=choice.go_pct,
            is_now=choice == own,
            nights=phrase("reports.nights", count=len(windows_h)),
            rings=rings,
            vain=vain,
            missed=missed,
        )


@dataclass(frozen=True, slots=True)
class _GoodNight:
    """window_h: how long its longest window lasts. unsaid: why no go of it could be said in time."""

    name: date
    window_h: float
    unsaid: Code | None


@dataclass(frozen=True, slots=True)
class _Look:
    """A year back and three months ahead at one site."""

    site: Site
    today: date
    ephemeris: Ephemeris

    def good_nights(self, wishes: Wishes) -> Iterator[_GoodNight]:
        """Nights with a window that has the length, the shapes and the time to be there."""
        first = self.today - timedelta(days=LOOKED_BACK)
        at_home = replace(wishes, trips=())
        for night in self._nights(wishes, first, LOOKED_BACK + LOOKED_AHEAD):
            wished = at_home if night.name < self.today else wishes
            parts = _good_parts(night, wished, self.site)
            if parts:
                longest_h = max(window.span.duration for window in night.windows) / timedelta(hours=1)
                unsaid = _unsaid([why_unsaid(night, part, wished, self.site) for part in parts])
                yield _GoodNight(night.name, longest_h, unsaid)

    def _nights(self, wishes: Wishes, first: date, count: int) -> Iterator[Night]:
        """Each night under the sky of each target."""
        for sky in wishes.skies:
            for block in site_in_blocks(self.site, first, count, sky, self.ephemeris):
                yield from (night for _, night in readable_nights(block))

    def why_never(self, wishes: Wishes) -> Iterator[str]:
        """The reason in one sentence, then easier wishes that give nights, with their number."""
        at_home = replace(wishes, trips=())
        yield self._reason(at_home)
        offers = []
        for wish, other in _easier(self.site, at_home):
            count = len({each.name for each in self.good_nights(other) if each.name < self.today})
            if count:
                nights = phrase("reports.nights", count=count)
                offers.append(say("reports.advice-offer", text=wish, nights=nights))
        yield from offers[:MOST_OFFERS] or [say("reports.advice-no-offer")]

    def _reason(self, wishes: Wishes) -> str:
        first = self.today - timedelta(days=LOOKED_BACK)
        windows = [(night, window) for night in self._nights(wishes, first, LOOKED_BACK)
                   for window in night.windows]  # fmt: skip
        if not windows:
            never = never_holds(self.site, wishes.sky, self.today.year, self.ephemeris)
            return next(iter(never), say("reports.advice-no-window"))
        longest_night, longest = max(windows, key=lambda pair: pair[1].span.duration)
        if longest.span.duration < wishes.shortest_window:
            return say(
                "reports.advice-longest",
                lasts=longest.span.duration,
                day=longest_night.name,
                shortest=wishes.shortest_window,
            )
        if not any(_has_shape(window, wishes) for _, window in windows):
            asked = [shape_phrase(shape) for shape in wishes.shapes]
            seen = {each for _, window in windows for piece in window.shapes for each in piece.standing}
            if not seen:
                return say("reports.advice-shape-never", asked=asked)
            stands = [shape_phrase(shape) for shape in Shape if shape in seen]
            return say("reports.advice-shape-other", asked=asked, stands=stands)
        if all(is_ruled_out(night.name, wishes, self.site) for night, _ in windows):
            return say("reports.advice-evenings")
        return say("reports.advice-gate")

    def empty_trips(self, wishes: Wishes) -> Iterator[str]:
        """A sentence for each coming trip on which no night has the sky for it."""
        for trip in wishes.trips:
            if self.today <= trip.last and trip.first <= self.today + TRIPS_WITHIN:
                first = max(trip.first, self.today)
                count = min((trip.last - first).days + 1, LONGEST_TRIP_LOOKED_AT)
                if not any(
                    _good_parts(each, wishes, self.site) for each in self._nights(wishes, first, count)
                ):
                    dates = {"first": trip.first, "last": trip.last, "year": trip.last.year}
                    yield say("reports.advice-trip-empty", **dates)


def _good_parts(night: Night, wishes: Wishes, site: Site) -> list[Span]:
    """Of the night's windows those parts that have the length, the shapes and the time to be there."""
    if not night.windows or is_ruled_out(night.name, wishes, site):
        return []
    usable = usable_spans(night, wishes, site)
    return [
        part
        for window, part in zip(night.windows, usable, strict=True)
        if part is not None and part.duration >= wishes.shortest_window and _has_shape(window, wishes)
    ]


def _has_shape(window: DarkWindow, wishes: Wishes) -> bool:
    return not wishes.shapes or any(piece.has(wishes.shapes) for piece in window.shapes)


def _easier(site: Site, wishes: Wishes) -> Iterator[tuple[str | Phrase, Wishes]]:
    """What else could be wished for, from near to far, and as inside a sentence."""
    for sky in easier_wishes(site, wishes.sky):
        has_shape = sky.target.kind in (TargetKind.CORE, TargetKind.BAND)
        shapes = wishes.shapes if has_shape else ()
        yield wishes_text(site, sky), replace(wishes, sky=sky, more_targets=(), shapes=shapes)
    usual = Wishes()
    if wishes.shortest_window > usual.shortest_window:
        shorter = phrase("reports.advice-easier-length", shortest=usual.shortest_window)
        yield shorter, replace(wishes, shortest_window=usual.shortest_window)
    if wishes.shapes:
        yield phrase("reports.advice-easier-shape"), replace(wishes, shapes=())
    if wishes.weekdays != ALL_WEEK:
        yield phrase("reports.advice-easier-evening"), replace(wishes, weekdays=ALL_WEEK)
    if wishes.home_by:
        yield phrase("reports.advice-easier-home-by"), replace(wishes, home_by=())


def contradictions(site: Site, wishes: Wishes, today: date) -> Iterator[Phrase]:
    """What in the wishes works against the rest, from the wishes and the site alone."""
    gust_ms, wind_ms = wishes.gust_limit_ms, wishes.wind_limit_ms
    if gust_ms < wind_ms:
        yield phrase("reports.advice-gusts", gust_ms=gust_ms, wind_ms=wind_ms)

    idle = [each.weekday for each in wishes.home_by if each.weekday not in wishes.weekdays]
    if idle and len(wishes.home_by) < len(ALL_WEEK):
        yield phrase("reports.advice-home-by", weekdays=weekday_phrases(idle))

    before = wishes.signal_lost_before
    if before is not None and before > wishes.usual_drive.length:
        yield phrase("reports.advice-signal", before=before, drive=wishes.usual_drive.length)

    for trip in wishes.trips:
        days = (trip.first + timedelta(days=k) for k in range(min((trip.last - trip.first).days + 1, 366)))
        closed = dict.fromkeys(day.month for day in days if day.month not in site.access_months)
        if closed and trip.last >= today:
            yield phrase(
                f"reports.advice-trip-road{'-note' if site.access_note else ''}",
                first=trip.first,
                last=trip.last,
                year=trip.last.year,
                months=[month_name(month) for month in closed],
                note=site.access_note,
            )
