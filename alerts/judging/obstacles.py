"""Can this ring? All that stands between a forecast and a word that somebody hears, as codes with values.

One rule for everybody who asks: setting up, subscribing, the pages, the doctor. Words:
alerts/briefing/text/obstacle_text.py. What it says of sources and limits is what a verdict will say
(alerts/judging/verdict.py): where it finds nothing, a cloudless forecast from these sources makes a go;
where it finds that there never is one, none does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from enum import StrEnum

import numpy as np

from alerts.common.clock_times import at_clock
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.field.trip_plan import plan_trip
from alerts.judging.rules import LINEAGES_NEEDED, PROVIDERS_NEEDED
from alerts.sites.model import Site
from alerts.sky.night import Night
from alerts.weather.models import independent_lineages
from alerts.weather.skill import (
    CLEAR_SHARE,
    Floats,
    chance_of,
    effective_voices,
    evidence,
    pooled_evidence,
    usual_log_odds,
)
from alerts.weather.sky_now import Says, StationSky, added_by
from alerts.weather.source_chance import SHORTEST_MOMENT, pct
from alerts.wishes.model import Wishes

HOUR = timedelta(hours=1)
LONGEST_WINDOW_H = 16.0
"""No night has longer astronomical darkness outside the polar circles; the chance hardly moves with it."""
LENGTHS_TRIED = 12
HOURS_BEFORE = 30
"""A go is said on the day of the night, which begins at most so long before its last window."""
BEST_STATION = StationSky("", Says.CLEAR, datetime(2000, 1, 1, tzinfo=UTC), 0.0, 0.0)
"""A person on the spot who sees a clear sky: no other report adds more."""


class Code(StrEnum):
    """What stands in the way."""

    NO_CONTACT = "no_contact"
    NO_FEED = "no_feed"
    ONE_PROVIDER = "one_provider"
    ONE_FAMILY = "one_family"
    NO_SITE = "no_site"
    NOBODY_TOLD = "nobody_told"
    ENDED = "ended"
    PAUSED = "paused"
    NOT_CONFIRMED = "not_confirmed"
    SWITCHED_OFF = "switched_off"
    NOT_INSTALLED = "not_installed"
    NO_TARGET = "no_target"
    OUTBOX_ONLY = "outbox_only"
    BEYOND_REACH = "beyond_reach"
    NEEDS_A_STATION = "needs_a_station"
    NO_SUCH_NIGHT = "no_such_night"
    TRIPS_OVER = "trips_over"
    ALWAYS_QUIET = "always_quiet"
    TOO_FAR = "too_far"
    CLASH = "clash"


class Level(StrEnum):
    """NEVER: until somebody mends it. FOR_NOW: it ends by itself. NOTE: it rings, but know this."""

    NEVER = "never"
    FOR_NOW = "for_now"
    NOTE = "note"


class Silence(StrEnum):
    """Why a feed says nothing of a place. UNDECLARED: it wants to be told how it is used, or a key.
    UNREADABLE: the settings name something that it doesn't know."""

    OFF = "off"
    UNDECLARED = "undeclared"
    UNREADABLE = "unreadable"
    REFUSES = "refuses"
    RESTS = "rests"
    SPENT = "spent"


PASSING = (Silence.RESTS, Silence.SPENT)
"""What ends by itself."""


@value(frozen=True, slots=True)
class Model:
    """One model of a feed. members: 1, or the size of the ensemble."""

    model: str
    lineage: str
    provider: str
    members: int = 1


@value(frozen=True, slots=True)
class FeedHere:
    """One feed at one place that it serves. models: those that it has there, asked or not.

    silent: why it says nothing, None when it answers; since, until, reason: of that.
    """

    feed: str
    models: tuple[Model, ...]
    silent: Silence | None = None
    since: datetime | None = None
    until: datetime | None = None
    reason: str = ""


@value(frozen=True, slots=True)
class Sources:
    """Who answers at a place by the settings. has_contact: without one nobody is asked."""

    has_contact: bool
    feeds: tuple[FeedHere, ...]

    @property
    def answering(self) -> tuple[Model, ...]:
        """The models whose lineage counts (`independent_lineages`)."""
        return _counted([each for each in self.feeds if each.silent is None])


@value(frozen=True, slots=True)
class Receiver:
    """Where a subscription's words go. number: of the address. barred: why nothing arrives there, None when
    it takes them; OUTBOX_ONLY where mail is written to files alone."""

    channel: str
    number: int = 0
    barred: Code | None = None
    reason: str = ""


