"""The picture of a season: one column a night, as high as its window is long."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby

from alerts.briefing.pictures.drawing import (
    LIGHT,
    NARROW,
    WIDE_FROM,
    Box,
    Label,
    Palette,
    Picture,
    caption,
    heading,
    render,
    spaced,
    within,
)
from alerts.common.phrases import phrase, say
from alerts.common.text import LONGEST_NAME, capital, month_name, plain
from alerts.common.time_text import long_day, say_day
from alerts.sky.night import Shape, shape_label
from alerts.sky.nights.season import Season, SeasonNight, wishes_text

LEFT, RIGHT = 36.0, 12.0
DAY = timedelta(days=1)
MARGIN = timedelta(days=6)
LUNATION_HALF = timedelta(days=13)
SMOOTHED = timedelta(days=12)
SHORTEST_RUN_DAYS = 14


@dataclass(frozen=True, slots=True)
class _SeasonPlot:
    first: date
    last: date
    box: Box
    tallest_h: float

    @property
    def day_width(self) -> float:
        return self.box.width / ((self.last - self.first).days + 1)

    def x(self, day: date) -> float:
        """Left edge of a day's column."""
        return self.box.left + (day - self.first).days * self.day_width

    def y(self, hours: float) -> float:
        return self.box.y(hours, self.tallest_h)

    @property
    def levels(self) -> list[int]:
        """Hours that have a line."""
        step = 1 if self.tallest_h <= 4 else 2 if self.tallest_h <= 8 else 4
        return list(range(0, int(self.tallest_h) + 1, step))

    @property
    def month_starts(self) -> list[date]:
        days = (self.first + k * DAY for k in range((self.last - self.first).days + 1))
        return [day for day in days if day.day == 1]


@dataclass(frozen=True, slots=True)
class _Run:
    shape: Shape
    first: date
    last: date


def draw_season(
    season: Season, palette: Palette = LIGHT, *, width: int = NARROW, mark: date | None = None
) -> Picture:
    """From the season's first day to its last. mark: a night to point out; one without a window isn't."""
    title = say("pictures.season-title", years=_years(season))
    head, baseline = heading(title, wishes_text(season.site, season.wishes), width, palette)
    top, tall = baseline + 36, 170.0 if width >= WIDE_FROM else 130.0
    longest_h = max((night.minutes / 60 for night in season.nights), default=0.0)
    first, last = season.first, season.last
    if season.nights:  # from a little before the first night with a window to a little after the last
        first = max(first, season.nights[0].name - MARGIN)
        last = min(last, season.nights[-1].name + MARGIN)
    plot = _SeasonPlot(
        first, last, Box(LEFT, top, width - RIGHT, top + tall), max(2.0, math.ceil(longest_h) + 0.0)
    )
    runs = _shape_runs(season.nights)
    sentences = _sentences(season, mark)
    said = [(text, palette.text) for text in sentences]
    said += [(say("pictures.season-key"), palette.muted)] if season.nights else []
    below = caption(said, plot.box.bottom + 58, width)
    brackets, above = [], plot.box.top - 8
    for run in runs:
        left, right = plot.x(run.first), plot.x(run.last + DAY)
        brackets.append(f"M{left:.1f} {above + 4:.1f}V{above:.1f}H{right:.1f}v4")
    marked = None
    for night in season.nights:
        if night.name == mark:
            x, y = plot.x(night.name) + plot.day_width / 2, plot.y(night.minutes / 60)
            marked = {"column": _column(plot, night), "pointer": f"M{x:.1f} {y - 3:.1f}l-5 -9h10Z"}
    levels = [(plot.y(hours), say("pictures.season-hours", hours=hours)) for hours in plot.levels]
    hours = [Label(LEFT - 6, y + 4, words, palette.muted, 11, "end") for y, words in levels]
    values = {
        "box": plot.box,
        "levels": [y for y, _ in levels[1:]],
        "months": [plot.x(day) for day in plot.month_starts],
        "columns": "".join(_column(plot, night) for night in season.nights),
        "brackets": brackets,
        "moons": [plot.x(day) + plot.day_width / 2 for day in _new_moons(season.nights)],
        "moons_y": plot.box.bottom + 30,
        "marked": marked,
        "labels": [*head, *hours, *_months(plot, palette), *_shape_words(plot, runs, palette), *below],
    }
    return render("season", season_alt(season, sentences, runs), (width, below[-1].y + 12), palette, values)


