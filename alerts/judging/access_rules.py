"""The named rules about being there at all: the trip, the evening, the road, the gate, the way home.

They know the calendar and the clock, not the weather: what fails here is never asked the feeds for.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta

from alerts.common.span import Span
from alerts.common.time_text import MONTHS, minute_up, say_day, say_minutes, say_time
from alerts.field.trip_plan import home_by as home_by_moment
from alerts.field.trip_plan import home_span, open_span, plan_trip, usable_span
from alerts.judging.rules import Reason, Result
from alerts.sites.model import Site
from alerts.sky.night import Night
from alerts.wishes.model import WEEKDAY_NAMES, Trip, Wishes


def night_reasons(night_name: date, wishes: Wishes, site: Site) -> tuple[Reason, ...]:
    """What bears on a whole night, in the order in which it decides."""
    found = (trip(night_name, wishes), evening(night_name, wishes), access(night_name, site))
    return tuple(reason for reason in found if reason is not None)


def is_ruled_out(night_name: date, wishes: Wishes, site: Site) -> bool:
    """Whether nobody would go that night whatever sky and weather do; `night_reasons` says why."""
    return not wishes.suits(night_name) or night_name.month not in site.access_months


def trip(night_name: date, wishes: Wishes) -> Reason | None:
    """Whether the night lies on a trip; None for who makes none."""
    if not wishes.trips:
        return None
    mine = wishes.trip_on(night_name)
    if mine is not None:
        place = f" from {mine.start}" if mine.start else ""
        return Reason("trip", Result.PASS, f"on your trip{place}, {_say_dates(mine)}")
    if not wishes.trips_only:
        return None
    coming = [each for each in wishes.trips if each.first > night_name]
    following = min(coming, key=lambda each: each.first, default=None)
    when = f"the next is {_say_dates(following)}" if following else "the last is over"
    return Reason("trip", Result.FAIL, f"not on a trip of yours; {when}")


def _say_dates(mine: Trip) -> str:
    return f"{say_day(mine.first)} to {say_day(mine.last)}"


def evening(night_name: date, wishes: Wishes) -> Reason | None:
    """Whether the evening's weekday suits; None where every evening does."""
    if len(wishes.weekdays) == len(WEEKDAY_NAMES):
        return None
    names = " and ".join(WEEKDAY_NAMES[weekday] for weekday in sorted(wishes.weekdays))
    today = WEEKDAY_NAMES[night_name.weekday()]
    if night_name.weekday() in wishes.weekdays:
        return Reason("evening", Result.PASS, f"{today} evening suits you")
    return Reason("evening", Result.FAIL, f"{today} evening doesn't suit you; you asked for {names}")


def access(night_name: date, site: Site) -> Reason:
    month = MONTHS[night_name.month - 1]
    note = f": {site.access_note}" if site.access_note else ""
    if night_name.month in site.access_months:
        return Reason("access", Result.PASS, f"the site can be reached in {month}{note}")
    return Reason("access", Result.FAIL, f"the site can't be reached in {month}{note}")


def without_note(reason: Reason) -> Reason:
    """The reason without the note that the site's owner made on how one gets there, which follows a colon."""
    return replace(reason, text=reason.text.partition(": ")[0]) if reason.rule == "access" else reason


def window_reasons(night: Night, window: Span, wishes: Wishes, site: Site) -> Iterator[Reason]:
    """What the gate and the time to be home leave of a window; nothing where neither was given."""
    inside = open_span(window, site)
    if site.gate is not None:
        yield _gate(window, inside, wishes, site)
    if inside is not None and wishes.home_by_on(night.name) is not None:
        yield _home_by(night, inside, wishes, site)


def usable_spans(night: Night, wishes: Wishes, site: Site) -> Sequence[Span | None]:
    """For each of the night's windows the part that can be used; None where nothing can."""
    return [usable_span(window.span, night.name, wishes, site) for window in night.windows]


def _gate(window: Span, inside: Span | None, wishes: Wishes, site: Site) -> Reason:
    assert site.gate is not None, "asked only where there is a gate"
    hours = f"the gate is open {site.gate.hours}"
    if site.gate.may_stay:
        return Reason("gate", Result.PASS, f"{hours}, and one may stay inside")
    left = inside.duration if inside is not None else timedelta(0)
    if inside == window:
        return Reason("gate", Result.PASS, f"{hours}, all through the window")
    return _what_is_left("gate", hours, left, wishes)


def _home_by(night: Night, inside: Span, wishes: Wishes, site: Site) -> Reason:
    must = home_by_moment(night.name, wishes, site)
    assert must is not None, "asked only where there is such a time"
    asked = f"you asked to be home by {say_time(must, wishes.clock(site.tz))}"
    span = home_span(inside, night.name, wishes, site)
    left = span.duration if span is not None else timedelta(0)
    if span is None or left < wishes.shortest_window:
        return _what_is_left("home_by", asked, left, wishes)
    home = plan_trip(night, span, wishes, site).home_about
    text = f"home about {say_time(minute_up(home), wishes.clock(site.tz))}, {asked}"
    return Reason("home_by", Result.PASS if home <= must else Result.FAIL, text)


def _what_is_left(rule: str, because: str, left: timedelta, wishes: Wishes) -> Reason:
    wants = wishes.shortest_window
    slack = (left - wants) / wants if wants else None
    enough = timedelta(0) < left and wants <= left
    kept = f"{say_minutes(left)} of the window are left" if left else "nothing of the window is left"
    text = f"{because}; {kept}, you asked for {say_minutes(wants)}"
    return Reason(rule, Result.PASS if enough else Result.FAIL, text, slack)