@value(frozen=True, slots=True)
class YearAhead:
    """What the sky of a year, the calendar and the clock make of some wishes; sentences as they are told
    (service/reports/wish_advice.py).

    never: why no night has the sky, then what would give some. clashes: what works against the rest. unsaid:
    why no go of it could be said in time, see `why_unsaid`.
    """

    never: tuple[str, ...] = ()
    clashes: tuple[str, ...] = ()
    trips_are_over: bool = False
    unsaid: Code | None = None


@value(frozen=True, slots=True)
class Reach:
    """The highest chance (0..100) that can be stated under a cloudless sky: by forecasts, and where a station
    nearby sees it too."""

    forecasts_pct: int
    stations_pct: int


@value(frozen=True, slots=True)
class Asked:
    """One subscription. reach: None where nothing makes a go. year: None where nobody looked."""

    number: int
    receiver: Receiver
    limit_pct: int
    reach: Reach | None = None
    year: YearAhead | None = None
    paused_until: datetime | None = None
    ended_at: datetime | None = None


@value(frozen=True, slots=True)
class Obstacle:
    """One thing that stands in the way, with what its sentence needs.

    lineages, providers: who would answer; remedies: silent feeds that would make up for it. number: of
    subscription or address.
    """

    code: Code
    level: Level
    lineages: tuple[str, ...] = ()
    providers: tuple[str, ...] = ()
    remedies: tuple[FeedHere, ...] = ()
    channel: str = ""
    number: int = 0
    until: datetime | None = None
    reason: str = ""
    limit_pct: int = 0
    reach_pct: int = 0
    said: tuple[str, ...] = ()


def weightiest_first(found: Sequence[Obstacle]) -> tuple[Obstacle, ...]:
    """Each once, what never ends first."""
    order = list(Level)
    return tuple(sorted(dict.fromkeys(found), key=lambda each: order.index(each.level)))


def is_barred(found: Sequence[Obstacle]) -> bool:
    """Whether it can't ring as things are."""
    return any(each.level is not Level.NOTE for each in found)


# ---- sources


def of_sources(sources: Sources) -> Iterator[Obstacle]:
    """No contact, no feed, or too few independent ones for a go (alerts/judging/rules.py: sources)."""
    if not sources.has_contact:
        yield Obstacle(Code.NO_CONTACT, Level.NEVER)
    if _are_enough(sources.answering):
        return
    lineages = tuple(sorted({each.lineage for each in sources.answering}))
    providers = tuple(sorted({each.provider for each in sources.answering}))
    few = Code.ONE_PROVIDER if len(providers) < PROVIDERS_NEEDED else Code.ONE_FAMILY
    passing = [each for each in sources.feeds if each.silent in (None, *PASSING)]
    level = Level.FOR_NOW if _are_enough(_counted(passing)) else Level.NEVER

    # the silent feeds that would be enough each by itself; all that would answer where none is
    on = [each for each in sources.feeds if each.silent is None]
    waiting = passing if level is Level.FOR_NOW else sources.feeds
    silent = [each for each in waiting if each.silent is not None]
    remedies = tuple(each for each in silent if _are_enough(_counted([*on, each]))) or tuple(silent)
    ends = [each.until for each in remedies if each.until] if level is Level.FOR_NOW else []
    yield Obstacle(
        few if lineages else Code.NO_FEED,
        level,
        lineages,
        providers,
        remedies,
        until=max(ends, default=None),
        reason=next((each.reason for each in sources.feeds if each.silent is Silence.UNREADABLE), ""),
    )


def _counted(feeds: Sequence[FeedHere]) -> tuple[Model, ...]:
    models = [model for each in feeds for model in each.models]
    lineages = independent_lineages(model.lineage for model in models)
    return tuple(model for model in models if model.lineage in lineages)


def _are_enough(models: Sequence[Model]) -> bool:
    lineages, providers = {each.lineage for each in models}, {each.provider for each in models}
    return len(lineages) >= LINEAGES_NEEDED and len(providers) >= PROVIDERS_NEEDED


# ---- a subscription


def of_subscription(asked: Asked) -> Iterator[Obstacle]:
    """What its address, its state and its wishes put in the way."""
    if asked.ended_at is not None:
        yield Obstacle(Code.ENDED, Level.NEVER, number=asked.number)
        return
    if asked.paused_until is not None:
        yield Obstacle(Code.PAUSED, Level.FOR_NOW, number=asked.number, until=asked.paused_until)
    if (to := asked.receiver).barred is not None:
        level = Level.NOTE if to.barred is Code.OUTBOX_ONLY else Level.NEVER
        yield Obstacle(to.barred, level, channel=to.channel, number=to.number, reason=to.reason)
    yield from of_limit(asked.number, asked.limit_pct, asked.reach)
    if asked.year is not None:
        yield from of_year(asked.number, asked.year)