def season_alt(season: Season, sentences: Sequence[str], shapes: Sequence[_Run]) -> str:
    """The season as sentences."""
    name, wishes = plain(season.site.name, LONGEST_NAME), wishes_text(season.site, season.wishes)
    said = [say("pictures.season-alt", site=name, years=_years(season), wishes=wishes), *sentences]
    months = [
        phrase("pictures.season-month", month=month_name(each.month), nights=each.nights)
        for each in season.months
    ]
    if months:
        said.append(say("pictures.season-months", months=months))
    runs = [
        phrase(
            "pictures.season-run",
            shape=shape_label(run.shape),
            first_day=run.first.day,
            first_month=month_name(run.first.month),
            last_day=run.last.day,
            last_month=month_name(run.last.month),
        )
        for run in shapes
    ]
    if runs:
        said.append(capital(say("pictures.season-shapes", runs=runs)))
    return " ".join(said)


def _years(season: Season) -> str:
    first, last = season.first.year, season.last.year
    return f"{first}" if first == last else say("pictures.season-years", first=first, last=last)


def _sentences(season: Season, mark: date | None) -> list[str]:
    if not season.nights:
        return [say("pictures.season-none")]
    longest = max(season.nights, key=lambda night: night.minutes)
    said = [
        say(
            "pictures.season-nights",
            nights=len(season.nights),
            longest=timedelta(minutes=longest.minutes),
            day=say_day(longest.name),
        )
    ]
    if marked := next((night for night in season.nights if night.name == mark), None):
        lasts = timedelta(minutes=marked.minutes)
        said.append(say("pictures.season-marked", day=long_day(marked.name), lasts=lasts))
    return said


def _column(plot: _SeasonPlot, night: SeasonNight) -> str:
    wide = max(plot.day_width - (0.4 if plot.day_width > 2 else 0.0), 0.6)
    top = plot.y(night.minutes / 60)
    return f"M{plot.x(night.name):.2f} {plot.box.bottom:.1f}V{top:.1f}h{wide:.2f}V{plot.box.bottom:.1f}Z"


def _months(plot: _SeasonPlot, palette: Palette) -> list[Label]:
    """Names in the middle of each month that is long enough in the picture."""
    starts = sorted({plot.first, *plot.month_starts})
    labels = []
    for start, after in zip(starts, [*starts[1:], plot.last + DAY], strict=True):
        room = plot.x(after) - plot.x(start)
        name = str(month_name(start.month, short=True))
        shown = name if room >= 27 else name[:1]
        if room >= 12:
            middle = (plot.x(start) + plot.x(after)) / 2
            labels.append(Label(middle, plot.box.bottom + 18, shown, palette.muted, 11, "middle"))
    return spaced(labels)


def _new_moons(nights: Sequence[SeasonNight]) -> list[date]:
    """The nights that are darker than all others within half a lunation, one a lunation."""
    found = []
    for at, night in enumerate(nights):
        near = _near(nights, at, LUNATION_HALF)
        if min(near, key=lambda other: (other.moon_lit, other.name)) is night:
            found.append(night.name)
    return found


def _near(nights: Sequence[SeasonNight], at: int, within: timedelta) -> list[SeasonNight]:
    """Those that lie near the one at that place; they are in order, at most one a day."""
    days = within.days
    return [n for n in nights[max(at - days, 0) : at + days + 1] if abs(n.name - nights[at].name) <= within]


def _shape_runs(nights: Sequence[SeasonNight]) -> list[_Run]:
    """Stretches of two weeks and more in which one shape lasts longest on most nights."""
    smoothed = []
    for at, night in enumerate(nights):
        near = [each.shapes[0] for each in _near(nights, at, SMOOTHED)]
        smoothed.append((night.name, Counter(near).most_common(1)[0][0]))
    grouped = (list(group) for _, group in groupby(smoothed, key=lambda entry: entry[1]))
    runs = [_Run(group[0][1], group[0][0], group[-1][0]) for group in grouped]
    return [run for run in runs if (run.last - run.first).days >= SHORTEST_RUN_DAYS]


def _shape_words(plot: _SeasonPlot, found: Sequence[_Run], palette: Palette) -> list[Label]:
    """Each run's words over its bracket, the short ones where the long ones have no room."""
    placed: list[Label] = []
    for run in found:
        middle = (plot.x(run.first) + plot.x(run.last + DAY)) / 2
        room = plot.x(run.last + DAY) - plot.x(run.first)
        short = say(f"pictures.run-short-{run.shape.value}")
        for words, overhang in ((shape_label(run.shape), 6.0), (short, 24.0)):
            label = Label(middle, plot.box.top - 13, words, palette.text, 11, "middle")
            if label.width <= room + overhang:
                label = within(label, 4, plot.box.right + RIGHT - 4)
                placed += [] if any(map(label.crosses, placed)) else [label]
                break
    return placed
