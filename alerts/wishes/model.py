"""What a subscriber wants of a night, with defaults that suit one wide-angle frame on a tripod."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, time, timedelta, tzinfo
from enum import StrEnum
from functools import lru_cache

from alerts.common.clock_times import ClockSpan, zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.plain_values import value
from alerts.common.units import Units
from alerts.sky.night import Shape, SkyWishes, Target, TargetKind, require_loss_wish

ALL_WEEK = (0, 1, 2, 3, 4, 5, 6)
MOST_TARGETS = 5
MOST_TRIPS = 20
LONGEST_START = 80

USUAL_DRIVE = timedelta(minutes=90)
"""One way, where nobody gave a drive and no home is known to estimate it from."""
TAKE_BACK_MARGIN_PCT = 5
"""How far below the wish a chance must lie to take a go back: one that moves by less is no news, and turns
nobody round on the road."""


@dataclass(frozen=True, slots=True)
class LimitChoice:
    """A named pair of limits: the event's chance for a go, and the one to take it back, in %."""

    name: str
    go_pct: int
    back_pct: int


CHOICES = (LimitChoice("eager", 50, 30), LimitChoice("even", 70, 50), LimitChoice("choosy", 85, 65))
"""From more drives, more of them in vain, to fewer and surer ones; `even` is the usual one."""


class Temperature(StrEnum):
    CELSIUS = "celsius"
    FAHRENHEIT = "fahrenheit"


class Distance(StrEnum):
    KILOMETRES = "kilometres"
    MILES = "miles"


@dataclass(frozen=True, slots=True)
class UnitWishes:
    """How figures are written to a person; nothing is judged by it. clock_hours: 24 or 12."""

    temperature: Temperature = Temperature.CELSIUS
    distance: Distance = Distance.KILOMETRES
    clock_hours: int = 24

    def __post_init__(self) -> None:
        if self.clock_hours not in (12, 24):
            raise BadInput(phrase("wishes.clock-hours", clock_hours=self.clock_hours))


@dataclass(frozen=True, slots=True)
class HomeBy:
    """After nights of that evening's weekday (0 Monday … 6 Sunday): at home again by this time of day."""

    weekday: int
    by: time

    def __post_init__(self) -> None:
        _require_weekday(self.weekday)
        if self.by.tzinfo is not None:
            raise BadInput(phrase("wishes.home-by-with-zone"))


@dataclass(frozen=True, slots=True)
class Trip:
    """Evenings spent elsewhere, first and last included.

    drive: one way from there; None for the drive that is wished for, or 90 minutes. start: what that place is
    called, "" for none.
    """

    first: date
    last: date
    drive: timedelta | None = None
    start: str = ""

    def __post_init__(self) -> None:
        if self.last < self.first:
            raise BadInput(phrase("wishes.trip-order", first=self.first, last=self.last))
        if self.drive is not None:
            _require_length("trip_drive", self.drive)
        if len(self.start) > LONGEST_START:
            raise BadInput(phrase("wishes.start-too-long", longest_start=LONGEST_START))


@value(frozen=True, slots=True)
class Drive:
    """A drive, one way. is_known: it was given or estimated; is_estimate: by the distance from home."""

    length: timedelta
    is_known: bool = True
    is_estimate: bool = False


