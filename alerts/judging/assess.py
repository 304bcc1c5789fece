"""One night at one place, judged on forecasts at hand: the one way from nights and weather to a verdict.

Pages, commands, cycles, rejudging and backtests all come by here, each with its own `JudgingInputs`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.field.trip_plan import plan_trip, usable_span
from alerts.judging.rules import is_ruled_out
from alerts.judging.verdict import SkyView, Verdict, trip_to, weigh, with_decision_time
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Night
from alerts.weather.chance import WindowChance, look_at_cloud
from alerts.weather.forecast import Forecast
from alerts.weather.line_of_sight import view_of
from alerts.weather.outlook import Outlook
from alerts.weather.skill import CLEAR_SHARE
from alerts.weather.sky_now import StationSky
from alerts.weather.source_chance import EventQuery
from alerts.wishes.model import Wishes

WAYS_OUT = (timedelta(hours=2, minutes=30), timedelta(hours=4, minutes=30), timedelta(hours=8))
"""Drive and scouting, rounded up to the next of these (or to 16 hours), so that many share an outlook."""
LONGEST_WAY_OUT = timedelta(hours=16)
HOME_SOONER = timedelta(minutes=45)
"""Packing up takes less than scouting: the way home counts this much less than the way out."""
FORECASTS_REACH = timedelta(days=16)

Correct = Callable[[Outlook], Outlook]
"""How the record corrects an outlook's chance; see alerts/track/calibration/correct.py."""


def as_it_is(outlook: Outlook) -> Outlook:
    """Without a record: the chance as it was forecast."""
    return outlook


def usual_clear_share(_: int) -> float:
    """Where nobody knows what the nights there have been."""
    return CLEAR_SHARE


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgingInputs:
    """All that a verdict on a site's nights rests on, as it was known at `now`.

    clear_share: of the place's night hours in a month (1 to 12), 0..1. stations: what those nearby report.
    """

    site: Site
    now: datetime
    forecasts: Sequence[Forecast] = ()
    correct: Correct = as_it_is
    clear_share: Callable[[int], float] = usual_clear_share
    stations: Sequence[StationSky] = ()

    def judge(self, nights: Sequence[Night], wishes: Wishes) -> Verdict:
        """The verdict as one person is told it: with the moment of decision on their way. nights: as
        `assess` takes them."""
        found = assess(self, nights, wishes).verdict
        trip = trip_to(found, wishes, self.site)
        return with_decision_time(found, trip, wishes, now=self.now, site=self.site)

    def about(self, night: Night) -> JudgingInputs:
        """The same without forecasts where none can reach the night."""
        is_near = self.now - timedelta(days=1) < night.span.start < self.now + FORECASTS_REACH
        return self if is_near else replace(self, forecasts=())


@value(frozen=True, slots=True)
class WindowOutlook:
    """An outlook over a part of one window, and what it was asked for. rank: the place of its night among
    those judged; index: of the window in that night; way: see `usable_parts`."""

    rank: int
    index: int
    usable: Span
    shortest: timedelta
    way: timedelta
    outlook: Outlook


@dataclass(frozen=True, slots=True, eq=False)
class Assessment:
    """A verdict without the moment of decision, the same for all who ask the same, with the outlooks that it
    rests on. Two are the same only if they are one object."""

    verdict: Verdict
    outlooks: tuple[WindowOutlook, ...]


@dataclass(slots=True)
class Memo:
    """What all share who ask of one site's nights on the same inputs: chances, outlooks and verdicts so far.

    The chance over a part of a window is read once for each shortest window, whatever sky it belongs to; the
    hazards of a trip once for each of WAYS_OUT on top of it; a verdict once for all whose wishes it reads
    alike.

    windows: those looked at, each under a number; two skies often have the same.
    """

    windows: dict[tuple[date, DarkWindow], int] = field(default_factory=dict)
    chances: dict[tuple[int, Span, timedelta], WindowChance] = field(default_factory=dict)
    outlooks: dict[tuple[int, Span, timedelta, timedelta], Outlook] = field(default_factory=dict)
    assessments: dict[tuple[date, Wishes, tuple[timedelta, ...]], Assessment] = field(default_factory=dict)


