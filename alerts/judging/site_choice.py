"""Several sites of one person on one night: which first, and where two are close, the fork."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.common.phrases import Phrase, phrase
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.field.driving import STEP, drive_over
from alerts.field.trip_plan import FieldPlan
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site

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


@value(frozen=True, slots=True)
class SiteChoice:
    """One site on a night, as one person sees it. signal_lost_at: None where the phone keeps its signal.
    place: latitude and longitude. drive: one way, None where it is neither given nor estimated."""

    site_name: str
    word: VerdictWord
    chance_pct: int | None
    worth: float
    window: Span | None
    leave_by: datetime | None
    latest_departure: datetime | None = None
    signal_lost_at: datetime | None = None
    place: tuple[float, float] | None = None
    drive: timedelta | None = None

    def as_other(self) -> OtherSite:
        return OtherSite(
            self.site_name, self.word, self.chance_pct, self.window, self.leave_by, self.latest_departure
        )


def choice_of(site: Site, verdict: Verdict, plan: FieldPlan | None) -> SiteChoice:
    """What a verdict makes of a site."""
    return SiteChoice(
        site.name,
        verdict.word,
        verdict.chance_pct,
        verdict.worth,
        verdict.usable,
        plan.leave_by if plan else None,
        plan.latest_departure if plan else None,
        plan.signal_lost_at if plan else None,
        (site.lat_deg, site.lon_deg),
        plan.drive if plan and plan.drive_is_known else None,
    )


def best_first(choices: Sequence[SiteChoice]) -> list[SiteChoice]:
    """Go before wait before the rest, then by worth, then by name."""
    order = (VerdictWord.GO, VerdictWord.WAIT, VerdictWord.UNKNOWN, VerdictWord.STAY)
    return sorted(choices, key=lambda each: (order.index(each.word), -each.worth, each.site_name))


def others_than(lead: SiteChoice, choices: Sequence[SiteChoice], now: datetime) -> tuple[SiteChoice, ...]:
    """The other sites worth naming beside this one, best first: those one could still go to."""
    reachable = [
        each
        for each in choices
        if each is not lead
        and each.word in WORTH_NAMING
        and (each.latest_departure is None or now <= each.latest_departure)
    ]
    return tuple(best_first(reachable)[:MOST_OTHERS])


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
    if one.leave_by is None or other.leave_by is None or one.window is None or other.window is None:
        return None
    if one.place is None or other.place is None or abs(one.leave_by - other.leave_by) > CLOSE_LEAVE_BY:
        return None
    apart_km = distance_km(*one.place, *other.place)
    crossing = drive_over(apart_km, CROSSING_KMH)
    leave_by = min(one.leave_by, other.leave_by)
    lost = [
        each.signal_lost_at - (each.leave_by - leave_by)
        for each in (one, other)
        if each.signal_lost_at is not None and each.leave_by is not None
    ]
    if one.drive is None or other.drive is None:
        if apart_km > NEAR_KM:
            return None
        decide_at = min(lost, default=leave_by)
    else:
        shared = min((one.drive + other.drive - crossing) / 2, one.drive, other.drive)
        if shared < LATE * max(one.drive, other.drive):
            return None
        decide_at = min([*lost, leave_by + shared // STEP * STEP])
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
