"""Stage 2, after the forecasts: what weather stations report now near nights that begin soon or run.

Asked within their allowances, the nights that begin first first; what isn't allowed now is asked for in a
later cycle. A station that is silent is no trouble: the chance then rests on forecasts alone.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from sqlalchemy.orm import Session, sessionmaker

from alerts.common.span import Span
from service.feeds import feed_state
from service.observations.model import ASKED_BACK, BEFORE_AND_AFTER, HEARD_BEFORE, Ask, Heard
from service.pipeline.refresh_stage import Wanted
from service.store.repositories import judged_events
from service.store.repositories.forecasts import place_key
from service.store.repositories.nights import windows_ahead
from service.store.repositories.sites import StoredSite

log = logging.getLogger(__name__)

ASKED_AGAIN = timedelta(minutes=25)
"""Stations report once or twice an hour."""
BUDGET_S = 30.0
"""All sources together: the judging waits for them."""
STATIONS = " stations"
"""After a place: when the stations near it were last asked."""

Listen = Callable[[Sequence[Ask], float], Heard]


def run(sessions: sessionmaker[Session], observe: Listen, now: datetime) -> dict[str, int]:
    """Ask about what is due, keep every report in its own words, and have those nights judged on them."""
    with sessions() as session:
        wanted = Wanted.read(session, now)
        due = _find_due(session, wanted, now)
    if not due:
        return {}
    # the sources put an hour before and after what is asked for, and nothing is known after now
    end = now - BEFORE_AND_AFTER
    asks = {
        place: Ask(stored.site.lat_deg, stored.site.lon_deg, Span(end - ASKED_BACK, end))
        for place, stored in due.items()
    }
    heard = observe(list(asks.values()), BUDGET_S)
    asked = {place for place, ask in asks.items() if ask not in heard.later}
    with sessions.begin() as session:
        fresh = judged_events.keep_reports(session, heard.observed, now, judged_on=True)
        feed_state.note_asked(session, [place + STATIONS for place in sorted(asked)], now)
        if fresh:
            wanted.judge_again(session, asked)
    counts = {"heard_now": fresh, "observation_failures": len(heard.failures)}
    return {name: count for name, count in counts.items() if count}


def _find_due(session: Session, wanted: Wanted, now: datetime) -> dict[str, StoredSite]:
    """By place, the nights that begin first first: those somebody could be told of that begin soon or run,
    whose stations were asked too long ago."""
    found: dict[str, tuple[datetime, StoredSite]] = {}
    for row in windows_ahead(session, wanted.by_revision, now, now + HEARD_BEFORE):
        start, stored = row.first_window_start, wanted.site_of(row)
        if stored is None or start is None:
            continue
        place = place_key(stored.site)
        known = found.get(place)
        if known is None or start < known[0]:
            found[place] = (start, stored)
    asked = feed_state.last_asked(session, {place + STATIONS for place in found})
    due = {}
    for place in sorted(found, key=lambda each: (found[each][0], each)):
        at = asked.get(place + STATIONS)
        if at is None or at > now or now - at >= ASKED_AGAIN:  # at > now: the clock has gone back
            due[place] = found[place][1]
    return due