@dataclass(frozen=True, slots=True)
class Wishes:
    """A subscriber's limits. No person is in it, so it can be stored with each decision.

    sky: darkness, Moon and the lowest height, with the target wanted most; more_targets: what else will
    do, in order. shapes: how the Milky Way should stand; empty for any.
    shortest_window: clear and dark time in one piece that makes the drive worth it.
    chance_go_pct, chance_back_pct: the event's chance from which a go is said, and the limit
    to take it back, which is done TAKE_BACK_MARGIN_PCT below it.
    wind_limit_ms, gust_limit_ms: mean wind and gust at 10 m, in m/s. coldest_c: felt temperature (wind
    chill where it is defined), None for no limit.
    weekdays: evenings that suit, 0 Monday … 6 Sunday. home_by: at most one for each weekday.
    trips: evenings spent elsewhere; trips_only: nights of no trip don't count (when there are trips).
    drive: one way, None where nobody gave it. drive_estimate: the same from home, where that is known; it is
    worked out (`alerts.field.trip_plan`) and kept here, so that what was decided still says what it rested
    on. scouting: time on the spot before the window starts; scout_by_daylight: that time must end by sunset.
    notice: how long before one must leave a go is wanted.
    days_ahead: how far ahead a heads-up is wanted. signal_lost_before: how long before arriving the phone
    goes silent; None where it doesn't. most_a_week: heads-ups and goes in seven days, None for any
    number. quiet: when nothing but a warning may ring. clock_zone: IANA name of the clock that `quiet` and
    `home_by` are read on; "" for the site's.
    Raises BadInput for limits that contradict each other or can't be met on Earth.
    """

    sky: SkyWishes = SkyWishes()
    # Enough for eight frames, two dark frames and a second composition; 60 hides spring's short windows.
    shortest_window: timedelta = timedelta(minutes=30)
    chance_go_pct: int = 70
    chance_back_pct: int = 50
    wind_limit_ms: float = 9.0
    gust_limit_ms: float = 15.0
    coldest_c: float | None = None
    drive: timedelta | None = None
    drive_estimate: timedelta | None = None
    scouting: timedelta = timedelta(minutes=60)
    notice: timedelta = timedelta(hours=2)
    days_ahead: int = 5
    more_targets: tuple[Target, ...] = ()
    shapes: tuple[Shape, ...] = ()
    weekdays: tuple[int, ...] = ALL_WEEK
    home_by: tuple[HomeBy, ...] = ()
    trips: tuple[Trip, ...] = ()
    trips_only: bool = True
    scout_by_daylight: bool = False
    signal_lost_before: timedelta | None = None
    most_a_week: int | None = None
    quiet: ClockSpan | None = ClockSpan(time(22), time(7))
    clock_zone: str = ""
    units: UnitWishes = UnitWishes()

    def __post_init__(self) -> None:
        if not 0 <= self.chance_back_pct <= self.chance_go_pct <= 100:
            back_pct, go_pct = self.chance_back_pct, self.chance_go_pct
            raise BadInput(phrase("wishes.chances-crossed", chance_back_pct=back_pct, chance_go_pct=go_pct))
        for name in (
            "shortest_window",
            "drive",
            "drive_estimate",
            "scouting",
            "notice",
            "signal_lost_before",
        ):
            length: timedelta | None = getattr(self, name)
            if length is not None:
                _require_length(name, length)
        for what, limit, most in (("wind", self.wind_limit_ms, 60.0), ("gust", self.gust_limit_ms, 90.0)):
            if not 0 < limit <= most:
                raise BadInput(
                    phrase("wishes.speed-limit-range", what=what, strongest_ms=most, limit_ms=limit)
                )
        if self.coldest_c is not None and not -90 <= self.coldest_c <= 40:
            raise BadInput(phrase("wishes.coldest-range", coldest_c=self.coldest_c))
        if not 0 <= self.days_ahead <= 15:
            raise BadInput(phrase("wishes.days-ahead-range", days_ahead=self.days_ahead))
        if self.most_a_week is not None and not 1 <= self.most_a_week <= 100:
            raise BadInput(phrase("wishes.most-a-week-range", most_a_week=self.most_a_week))
        if self.sky.most_loss_mag is not None:
            require_loss_wish(self.sky.most_loss_mag)
        lowest_deg = self.sky.lowest_altitude_deg
        if lowest_deg is not None and not -5 <= lowest_deg <= 90:
            raise BadInput(phrase("wishes.lowest-altitude-range", lowest_deg=lowest_deg))
        _check_lists(self)

    @property
    def skies(self) -> tuple[SkyWishes, ...]:
        """The sky wishes for each target, the one wanted most first."""
        return (self.sky, *(replace(self.sky, target=target) for target in self.more_targets))

    @property
    def choice(self) -> LimitChoice | None:
        """The named choice that these limits are; None for limits of one's own."""
        return next(
            (c for c in CHOICES if (c.go_pct, c.back_pct) == (self.chance_go_pct, self.chance_back_pct)), None
        )

    @property
    def taken_back_at_pct(self) -> int:
        """The highest chance that takes a go back by itself: the margin below the limit, not below 0."""
        return max(0, self.chance_back_pct - TAKE_BACK_MARGIN_PCT)

    def clock(self, site_zone: tzinfo) -> tzinfo:
        """The clock that quiet hours, leaving and coming home are read on."""
        return zone_info(self.clock_zone) if self.clock_zone else site_zone

    def trip_on(self, night_name: date) -> Trip | None:
        """The trip that covers that night, the first named of several; None at home."""
        return next((trip for trip in self.trips if trip.first <= night_name <= trip.last), None)

    @property
    def usual_drive(self) -> Drive:
        """The drive from home: as given, else as estimated, else 90 minutes."""
        if self.drive is not None:
            return Drive(self.drive)
        estimate = self.drive_estimate
        return Drive(USUAL_DRIVE, is_known=False) if estimate is None else Drive(estimate, is_estimate=True)

    def drive_on(self, night_name: date) -> Drive:
        """The drive on that night; from elsewhere an estimate from home says nothing."""
        trip = self.trip_on(night_name)
        if trip is None:
            return self.usual_drive
        if trip.drive is not None:
            return Drive(trip.drive)
        return Drive(USUAL_DRIVE if self.drive is None else self.drive, is_known=False)

    def is_over_after(self, night_name: date) -> bool:
        """Whether no night from that one on can count any more: all trips lie behind."""
        return bool(self.trips) and self.trips_only and all(trip.last < night_name for trip in self.trips)


