"""What a chance is the chance of, in the same words wherever one stands.

73 %: at least one clear hour between 23:22 and 04:23, most likely 02:30 to 03:30
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

from alerts.briefing.facts.alert import AlertFacts
from alerts.common.clock_times import Clock, clock_in
from alerts.common.phrases import say
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.common.text import clear_words
from alerts.common.time_text import long_day, utc_text, whole_minutes
from alerts.sites.model import Site
from alerts.weather.outlook import Outlook
from alerts.weather.source_chance import still_ahead


@value(frozen=True, slots=True)
class ChanceEvent:
    """What a chance is about: so much clear sky in one piece, somewhere within a span.

    span: the part of the window that can still hold it. best: where in it that is likeliest, None where
    nobody says or the span leaves no choice. whole_pct: once the window has begun, the chance that all of it
    holds the event, what has passed included.
    """

    shortest: timedelta
    span: Span
    best: Span | None
    has_begun: bool
    whole_pct: int | None


def event_of(outlook: Outlook | None, shortest: timedelta, now: datetime) -> ChanceEvent | None:
    """The event of an outlook's chance; None while that is unknown. shortest: as it was asked for."""
    if outlook is None or outlook.chance_pct is None:
        return None
    return _event(outlook.window, outlook.best, shortest, outlook.whole_pct, now)


def event_told(facts: AlertFacts) -> ChanceEvent | None:
    """The event of the chance that a message tells; None without a chance or a window."""
    if facts.chance_pct is None or facts.window is None:
        return None
    return _event(facts.window, facts.best, facts.shortest_window, facts.whole_pct, facts.decided_at)


def _event(
    window: Span, best: Span | None, shortest: timedelta, whole_pct: int | None, now: datetime
) -> ChanceEvent:
    ahead = still_ahead(window, shortest, now)
    told = best if best is not None and whole_minutes(best) != whole_minutes(ahead) else None
    return ChanceEvent(shortest, ahead, told, ahead != window, whole_pct)


def say_event(event: ChanceEvent, clock: Clock, night: date) -> str:
    """`at least one clear hour between 23:22 and 04:23, most likely 02:30 to 03:30`. night: its evening's
    date; another day is named."""
    span = whole_minutes(event.span)
    day = clock.day(span.start)
    when = "now" if event.has_begun else "between" if day == night else "on"
    clear, start = clear_words(event.shortest), clock.time(span.start)
    said = say(
        f"briefing.event-{when}", clear=clear, start=start, end=clock.time(span.end), day=long_day(day)
    )
    if event.best is not None:
        best = whole_minutes(event.best)
        likely = {"start": clock.time(best.start), "end": clock.time(best.end)}
        said = say("briefing.event-likely", event=said, **likely)
    if event.whole_pct is not None:
        said = say("briefing.event-whole", event=said, whole_pct=event.whole_pct)
    return said


def event_values(event: ChanceEvent | None) -> dict[str, object] | None:
    """The same as JSON values."""
    if event is None:
        return None
    best = event.best
    return {
        "shortest_minutes": round(event.shortest / timedelta(minutes=1)),
        "from": utc_text(event.span.start),
        "to": utc_text(event.span.end),
        "most_likely": None if best is None else {"start": utc_text(best.start), "end": utc_text(best.end)},
        "whole_pct": event.whole_pct,
    }


def say_chance(outlook: Outlook, site: Site, *, shortest: timedelta, now: datetime, night_name: date) -> str:
    """`73 %: at least one clear hour between 23:22 and 04:23, most likely 02:30 to 03:30`; "" while nobody
    knows a chance."""
    event = event_of(outlook, shortest, now)
    if event is None:
        return ""
    clock = clock_in(site.zone, (event.span.start, event.span.end))
    said = say_event(event, clock, night_name)
    return say("briefing.chance-of", chance_pct=outlook.chance_pct, event=said)
