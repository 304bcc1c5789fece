"""When to leave, when to be there, when it is too late, and when one is home again."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

from alerts.common.clock_times import DAY, at_clock
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.night import Night
from alerts.wishes.model import Drive, Wishes

PACK_UP = timedelta(minutes=15)
"""From the last frame to the turned key."""
NOON_HOUR = 12
_MOMENT = timedelta(microseconds=1)


@value(frozen=True, slots=True)
class FieldPlan:
    """The times of one trip to one window, all UTC.

    leave_by: with time to scout before the window starts. arrive: after the drive.
    latest_departure: leaving later, less than the shortest wished time is left on the spot.
    start: the place one leaves from, "" for home. signal_lost_after: how long after leaving the phone goes
    silent; None where it doesn't.
    """

    leave_by: datetime
    arrive: datetime
    latest_departure: datetime
    window: Span
    home_about: datetime
    drive: Drive
    start: str = ""
    signal_lost_after: timedelta | None = None

    @property
    def signal_lost_at(self) -> datetime | None:
        """When the phone goes silent for who leaves as planned."""
        return None if self.signal_lost_after is None else self.leave_by + self.signal_lost_after


def plan_trip(night: Night, window: Span, wishes: Wishes, site: Site) -> FieldPlan:
    """The trip to `window` in one night: with the drive of a trip, scouting by daylight, and the site's gate.

    window: the part of a dark window that can be used, see `usable_span`. By daylight, scouting ends at
    the last sunset before the window; without a sunset it ends with the window's start. Plain subtraction in
    UTC, so a clock change on the way moves nothing. A window shorter than the shortest one still gets a plan;
    it is the verdict that refuses it.
    """
    trip, gate, scouted = wishes.trip_on(night.name), site.gate, window.start
    if wishes.scout_by_daylight:
        scouted = max((at for at in night.sun.sets if at <= window.start), default=window.start)
    arrive = scouted - wishes.scouting
    if gate is not None and gate.hours.around(arrive, site.tz) is None:
        # when the gate opens, or (staying inside) before it closes
        opened = list(gate.hours.touching(Span(arrive, window.start + _MOMENT), site.tz))
        closed = list(gate.hours.touching(Span(arrive - DAY, arrive), site.tz))
        arrive = opened[0].start if opened else closed[-1].end if closed else arrive
    made = plan_from(window, wishes, arrive, wishes.drive_on(night.name), trip.start if trip else "")
    if gate is None or not gate.may_stay:
        return made
    # inside overnight: one must come before the gate closes, and drives home when it opens again
    latest, opens = made.latest_departure, window.end + PACK_UP
    last_in = gate.hours.around(made.arrive, site.tz)
    if last_in is not None:
        latest = min(latest, max(made.leave_by, last_in.end - made.drive.length))
    if gate.hours.around(opens, site.tz) is None:
        later = gate.hours.touching(Span(opens, opens + 2 * DAY), site.tz)
        opens = min((span.start for span in later), default=opens)
    return replace(made, latest_departure=latest, home_about=opens + made.drive.length)


def plan_from(window: Span, wishes: Wishes, arrive: datetime, drive: Drive, start: str = "") -> FieldPlan:
    """The trip to `window` of who arrives then, after that drive."""
    takes, before = drive.length, wishes.signal_lost_before
    return FieldPlan(
        leave_by=arrive - takes,
        arrive=arrive,
        latest_departure=window.end - wishes.shortest_window - takes,
        window=window,
        home_about=window.end + PACK_UP + takes,
        drive=drive,
        start=start,
        signal_lost_after=None if before is None else max(takes - before, timedelta(0)),
    )


def open_span(window: Span, site: Site) -> Span | None:
    """The longest part of the window in which one may be there, ready to drive out before the gate closes."""
    if site.gate is None or site.gate.may_stay:
        return window
    spans = site.gate.hours.touching(window, site.tz)
    shortened = [Span(each.start, each.end - PACK_UP) for each in spans if each.duration > PACK_UP]
    parts = [part for each in shortened if (part := each.overlap(window)) is not None]
    return max(parts, key=lambda part: part.duration, default=None)


def home_by(night_name: date, wishes: Wishes, site: Site) -> datetime | None:
    """The moment by which one must be home after that night, on the person's clock.

    A time before noon is the next morning's, any other the evening's own.
    """
    clock = next((each.by for each in wishes.home_by if each.weekday == night_name.weekday()), None)
    if clock is None:
        return None
    day = night_name + DAY if clock.hour < NOON_HOUR else night_name
    return at_clock(day, clock, wishes.clock(site.tz))


def home_span(window: Span, night_name: date, wishes: Wishes, site: Site) -> Span | None:
    """The part of the window that leaves time to pack up and be home when one must; None when none does."""
    must = home_by(night_name, wishes, site)
    if must is None:
        return window
    end = min(window.end, must - wishes.drive_on(night_name).length - PACK_UP)
    return Span(window.start, end) if window.start < end else None


def usable_span(window: Span, night_name: date, wishes: Wishes, site: Site) -> Span | None:
    """The part of a dark window that the gate and the time to be home leave; None when nothing is left."""
    inside = open_span(window, site)
    return None if inside is None else home_span(inside, night_name, wishes, site)
