"""When a night must be looked at again although nothing new has come: by the passing of time alone.

Until then the same forecasts, wishes and alerts lead to the same verdict and the same word, so that a
cycle in which nothing changed costs next to nothing. Each night rests by itself, not a person's whole week;
tests hold what is looked at against looking at all, always.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta, tzinfo
from functools import lru_cache

from alerts.common.clock_times import DAY, ClockSpan, at_clock
from alerts.common.span import Span
from alerts.judging.assess import Assessment, JudgingInputs, trip_span
from alerts.judging.rules import usable_spans
from alerts.judging.verdict import FAR_OFF
from alerts.notifying.limits import CYCLE_SLACK, go_due_from
from alerts.notifying.model import NotificationDecision, NotificationInput, Why
from alerts.notifying.policy import LAST_WORD_LEAD
from alerts.sites.model import Site
from alerts.sky.night import Night, night_start_s, number_at
from alerts.weather.chance import OLDEST_AIR
from alerts.weather.freshness import dated, turns
from alerts.weather.models import AIR_LINEAGE
from alerts.weather.sky_now import OLDEST
from alerts.wishes.model import Wishes

AT_MOST = timedelta(hours=6)
"""No night is left alone longer than this."""
_AFTER = timedelta(microseconds=1)
"""For limits that still hold at their own moment."""
_JUST_AFTER = timedelta(seconds=1)


def next_night_start(site: Site, now: datetime) -> datetime:
    """When the night that contains `now` ends, and another one comes into sight."""
    return datetime.fromtimestamp(night_start_s(site, number_at(site, now) + 1), UTC)


def verdict_may_change(
    inputs: JudgingInputs, found: Assessment, nights: Sequence[Night], wishes: Wishes
) -> datetime:
    """From when on the verdict on a night can be another one; `now` when every look may differ.

    nights: the night, as each target makes it. From when one leaves until one is home the outlook looks at
    what is left of the trip, and a run without an issue time ages as one looks; what a station reported
    ceases to count.
    """
    now, site = inputs.now, inputs.site
    trips = [trip_span(one.usable, one.way) for one in found.outlooks]
    sources = [each.source for each in inputs.forecasts] if trips else []
    if any(source.issued_at is None and source.lineage != AIR_LINEAGE for source in sources):
        return now
    if any(trip.contains(now) for trip in trips):
        return now
    today = now.astimezone(site.tz).date()  # at whose end a new civil day begins
    moments = [at_clock(today + DAY * days, time(0), site.tz) for days in (1, 2)]
    moments += [trip.start for trip in trips]
    for source in sources:  # when a run begins and ceases to count
        if (since := dated(source)) is not None:
            moments += [since, *(at + _AFTER for at in turns(source))]
            if source.lineage == AIR_LINEAGE:
                moments.append(since + OLDEST_AIR + _AFTER)
    for one in found.outlooks:
        heard = one.outlook.sky_now.stations if one.outlook.sky_now is not None else ()
        moments += [each.at + OLDEST + _JUST_AFTER for each in heard]
    for night in nights:
        moments += [night.windows[0].span.start - FAR_OFF] if night.windows else []
        for part in usable_spans(night, wishes, site):
            moments += [part.end - wishes.shortest_window] if part is not None else []
    return _first(moments, now)


def word_may_change(look: NotificationInput, telling: NotificationDecision) -> datetime:
    """From when on another word can be due for the same verdict; `now` when the next look may differ."""
    if telling.why is Why.JUST_TURNED:
        return look.now
    moments: list[datetime] = []
    if look.wishes.quiet is not None:
        moments += _edges_of(look.wishes.quiet, look.now, look.clock)
    if telling.why is Why.ENOUGH_THIS_WEEK:
        moments.append(look.now + timedelta(hours=1))
    plan, wishes, standing = look.plan, look.wishes, look.standing
    if plan is not None:
        moments += [
            go_due_from(look, plan),
            plan.leave_by - wishes.notice,
            plan.leave_by - look.cycle - CYCLE_SLACK + _AFTER,
            plan.leave_by,
            plan.latest_departure,
            plan.window.end,
        ]
    if standing is not None:
        moments += [standing.leave_by] if standing.leave_by is not None else []
        if standing.window is not None:
            moments += [standing.window.end - wishes.shortest_window, standing.window.end]
        if (lost_at := look.signal_lost_at(standing.leave_by)) is not None:
            moments += [lost_at - look.cycle - LAST_WORD_LEAD, lost_at]
    return _first(moments, look.now)


@lru_cache(maxsize=256)
def _edges_of(quiet: ClockSpan, now: datetime, clock: tzinfo) -> tuple[datetime, ...]:
    """When quiet hours begin and end in the next two days: the same for all whom one cycle looks at."""
    spans = quiet.touching(Span(now, now + 2 * DAY), clock)
    return tuple(at for span in spans for at in (span.start, span.end))


def _first(moments: Sequence[datetime], now: datetime) -> datetime:
    return min((at for at in moments if at > now), default=now + AT_MOST)
