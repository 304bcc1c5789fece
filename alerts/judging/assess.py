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
from alerts.wishes.model import Wishes, as_judged

WAYS_OUT = (timedelta(hours=2, minutes=30), timedelta(hours=4, minutes=30), timedelta(hours=8))
"""Drive and scouting, rounded up to the next of these (or to 16 hours), so that many share an outlook."""
LONGEST_WAY_OUT = timedelta(hours=16)
HOME_SOONER = timedelta(minutes=45)
"""Packing up takes less than scouting: the way home counts this much less than the way out."""
FORECASTS_REACH = timedelta(days=16)

Correct = Callable[[Outlook], Outlook]
"""How the record corrects an outlook's chance; see alerts/track/calibration/correct.py."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgingInputs:
    """All that a verdict on a site's nights rests on, as it was known at `now`.

    correct: without a record the chance stays as it was forecast. clear_share: of the place's night hours in
    a month (1 to 12), 0..1; the usual one where nobody knows. stations: what those nearby report.
    """

    site: Site
    now: datetime
    forecasts: Sequence[Forecast] = ()
    correct: Correct = lambda outlook: outlook
    clear_share: Callable[[int], float] = lambda _: CLEAR_SHARE
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
    memo, site, judged = Memo() if memo is None else memo, inputs.site, as_judged(wishes)
    parts = [usable_parts(night, wishes, site) for night in nights]
    ways = tuple(part[1] for some in parts for part in some if part is not None)
    key = (nights[0].name, judged, ways)
    known = memo.assessments.get(key)
    if known is not None:
        return known

    # the outlook over what can be used of each window; none without forecasts, or where nobody would go
    # whatever the weather
    is_asked = bool(inputs.forecasts) and not is_ruled_out(nights[0].name, judged, site)
    views, used = [], []
    for rank, (night, some) in enumerate(zip(nights, parts, strict=True)):
        outlooks: list[Outlook | None] = []
        for index, (window, part) in enumerate(zip(night.windows, some, strict=True)):
            if part is None or not is_asked:
                outlooks.append(None)
                continue
            (usable, way), shortest = part, judged.shortest_window
            asked = memo.windows.setdefault((night.name, window), len(memo.windows)), usable, shortest
            outlook = memo.outlooks.get((*asked, way))
            if outlook is None:
                chance = memo.chances.get(asked)
                if chance is None:
                    chance = _corrected_chance(inputs, night.name, window, usable, shortest)
                    memo.chances[asked] = chance
                outlook = memo.outlooks[*asked, way] = chance.on_trip(trip_span(usable, way))
            outlooks.append(outlook)
            used.append(WindowOutlook(rank, index, usable, shortest, way, outlook))
        views.append(SkyView(night, outlooks))
    verdict = weigh(views, judged, now=inputs.now, site=site)
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


def _corrected_chance(
    inputs: JudgingInputs, night_name: date, window: DarkWindow, usable: Span, shortest: timedelta
) -> WindowChance:
    """The chance over a part of a window, looking where the camera looks: the same for every way out, and
    corrected once for all of them."""
    site = inputs.site
    query = EventQuery(
        usable,
        shortest,
        inputs.now,
        is_night_of=inputs.now.astimezone(site.tz).date() >= night_name,
        clear_share=inputs.clear_share(night_name.month),
        view=view_of(window, site),
        dark=window.span,
        stations=inputs.stations,
    )
    chance = look_at_cloud(query, inputs.forecasts)
    return replace(chance, outlook=inputs.correct(chance.outlook))
