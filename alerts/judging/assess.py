"""One night at one place, judged on forecasts at hand: the one way from nights and weather to a verdict.

Pages, commands, cycles, rejudging and backtests all come by here, each with its own `JudgingInputs`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple, TypeVar

from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.field.trip_plan import plan_trip, usable_span
from alerts.judging.rules import is_ruled_out
from alerts.judging.verdict import SkyView, Verdict, trip_to, weigh, with_decision_time
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Night
from alerts.weather.chance import WindowChance, look_at_cloud
from alerts.weather.chance_columns import look_at_clouds, on_trips
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
WINDOWS_AT_ONCE = 250
"""Enough that a call costs little for each; with ensembles some ten megabytes of columns."""

T = TypeVar("T")
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


class WindowPart(NamedTuple):
    """A part of a window to look at. number: the window's among those of its memo; way: see `usable_parts`.
    asked: what has the same chance; asked_on_way: what has the same outlook."""

    number: int
    window: DarkWindow
    usable: Span
    shortest: timedelta
    way: timedelta

    @property
    def asked(self) -> tuple[int, Span, timedelta]:
        return self.number, self.usable, self.shortest

    @property
    def asked_on_way(self) -> tuple[int, Span, timedelta, timedelta]:
        return self.number, self.usable, self.shortest, self.way


@dataclass(slots=True, eq=False)
class AskedOutlooks:
    """What is asked of a night: as each target makes it, by wishes as a verdict reads them.

    parts: of each window what is to be looked at, None where nothing is. answer: once it was assessed.
    """

    nights: Sequence[Night]
    wishes: Wishes
    parts: Sequence[Sequence[WindowPart | None]]
    answer: Assessment | None = None


@dataclass(slots=True)
class Memo:
    """What all share who ask of one site's nights on the same inputs: what was asked, chances and outlooks.

    The chance over a part of a window is read once for each shortest window, whatever sky it belongs to; the
    hazards of a trip once for each of WAYS_OUT on top of it; a verdict once for all whose wishes it reads
    alike.

    windows: those looked at, each under a number; two skies often have the same.
    """

    windows: dict[tuple[date, DarkWindow], int] = field(default_factory=dict)
    chances: dict[tuple[int, Span, timedelta], WindowChance] = field(default_factory=dict)
    outlooks: dict[tuple[int, Span, timedelta, timedelta], Outlook] = field(default_factory=dict)
    questions: dict[tuple[date, Wishes, tuple[timedelta, ...]], AskedOutlooks] = field(default_factory=dict)


def assess(
    inputs: JudgingInputs, nights: Sequence[Night], wishes: Wishes, memo: Memo | None = None
) -> Assessment:
    """The verdict for a night; without any forecast its windows are unknown. As for `ask`."""
    memo = Memo() if memo is None else memo
    return answer(inputs, ask(inputs, nights, wishes, memo), memo)


def ask(inputs: JudgingInputs, nights: Sequence[Night], wishes: Wishes, memo: Memo) -> AskedOutlooks:
    """What is to be looked at for a verdict.

    nights: the same night as each target makes it, in the order in which they will do. memo: of these
    inputs; the same wishes must always come with the same nights. Who differ only in how they get there
    share the verdict if they leave about as long before.
    """
    site, judged, name = inputs.site, as_judged(wishes), nights[0].name
    parts = [usable_parts(night, wishes, site) for night in nights]
    key = (name, judged, tuple(part[1] for some in parts for part in some if part is not None))
    known = memo.questions.get(key)
    if known is not None:
        return known

    # nothing without forecasts, or where nobody would go whatever the weather
    is_asked = bool(inputs.forecasts) and not is_ruled_out(name, judged, site)
    asked: list[list[WindowPart | None]] = []
    for night, some in zip(nights, parts, strict=True):
        asked.append([])
        for window, part in zip(night.windows, some, strict=True):
            if part is None or not is_asked:
                asked[-1].append(None)
                continue
            number = memo.windows.setdefault((night.name, window), len(memo.windows))
            asked[-1].append(WindowPart(number, window, part[0], judged.shortest_window, part[1]))
    question = memo.questions[key] = AskedOutlooks(nights, judged, asked)
    return question


def answer(inputs: JudgingInputs, question: AskedOutlooks, memo: Memo) -> Assessment:
    """The verdict on what was asked of these inputs."""
    if question.answer is not None:
        return question.answer
    views, used = [], []
    for rank, (night, parts) in enumerate(zip(question.nights, question.parts, strict=True)):
        outlooks: list[Outlook | None] = []
        for index, part in enumerate(parts):
            if part is None:
                outlooks.append(None)
                continue
            outlook = memo.outlooks.get(part.asked_on_way)
            if outlook is None:
                chance = memo.chances.get(part.asked)
                if chance is None:
                    found = look_at_cloud(_query(inputs, night.name, part), inputs.forecasts)
                    chance = memo.chances[part.asked] = _corrected(inputs, found)
                outlook = chance.on_trip(trip_span(part.usable, part.way))
                memo.outlooks[part.asked_on_way] = outlook
            outlooks.append(outlook)
            used.append(WindowOutlook(rank, index, part.usable, part.shortest, part.way, outlook))
        views.append(SkyView(night, outlooks))
    verdict = weigh(views, question.wishes, now=inputs.now, site=inputs.site)
    question.answer = Assessment(verdict, tuple(used))
    return question.answer


def look_ahead(
    asked: Iterable[tuple[JudgingInputs, AskedOutlooks, Memo]], at_once: int = WINDOWS_AT_ONCE
) -> None:
    """Put the outlooks that these questions need into their memos, where `answer` finds them: the same as it
    would make one by one, so many windows at once."""
    windows: dict[tuple[Any, ...], tuple[JudgingInputs, date, WindowPart, Memo]] = {}
    trips: dict[tuple[Any, ...], tuple[WindowPart, Memo]] = {}
    for inputs, question, memo in asked:
        if question.answer is not None:
            continue
        for night, parts in zip(question.nights, question.parts, strict=True):
            for part in parts:
                if part is None or part.asked_on_way in memo.outlooks:
                    continue
                trips[id(memo), *part.asked_on_way] = part, memo
                if part.asked not in memo.chances:
                    windows[id(memo), *part.asked] = inputs, night.name, part, memo

    for some in _in_chunks(windows.values(), at_once):
        queries = [(_query(inputs, name, part), inputs.forecasts) for inputs, name, part, _ in some]
        for (inputs, _, part, memo), chance in zip(some, look_at_clouds(queries), strict=True):
            memo.chances[part.asked] = _corrected(inputs, chance)
    for ways in _in_chunks(trips.values(), at_once):
        spans = [(memo.chances[part.asked], trip_span(part.usable, part.way)) for part, memo in ways]
        for (part, memo), outlook in zip(ways, on_trips(spans), strict=True):
            memo.outlooks[part.asked_on_way] = outlook


def _in_chunks(items: Iterable[T], size: int) -> Iterator[list[T]]:
    every = list(items)
    return (every[at : at + size] for at in range(0, len(every), size))


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


def _query(inputs: JudgingInputs, night_name: date, part: WindowPart) -> EventQuery:
    """What is asked over a part of a window, looking where the camera looks: the same for every way out."""
    site = inputs.site
    return EventQuery(
        part.usable,
        part.shortest,
        inputs.now,
        is_night_of=inputs.now.astimezone(site.tz).date() >= night_name,
        clear_share=inputs.clear_share(night_name.month),
        view=view_of(part.window, site),
        dark=part.window.span,
        stations=inputs.stations,
    )


def _corrected(inputs: JudgingInputs, chance: WindowChance) -> WindowChance:
    """Corrected once for all ways out."""
    return replace(chance, outlook=inputs.correct(chance.outlook))
