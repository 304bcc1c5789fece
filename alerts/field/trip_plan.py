"""When to leave, when to be there, when it is too late, and when one is home again; how long the drive takes
from home, where nobody said: an estimate from the distance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from alerts.common.clock_times import DAY, at_clock
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site
from alerts.sky.night import Night
from alerts.wishes.model import Drive, Wishes

USUAL_SPEED_KMH = 70.0
"""On country roads with villages between, stops aside; a home can say another."""
SLOWEST_KMH, FASTEST_KMH = 10.0, 150.0
DETOUR = 1.4
"""Roads are so much longer than the great circle. Ballou, Rahardja and Sakai (2002, Transportation Research
Part A 36, 843) found 1.2 to 1.6 from country to country, Boscoe, Henry and Zdeb (2012, The Professional
Geographer 64, 188) 1.42 over a whole one (from memory). In mountains it is more, so that an estimate is short
there."""
DRIVE_STEP = timedelta(minutes=5)
LONGEST_DRIVE = timedelta(hours=12)
"""Nobody drives longer for a night: beyond it there is no estimate."""
PLACE_DECIMALS = 2
"""A home is kept to 0.01 degrees, about 1 km: that is all an estimate needs, and says no house."""
PACK_UP = timedelta(minutes=15)
"""From the last frame to the turned key."""
NOON_HOUR = 12
_MOMENT = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Home:
    """Where somebody sets out, rounded, and how fast they travel. Personal: shown to nobody else.

    BadInput for a speed that nobody travels at.
    """

    lat_deg: float
    lon_deg: float
    speed_kmh: float = USUAL_SPEED_KMH

    def __post_init__(self) -> None:
        slowest, fastest, speed = SLOWEST_KMH, FASTEST_KMH, self.speed_kmh
        if not slowest <= speed <= fastest:
            text = "field.usual-speed-range"
            raise BadInput(phrase(text, slowest_kmh=slowest, fastest_kmh=fastest, speed_kmh=speed))
        if not (abs(self.lat_deg) <= 90 and abs(self.lon_deg) <= 180):
            raise BadInput(phrase("field.home-range"))

    @property
    def rounded(self) -> Home:
        """The same home as it may be kept."""
        return replace(
            self, lat_deg=round(self.lat_deg, PLACE_DECIMALS), lon_deg=round(self.lon_deg, PLACE_DECIMALS)
        )

    def away_km(self, lat_deg: float, lon_deg: float) -> float:
        """The great circle to a place."""
        return distance_km(self.lat_deg, self.lon_deg, lat_deg, lon_deg)


def drive_over(great_circle_km: float, speed_kmh: float) -> timedelta:
    """The drive over roads, rounded up to five minutes."""
    length = timedelta(hours=great_circle_km * DETOUR / speed_kmh)
    return DRIVE_STEP * math.ceil(length / DRIVE_STEP)


def drive_from(home: Home, lat_deg: float, lon_deg: float) -> timedelta | None:
    """The drive one way, estimated; None for what nobody drives."""
    drive = drive_over(home.away_km(lat_deg, lon_deg), home.speed_kmh)
    return drive if drive <= LONGEST_DRIVE else None


def with_home(wishes: Wishes, home: Home | None, site: Site | None) -> Wishes:
    """These wishes with the drive to that site as it is estimated from home; without either without one."""
    estimate = None if home is None or site is None else drive_from(home, site.lat_deg, site.lon_deg)
    return replace(wishes, drive_estimate=estimate)


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
