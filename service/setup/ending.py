"""What setup ends with: the next nights worth it, what is still missing, and the way in for a phone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

from alerts.common.phrases import say
from alerts.common.time_text import say_day, say_lasting, say_span
from alerts.sky.nights.night_builder import tonight_name
from alerts.sky.nights.season import Season, never_holds, season
from alerts.wishes.model import DEFAULT_WISHES
from service.accounts.access import make_owner_link
from service.app import Duskbell
from service.reports.ring_check import RingCheck
from service.settings import is_loopback, origin_of
from service.store.repositories.people import find_operator
from service.store.repositories.sites import StoredSite

NIGHTS_SHOWN = 3
LOOKED_AHEAD = (timedelta(days=60), timedelta(days=366))
"""Most places have their three nights in two months; the far north waits for longer."""


def next_nights(duskbell: Duskbell, stored: StoredSite) -> Season:
    """The next three nights with a window that is long enough, by the usual wishes; fewer, or none, where a
    year has no more."""
    wishes, first = DEFAULT_WISHES, tonight_name(stored.site, duskbell.clock(), duskbell.ephemeris)
    shortest_min = wishes.shortest_window.total_seconds() / 60
    for ahead in LOOKED_AHEAD:
        found = season(stored.site, first, first + ahead, wishes.sky, duskbell.ephemeris)
        worth_it = [
            night
            for night in found.nights
            if max(window.span.minutes for window in night.windows) >= shortest_min
        ]
        if len(worth_it) >= NIGHTS_SHOWN:
            break
    return replace(found, nights=tuple(worth_it[:NIGHTS_SHOWN]))


def night_lines(found: Season) -> tuple[str, ...]:
    """`Thu 4 March: 05:10–06:04 CET, 54 min, arch`, one a window."""
    tz = found.site.tz
    return tuple(
        f"{say_day(night.name)}: {say_span(window.span, tz)}, {say_lasting(window.span)}"
        + (f", {', '.join(shape.value for shape in night.shapes)}" if night.shapes else "")
        for night in found.nights
        for window in night.windows
    )


def why_none(duskbell: Duskbell, found: Season) -> tuple[str, ...]:
    """Where no night ahead is worth it: why, and what else could be wished for."""
    return never_holds(found.site, found.wishes, found.first.year, duskbell.ephemeris)


def still_missing(duskbell: Duskbell) -> tuple[str, ...]:
    """What keeps the operator's places from ringing, or should be known, each with its mend."""
    now = duskbell.clock()
    with duskbell.sessions() as session:
        operator = find_operator(session)
        check = RingCheck(duskbell, session, now)
        return tuple(each.line() for each in check.of_all(operator.id if operator else None))


@dataclass(frozen=True, slots=True)
class WayIn:
    """A link that signs the operator in. unreachable: why a phone can't open it; "" where it may."""

    link: str
    unreachable: str


def way_in(duskbell: Duskbell) -> WayIn:
    """A fresh link for the operator, as `duskbell link` prints one."""
    settings = duskbell.settings
    with duskbell.sessions.begin() as session:
        link = make_owner_link(session, duskbell.clock(), public_url=settings.public_url)
    reached = origin_of(settings.public_url)
    if reached is not None and not is_loopback(reached.host):
        return WayIn(link, "")
    is_closed = is_loopback(settings.web_host)
    return WayIn(link, say("setup.this-machine-only-yet" if is_closed else "setup.this-machine-only"))


def fleet_note(duskbell: Duskbell) -> str:
    """What else must happen before changed settings count everywhere; "" where `serve` sees to it itself."""
    if duskbell.engine.dialect.name == "sqlite":
        return ""
    return say("setup.fleet-note")
