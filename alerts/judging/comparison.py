"""Nights side by side: several sites over a span of dates, and one person's sites on one night.

A fork is where two sites of a night are close enough that one can still decide between them on the road.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.common.time_text import said_minutes
from alerts.field.trip_plan import DRIVE_STEP, FieldPlan, drive_over
from alerts.judging.verdict import BEST_FIRST, Verdict, VerdictWord
from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night, SkyWishes, name_at
from alerts.sky.nights.night_builder import nights_for_sites, readable_nights
from alerts.sky.nights.season import worth_of
from alerts.wishes.model import Wishes

MOST_SITES = 50
LONGEST_DAYS = 62
USUAL_NIGHTS = 14

CLOSE_LEAVE_BY = timedelta(minutes=30)
"""Two sites for which one leaves within this of each other can be decided between on the road."""
LATE = 0.5
"""Ways that are the same for this share of the longer drive part late."""
NEAR_KM = 30.0
"""The great circle within which two sites share most of a way that nobody knows: with the usual drive of
90 minutes, some 75 km away, they stand within 23 degrees of each other."""
CROSSING_KMH = 50.0
WORTH_NAMING = (VerdictWord.GO, VerdictWord.WAIT)
MOST_OTHERS = 4


@dataclass(frozen=True, slots=True)
class ComparedNight:
    """One night at one site.

    verdict: None where no forecast reaches the night, so that the sky alone is known. as_of: when it was
    judged. worth: minutes of window weighed by shape (see `alerts.sky.nights.season.worth_of`), times the
    chance where there is one. decided_pct: the chance of a decision that is read without its weather.
    """

    site: Site
    night: Night
    verdict: Verdict | None
    worth: float
    as_of: datetime | None = None
    decided_pct: int | None = None

    @classmethod
    def of(
        cls,
        site: Site,
        night: Night,
        verdict: Verdict | None = None,
        as_of: datetime | None = None,
        decided_pct: int | None = None,
    ) -> ComparedNight:
        """With its worth from sky and chance."""
        known = cls(site, night, verdict, sky_worth(night), as_of, decided_pct)
        share = 1 if known.chance_pct is None else known.chance_pct / 100
        return replace(known, worth=known.worth * share)

    @property
    def chance_pct(self) -> int | None:
        """As it was decided, or by the outlook of the verdict."""
        if self.decided_pct is not None or self.verdict is None:
            return self.decided_pct
        return self.verdict.chance_pct

    @property
    def window(self) -> Span:
        """What the verdict is about; the longest window where nothing is decided of any."""
        if self.verdict is not None and self.verdict.usable is not None:
            return self.verdict.usable
        return max((each.span for each in self.night.windows), key=lambda span: span.duration)

    @property
    def minutes(self) -> float:
        return said_minutes(*(window.span for window in self.night.windows))


Judge = Callable[[Site, Sequence[Night]], ComparedNight]
"""Judges a night of a site as each target makes it, the one wanted most first."""


def tonight_at(sites: Iterable[Site], now: datetime) -> date:
    """The night that contains `now`, the earliest where the sites differ; today in UTC without sites."""
    return min((name_at(site, now) for site in sites), default=now.date())


def usual_span(first: date | None, last: date | None, tonight: date) -> tuple[date, date]:
    """The dates to compare; a missing one makes it fourteen nights."""
    start = first or (last - timedelta(days=USUAL_NIGHTS - 1) if last else tonight)
    return start, last or start + timedelta(days=USUAL_NIGHTS - 1)


def compare(
    skies: Mapping[Site, Sequence[SkyWishes]],
    dates: tuple[date, date],
    ephemeris: Ephemeris,
    *,
    judge: Judge | None = None,
    decided: Collection[ComparedNight] = (),
) -> tuple[ComparedNight, ...]:
    """The nights with a window at any of the sites from one date to another, both included, best first.

    skies: of each site the sky of each target, in the order in which they will do; a night is shown as the
    first one makes it. decided: nights of these sites that were judged before. judge: judges the others;
    without it they are put in order by the sky alone.
    Raises BadInput for no or too many sites and for dates that are too far apart or in the wrong order.
    """
    first, last = dates
    if not skies:
        raise BadInput(phrase("judging.compare-nothing"))
    if len(skies) > MOST_SITES:
        raise BadInput(phrase("judging.compare-too-many-sites", most_sites=MOST_SITES))
    if last < first:
        raise BadInput(phrase("judging.compare-dates-crossed", first=first, last=last))
    if (last - first).days >= LONGEST_DAYS:
        crossed = phrase("judging.compare-too-many-nights", longest_days=LONGEST_DAYS, first=first, last=last)
        raise BadInput(crossed)

    # sites that share a sky are worked out in one pass
    groups: defaultdict[SkyWishes, list[Site]] = defaultdict(list)
    for site, mine in skies.items():
        for sky in mine:
            groups[sky].append(site)
    made: defaultdict[tuple[Site, date], dict[SkyWishes, Night]] = defaultdict(dict)
    for sky, group in groups.items():
        whole = nights_for_sites(group, first, (last - first).days + 1, sky, ephemeris)
        for row, night in readable_nights(whole):
            if night.name <= last:
                made[group[row], night.name][sky] = night

    known = {(each.site, each.night.name): each for each in decided if first <= each.night.name <= last}
    found = [each for each in known.values() if each.night.windows]
    for (site, name), by_sky in made.items():
        nights = [by_sky[sky] for sky in skies[site] if sky in by_sky]
        if nights[0].windows and (site, name) not in known:
            found.append(ComparedNight.of(site, nights[0]) if judge is None else judge(site, nights))
    return tuple(sorted(found, key=standing))


def sky_worth(night: Night) -> float:
    """The night's worth from the sky alone, in minutes."""
    return worth_of([piece for window in night.windows for piece in window.shapes])