@lru_cache(maxsize=20_000)
def as_judged(wishes: Wishes) -> Wishes:
    """These wishes as far as a verdict reads them: who share them share the verdict.

    How one gets there matters only to who must be home by some time; when and how often one is told matters
    to no verdict. Made once for all who wish the same, night for night.
    """
    plain, trips = Wishes(), wishes.trips
    # an estimate is given as the drive below, but not to trips
    if wishes.home_by and wishes.usual_drive.is_estimate:
        trips = tuple(replace(trip, drive=USUAL_DRIVE) if trip.drive is None else trip for trip in trips)
    return replace(
        wishes,
        trips=trips,
        chance_back_pct=0,
        drive=wishes.usual_drive.length if wishes.home_by else USUAL_DRIVE,
        drive_estimate=None,
        clock_zone=wishes.clock_zone if wishes.home_by else "",
        scouting=plain.scouting,
        scout_by_daylight=plain.scout_by_daylight,
        notice=plain.notice,
        days_ahead=plain.days_ahead,
        signal_lost_before=None,
        most_a_week=None,
        quiet=None,
        units=plain.units,
    )


def _require_weekday(weekday: int) -> None:
    if weekday not in ALL_WEEK:
        raise BadInput(phrase("wishes.weekday-number", weekday=weekday))


def _require_length(what: str, value: timedelta) -> None:
    if not timedelta(0) <= value <= timedelta(hours=24):
        raise BadInput(phrase("wishes.length-range", what=what, value=value))


def _check_lists(wishes: Wishes) -> None:
    """Targets, shapes, evenings and trips: none twice, and not too many."""
    targets = [sky.target for sky in wishes.skies]
    if len(targets) > MOST_TARGETS:
        raise BadInput(phrase("wishes.too-many-targets", most_targets=MOST_TARGETS, count=len(targets)))
    if len(set(targets)) < len(targets):
        raise BadInput(phrase("wishes.target-twice"))
    if len(set(wishes.shapes)) < len(wishes.shapes):
        raise BadInput(phrase("wishes.shape-twice"))
    has_band = any(target.kind in (TargetKind.CORE, TargetKind.BAND) for target in targets)
    if wishes.shapes and not has_band:
        raise BadInput(phrase("wishes.shapes-without-band"))
    for weekday in wishes.weekdays:
        _require_weekday(weekday)
    if not wishes.weekdays or len(set(wishes.weekdays)) < len(wishes.weekdays):
        raise BadInput(phrase("wishes.no-weekday"))
    evenings = [each.weekday for each in wishes.home_by]
    if len(set(evenings)) < len(evenings):
        raise BadInput(phrase("wishes.home-by-twice"))
    if len(wishes.trips) > MOST_TRIPS:
        raise BadInput(phrase("wishes.too-many-trips", most_trips=MOST_TRIPS, count=len(wishes.trips)))
    if wishes.clock_zone:
        zone_info(wishes.clock_zone)


DEFAULT_WISHES = Wishes(sky=SkyWishes(lowest_altitude_deg=None))
"""For who names none: the core's limit follows from the site's latitude."""


def units_of(wishes: Wishes) -> Units:
    """As the person wishes to read figures and times."""
    wished = wishes.units
    return Units(
        fahrenheit=wished.temperature is Temperature.FAHRENHEIT,
        miles=wished.distance is Distance.MILES,
        clock_hours=wished.clock_hours,
    )
