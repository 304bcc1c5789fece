"""A night in a row of nights: what a page shows of it at a glance, and how several are put in order."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from alerts.common.phrases import Phrase, phrase, say
from alerts.common.span import Span
from alerts.common.time_text import said_minutes
from alerts.field.trip_plan import plan_trip
from alerts.judging.rules import Reason, without_note
from alerts.judging.verdict import Verdict
from alerts.sites.model import Site
from alerts.sky.night import Night
from alerts.wishes.model import Wishes
from service.explain.stored_verdict import decided_span
from service.store.json_values import from_json
from service.store.schema.core_tables import DecisionRow
from service.web.shared.filters import dated_span, lasting, minutes_words

ORDER = {"go": 0, "wait": 1, "": 2, "unknown": 3, "stay": 4}
"""Verdicts from the most to the least worth looking at; "" is a night that nobody judged."""

MOON_PX = 5
"""Radius of the dot of a full Moon."""


TALLEST = timedelta(hours=5)
"""The window whose column fills the row; longer ones are no higher."""
COLUMN_PX = 48
LEAST_PX = 3


@dataclass(frozen=True, slots=True)
class Column:
    """A night's column in pixels, measured upward from the row's floor. filled_px: None while hollow."""

    height_px: int
    filled_px: int | None


@dataclass(frozen=True, slots=True)
class NightCell:
    """One night at one site.

    verdict: go, wait, stay, unknown, or "" where nothing was judged. window: the one the verdict is
    about, else the longest. minutes: of all dark windows together. why: what decided.
    moon_lit: the Moon's lit fraction (0..1) at the night's middle.
    leave_by: only for the person whose wishes these are; drive_is_estimate: it rests on the distance from
    home. over_at: when the night is past.
    judged_at: when what is shown was decided; None without a decision.
    """

    name: date
    verdict: str
    window: Span | None
    minutes: float
    moon_lit: float
    chance_pct: int | None = None
    why: Phrase | None = None
    leave_by: datetime | None = None
    drive_is_estimate: bool = False
    over_at: datetime | None = None
    judged_at: datetime | None = None

    @property
    def moon_px(self) -> float:
        """Radius of the Moon's dot: its area grows with what is lit."""
        return round(MOON_PX * math.sqrt(self.moon_lit), 1)

    @property
    def column(self) -> Column | None:
        """Height by the windows' length, filled by the chance; None without a window."""
        if self.window is None:
            return None
        share = min(1.0, timedelta(minutes=self.minutes) / TALLEST)
        height = max(LEAST_PX, round(COLUMN_PX * share))
        return Column(height, None if self.chance_pct is None else round(height * self.chance_pct / 100))


def cell_of_row(
    night: Night,
    decision: DecisionRow | None,
    site: Site,
    wishes: Wishes | None,
    *,
    is_own: bool,
) -> NightCell:
    """The cell of a stored night, which the decision is about.

    wishes: of the person who looks; None leaves out what is personal. is_own: whose site it is looks, so that
    its note may be read.
    """
    window = decided_span(decision) if decision is not None else None
    shown = window or longest(each.span for each in night.windows)
    # When to leave is for who looks alone, as it was decided, and only where there is somewhere to go.
    leave_by = None
    if shown is not None and wishes is not None:
        decided = decision.leave_by if decision is not None else None
        leave_by = decided or plan_trip(night, shown, wishes, site).leave_by
    return NightCell(
        name=night.name,
        verdict=decision.verdict if decision is not None else "",
        window=shown,
        minutes=said_minutes(*(each.span for each in night.windows)),
        moon_lit=night.moon_lit,
        chance_pct=decision.chance_pct if decision is not None else None,
        why=what_decided(decision, is_own=is_own) if decision is not None else None,
        leave_by=leave_by,
        drive_is_estimate=wishes is not None and wishes.drive_on(night.name).is_estimate,
        over_at=night.over_at,
        judged_at=decision.as_of if decision is not None else None,
    )


def cell_of_verdict(night: Night, verdict: Verdict, now: datetime) -> NightCell:
    """The cell of a stored night that was judged only now, for nobody's own wishes."""
    return NightCell(
        name=night.name,
        verdict=verdict.word.value,
        window=verdict.usable or longest(each.span for each in night.windows),
        minutes=said_minutes(*(each.span for each in night.windows)),
        moon_lit=night.moon_lit,
        chance_pct=verdict.chance_pct,
        why=verdict.deciding.text,
        over_at=night.over_at,
        judged_at=now,
    )


def what_decided(decision: DecisionRow, *, is_own: bool) -> Phrase | None:
    """Its deciding reason; without the site's note where the site isn't the reader's own."""
    if not decision.reasons:
        return None
    reason = from_json(Reason, decision.reasons[0])
    return (reason if is_own else without_note(reason)).text


def longest(spans: Iterable[Span]) -> Span | None:
    return max(spans, key=lambda span: span.duration, default=None)


def standing_of(cell: NightCell) -> tuple[int, float, date]:
    """Sorts nights best first: by verdict, then by minutes of window times chance, then by date."""
    share = 1.0 if cell.chance_pct is None else cell.chance_pct / 100
    return ORDER[cell.verdict], -cell.minutes * share, cell.name


def still_ahead(cells: Iterable[NightCell], now: datetime) -> list[NightCell]:
    """Those that aren't past, and whose window, if any, hasn't closed."""
    return [cell for cell in cells if cell.over_at is None or cell.over_at > now]


def cell_words(cell: NightCell, zone: str, hours: int = 24) -> str:
    """The night in words: `go, chance 81 %, 23:40–02:50 CEST`; `no dark window`."""
    if cell.window is None:
        return say("web.night-without-window", verdict=cell.verdict)
    dark = dated_span(cell.window, zone, cell.name, hours)
    if not cell.verdict:
        return say("web.night-not-judged", dark=dark)
    if cell.chance_pct is None:
        return say("web.night-judged", verdict=cell.verdict, dark=dark)
    return say("web.night-with-chance", verdict=cell.verdict, chance_pct=cell.chance_pct, dark=dark)


def column_words(cell: NightCell, zone: str, hours: int = 24) -> str:
    """The column in words, the Moon with it: `go, chance 81 %, 23:40–02:50 CEST, Moon 3 % lit`."""
    return say("web.night-and-moon", night=cell_words(cell, zone, hours), lit_pct=100 * cell.moon_lit)


def window_words(cell: NightCell, zone: str, hours: int = 24) -> str:
    """`chance 81 %; dark 23:40–02:50 CEST (3 h 10 min)`; empty without a window."""
    if cell.window is None:
        return ""
    dark, length = dated_span(cell.window, zone, cell.name, hours), lasting([cell.window])
    if cell.chance_pct is None:
        return say("web.window", dark=dark, length=length)
    return say("web.window-with-chance", chance_pct=cell.chance_pct, dark=dark, length=length)


def brief_words(cell: NightCell) -> str:
    """`go, chance 81 %, 3 h 10 min dark`: without its times."""
    chance = None if cell.chance_pct is None else phrase("web.chance", chance_pct=cell.chance_pct)
    dark = phrase("web.dark" if cell.window else "web.no-window", length=minutes_words(cell.minutes))
    parts = [part for part in (cell.verdict, chance, dark) if part]
    return say("web.night-in-brief", parts=parts)