def standing(each: ComparedNight) -> tuple[float, float, date, str]:
    """What puts nights in order: the verdict, then worth, date and name. Go and wait come before what nobody
    has judged yet; that before unknown and stay."""
    rank = 1.5 if each.verdict is None else float(BEST_FIRST.index(each.verdict.word))
    return rank, -each.worth, each.night.name, each.site.name


class Order(StrEnum):
    WORTH = "worth"
    CHANCE = "chance"
    DATE = "date"
    DRIVE = "drive"


@dataclass(frozen=True, slots=True)
class RankedNight:
    """A compared night with its drive, one way. is_estimate: by the distance from home."""

    each: ComparedNight
    drive: timedelta
    is_estimate: bool


def rank(
    nights: Iterable[ComparedNight], order: Order, wishes: Mapping[Site, Wishes]
) -> tuple[RankedNight, ...]:
    """The nights in that order, equal ones as `compare` has them. wishes: each site's, for its drives."""
    found = []
    for each in sorted(nights, key=standing):
        drive = wishes[each.site].drive_on(each.night.name)
        found.append(RankedNight(each, drive.length, drive.is_estimate))
    if order is Order.CHANCE:
        found.sort(key=lambda one: -1 if one.each.chance_pct is None else one.each.chance_pct, reverse=True)
    elif order is Order.DATE:
        found.sort(key=lambda one: one.each.night.name)
    elif order is Order.DRIVE:
        found.sort(key=lambda one: one.drive)
    return tuple(found)


@value(frozen=True, slots=True)
class SiteChoice:
    """One site on a night, as one person sees it. plan: the trip to its window, None without one. place:
    latitude and longitude."""

    site_name: str
    word: VerdictWord
    chance_pct: int | None
    worth: float
    window: Span | None
    plan: FieldPlan | None = None
    place: tuple[float, float] | None = None

    def as_other(self) -> OtherSite:
        plan = self.plan
        times = (plan.leave_by, plan.latest_departure) if plan else (None, None)
        return OtherSite(self.site_name, self.word, self.chance_pct, self.window, *times)


def choice_of(site: Site, verdict: Verdict, plan: FieldPlan | None) -> SiteChoice:
    """What a verdict makes of a site."""
    place = (site.lat_deg, site.lon_deg)
    return SiteChoice(site.name, verdict.word, verdict.chance_pct, verdict.worth, verdict.usable, plan, place)