def of_limit(number: int, limit_pct: int, reach: Reach | None) -> Iterator[Obstacle]:
    """A limit that a cloudless sky doesn't reach."""
    if reach is None or limit_pct <= reach.forecasts_pct:
        return
    limit = Obstacle(
        Code.BEYOND_REACH, Level.NEVER, number=number, limit_pct=limit_pct, reach_pct=reach.forecasts_pct
    )
    if limit_pct <= reach.stations_pct:
        limit = replace(limit, code=Code.NEEDS_A_STATION, level=Level.NOTE)
    yield limit


def of_year(number: int, year: YearAhead) -> Iterator[Obstacle]:
    """What a year's sky, the calendar and the clock leave of the wishes."""
    if year.trips_are_over:
        yield Obstacle(Code.TRIPS_OVER, Level.NEVER, number=number)
    elif year.never:
        yield Obstacle(Code.NO_SUCH_NIGHT, Level.NEVER, number=number, said=year.never)
    elif year.unsaid is not None:
        yield Obstacle(year.unsaid, Level.NEVER, number=number)
    for sentence in year.clashes:
        yield Obstacle(Code.CLASH, Level.NOTE, number=number, said=(sentence,))


def why_unsaid(night: Night, usable: Span, wishes: Wishes, site: Site) -> Code | None:
    """Why no go could be said of a window in time, whatever the weather; None where one could.

    usable: the part of the window that counts. A go is said from the beginning of the day of the night until
    one must leave at the latest (alerts/notifying/policy.py), but not in quiet hours. The notice that was
    asked for only makes it come earlier, and so is in no go's way.
    """
    day_begins = at_clock(night.name, time(0), site.tz)
    latest = plan_trip(night, usable, wishes, site).latest_departure
    if latest <= day_begins:
        return Code.TOO_FAR
    free_from = day_begins
    for quiet in (
        wishes.quiet.touching(Span(day_begins, latest), wishes.clock(site.tz)) if wishes.quiet else ()
    ):
        if quiet.start > free_from:
            return None
        free_from = max(free_from, quiet.end)
    return None if free_from < latest else Code.ALWAYS_QUIET


# ---- how high a chance can get


def reach_of(
    models: Sequence[Model],
    shortest: timedelta,
    *,
    clear_share: float = CLEAR_SHARE,
    correct: Callable[[int, float], int] | None = None,
    has_stations: bool = True,
) -> Reach | None:
    """The highest chance that these models can make for an event of that length; None where they make no go.

    clear_share: the highest of the place's months. correct: a stated chance (0..100) as the record corrects
    it so many hours before a window. Over all windows from the shortest that will do, and all leads of a day
    on which a go is said, by the newest runs there can be.
    """
    if not _are_enough(models):
        return None
    members: dict[str, int] = {}  # of each family: alerts/weather/chance.py pools by the same
    for each in models:
        members[each.lineage] = max(each.members, members.get(each.lineage, 1))
    voices = [float(effective_voices(count)) for count in members.values()]
    shortest_h = max(shortest, SHORTEST_MOMENT) / HOUR
    window_h = np.linspace(shortest_h, max(LONGEST_WINDOW_H, shortest_h), LENGTHS_TRIED)
    # a lead is told in whole hours, the next one up (alerts/track/calibration/correct.py)
    sooner_h = np.maximum(np.arange(HOURS_BEFORE + 1) - 1.0, 0.0)
    lead_h = sooner_h[:, None] + window_h / 2
    added = evidence(0.0, lead_h / 24, window_h, shortest_h, clear_share)
    odds = usual_log_odds(window_h, shortest_h, clear_share) + pooled_evidence(
        np.repeat(added[..., None], len(voices), axis=-1), voices
    )
    by_forecasts = _highest_pct(odds, correct)
    if not has_stations:
        return Reach(by_forecasts, by_forecasts)
    beside = [added_by(BEST_STATION, hours) for hours in window_h / 2]
    return Reach(by_forecasts, _highest_pct(odds + beside, correct))


def _highest_pct(odds: Floats, correct: Callable[[int, float], int] | None) -> int:
    """In whole per cent, as an outlook states it. odds: shape (hours before, lengths of window)."""
    stated = [min(99, max(1, pct(float(each)))) for each in chance_of(odds).max(axis=1)]
    if correct is None:
        return max(stated)
    return max(correct(each, float(hours)) for hours, each in enumerate(stated))