def assess(
    inputs: JudgingInputs, nights: Sequence[Night], wishes: Wishes, memo: Memo | None = None
) -> Assessment:
    """The verdict for a night; without any forecast its windows are unknown.

    nights: the same night as each target makes it, in the order in which they will do. memo: of these
    inputs; the same wishes must always come with the same nights. Who differ only in how they get there
    share the verdict if they leave about as long before.
    """
    memo = Memo() if memo is None else memo
    judged = wishes.judged
    parts = [usable_parts(night, wishes, inputs.site) for night in nights]
    ways = tuple(part[1] for some in parts for part in some if part is not None)
    key = (nights[0].name, judged, ways)
    known = memo.assessments.get(key)
    if known is not None:
        return known

    views, used = [], []
    for rank, (night, some) in enumerate(zip(nights, parts, strict=True)):
        outlooks = outlooks_over(inputs, night, some, judged, memo)
        views.append(SkyView(night, outlooks))
        for index, (part, outlook) in enumerate(zip(some, outlooks, strict=True)):
            if part is not None and outlook is not None:
                used.append(WindowOutlook(rank, index, part[0], judged.shortest_window, part[1], outlook))
    verdict = weigh(views, judged, now=inputs.now, site=inputs.site)
    found = memo.assessments[key] = Assessment(verdict, tuple(used))
    return found


def usable_parts(night: Night, wishes: Wishes, site: Site) -> list[tuple[Span, timedelta] | None]:
    """For each window the part that can be used and the way out to it: how long before one leaves, rounded up
    so that many share what is on the way. None where nothing can."""
    parts: list[tuple[Span, timedelta] | None] = []
    for window in night.windows:
        usable = usable_span(window.span, night.name, wishes, site)
        if usable is None:
            parts.append(None)
            continue
        before = usable.start - plan_trip(night, usable, wishes, site).leave_by
        parts.append((usable, next((each for each in WAYS_OUT if before <= each), LONGEST_WAY_OUT)))
    return parts


def trip_span(usable: Span, way: timedelta) -> Span:
    """From leaving to coming home, by the way out."""
    return Span(usable.start - way, usable.end + way - HOME_SOONER)


def outlooks_over(
    inputs: JudgingInputs,
    night: Night,
    parts: Sequence[tuple[Span, timedelta] | None],
    wishes: Wishes,
    memo: Memo,
) -> list[Outlook | None]:
    """The outlooks over these parts of the night's windows, looking where the camera looks; none without
    forecasts, or where nobody would go whatever the weather."""
    site, shortest = inputs.site, wishes.shortest_window
    if not inputs.forecasts or is_ruled_out(night.name, wishes, site):
        return [None] * len(parts)
    found: list[Outlook | None] = []
    for window, part in zip(night.windows, parts, strict=True):
        if part is None:
            found.append(None)
            continue
        usable, way = part
        number = memo.windows.setdefault((night.name, window), len(memo.windows))

        # the chance is the same for every way out, and corrected once for all of them
        chance = memo.chances.get((number, usable, shortest))
        if chance is None:
            query = EventQuery(
                usable,
                shortest,
                inputs.now,
                is_night_of=inputs.now.astimezone(site.tz).date() >= night.name,
                clear_share=inputs.clear_share(night.name.month),
                view=view_of(window, site),
                dark=window.span,
                stations=inputs.stations,
            )
            chance = look_at_cloud(query, inputs.forecasts)
            chance = replace(chance, outlook=inputs.correct(chance.outlook))
            memo.chances[number, usable, shortest] = chance

        outlook = memo.outlooks.get((number, usable, shortest, way))
        if outlook is None:
            outlook = memo.outlooks[number, usable, shortest, way] = chance.on_trip(trip_span(usable, way))
        found.append(outlook)
    return found