def others_than(lead: SiteChoice, choices: Sequence[SiteChoice], now: datetime) -> tuple[SiteChoice, ...]:
    """The other sites worth naming beside this one, those one could still go to: go before wait, then by
    worth, then by name."""
    reachable = [
        each
        for each in choices
        if each is not lead
        and each.word in WORTH_NAMING
        and (each.plan is None or now <= each.plan.latest_departure)
    ]
    reachable.sort(key=lambda each: (BEST_FIRST.index(each.word), -each.worth, each.site_name))
    return tuple(reachable[:MOST_OTHERS])


def fork_told(lead: SiteChoice, others: Sequence[SiteChoice], now: datetime, zone: str) -> Phrase | None:
    """`leave by 18:10 either way; decide at 20:30: East 74 %, West 41 %`, on the person's clock; None where
    there is no fork. The other is the best site to which the ways part late, see `find_fork`."""
    found = next(((each, fork) for each in others if (fork := find_fork(lead, each)) is not None), None)
    if found is None:
        return None
    other, fork = found
    sites = tuple(
        phrase("judging.fork-site", site=each.site_name, chance_pct=each.chance_pct)
        if each.chance_pct is not None
        else phrase("judging.fork-site-unknown", site=each.site_name)
        for each in (lead, other)
    )
    if fork.leave_by <= now:
        return phrase("judging.fork-close", sites=sites).on(zone)
    return phrase(
        "judging.fork",
        decides_then=fork.decide_at <= fork.leave_by,
        leave_by=fork.leave_by,
        decide_at=fork.decide_at,
        sites=sites,
    ).on(zone)


@value(frozen=True, slots=True)
class Fork:
    """Two sites between which one can still decide on the road, and until when."""

    leave_by: datetime
    decide_at: datetime


def find_fork(one: SiteChoice, other: SiteChoice) -> Fork | None:
    """Where the ways to two sites part late; None where they don't, or where nobody can say so.

    1. One leaves at about the same time: within CLOSE_LEAVE_BY.
    2. The ways are shared for most of the drive. With the drives a and b and the one between the sites c,
       (a + b - c) / 2 is how long the way stays the same if roads branch and don't meet again (the Gromov
       product of the sites, seen from home). It must be LATE of the longer drive or more: by step 1 alone
       sites 314 km apart in opposite directions were a fork. No map is needed. Where one drive
       isn't known, neither given nor estimated, nothing is known of the way: the sites must then lie within
       NEAR_KM of each other.
    3. It is decided when the ways part, to five minutes, or when the phone first goes silent on either;
       when one leaves where the way isn't known and the phone keeps its signal.
    4. From then on there is time to drive from one to the other before either window opens, so that a wrong
       guess costs no window.

    The drive between the sites is estimated at CROSSING_KMH, slower than to them, since no trunk road need
    join them: too slow makes a fork rarer, never wrong.
    """
    mine, theirs = one.plan, other.plan
    if mine is None or theirs is None or one.window is None or other.window is None:
        return None
    if one.place is None or other.place is None or abs(mine.leave_by - theirs.leave_by) > CLOSE_LEAVE_BY:
        return None
    apart_km = distance_km(*one.place, *other.place)
    crossing = drive_over(apart_km, CROSSING_KMH)
    leave_by = min(mine.leave_by, theirs.leave_by)
    lost = [
        each.signal_lost_at - (each.leave_by - leave_by)
        for each in (mine, theirs)
        if each.signal_lost_at is not None
    ]
    if not (mine.drive.is_known and theirs.drive.is_known):
        if apart_km > NEAR_KM:
            return None
        decide_at = min(lost, default=leave_by)
    else:
        drives = mine.drive.length, theirs.drive.length
        shared = min((sum(drives, timedelta(0)) - crossing) / 2, *drives)
        if shared < LATE * max(drives):
            return None
        decide_at = min([*lost, leave_by + shared // DRIVE_STEP * DRIVE_STEP])
    if max(decide_at, leave_by) + crossing > min(one.window.start, other.window.start):
        return None
    return Fork(leave_by, decide_at)


@dataclass(frozen=True, slots=True)
class OtherSite:
    """Another site of the same person on the same night, as it is judged now. latest_departure: leaving
    later helps no more; None where that isn't known."""

    site_name: str
    verdict: VerdictWord
    chance_pct: int | None
    window: Span | None
    leave_by: datetime | None
    latest_departure: datetime | None = None
