"""Stage 2: forecasts for the places whose coming nights pass the sky."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from alerts.span import Span
from alerts.weather.record import Place
from alerts.wishes import Wishes
from service.feeds.base import Gathered
from service.store import forecasts, tables
from service.store.codec import from_json
from service.store.people import active_subscriptions
from service.store.sites import StoredSite, newest_revisions

NEAR = timedelta(hours=36)
FRESH_NEAR = timedelta(minutes=55)
"""On the day an answer is asked for again about once an hour…"""
FRESH_FAR = timedelta(hours=6)
"""…and beyond 36 hours ahead four times a day."""

Gather = Callable[[Sequence[Place], Span], Gathered]


@dataclass(frozen=True, slots=True)
class Need:
    """A place to ask about, and the span of time that its nights' windows reach over."""

    place: str
    asked: Place
    span: Span


def run(sessions: sessionmaker[Session], gather: Gather, now: datetime) -> dict[str, int]:
    """Ask for what is due and keep every answer, the rejected ones with their reason."""
    with sessions() as session:
        due = find_due(session, now)
    if not due:
        return {}
    span = Span(now, max(need.span.end for need in due))
    gathered = gather([need.asked for need in due], span)
    with sessions.begin() as session:
        _keep(session, due, gathered, now)
    return {"forecasts": len(gathered.forecasts), "feed_failures": len(gathered.failures)}


def find_due(session: Session, now: datetime) -> list[Need]:
    """Places whose newest answer is too old for the nearest window they are needed for."""
    needs = _find_needs(session, now)
    fetched = forecasts.last_fetch(session, {need.place for need in needs})
    return [need for need in needs if _is_due(need, fetched.get(need.place), now)]


def _is_due(need: Need, fetched_at: datetime | None, now: datetime) -> bool:
    if fetched_at is None:
        return True
    fresh = FRESH_NEAR if need.span.start - now <= NEAR else FRESH_FAR
    return now - fetched_at >= fresh


def _find_needs(session: Session, now: datetime) -> list[Need]:
    subscriptions = active_subscriptions(session, now)
    sites = newest_revisions(session, {each.site_id for each in subscriptions})
    needs: dict[str, Need] = {}
    for each in subscriptions:
        stored = sites[each.site_id]
        wishes = from_json(Wishes, each.wishes)
        horizon = now + timedelta(days=wishes.days_ahead + 1)
        span = _windows_ahead(session, stored, each.sky_key, now, horizon)
        if span is not None:
            need = Need(forecasts.place_key(stored.site), _asked(stored), span)
            needs[need.place] = _wider(needs.get(need.place), need)
    return list(needs.values())


def _windows_ahead(
    session: Session, stored: StoredSite, sky_key: str, now: datetime, horizon: datetime
) -> Span | None:
    """From the first to the last window that still lies ahead, or None when the sky offers none."""
    query = select(tables.Night.first_window_start, tables.Night.last_window_end).where(
        tables.Night.site_revision_id == stored.revision_id,
        tables.Night.sky_key == sky_key,
        tables.Night.last_window_end > now,
        tables.Night.starts < horizon,
    )
    found = [(start, end) for start, end in session.execute(query) if start and end]
    if not found:
        return None
    return Span(min(start for start, _ in found), max(end for _, end in found))


def _asked(stored: StoredSite) -> Place:
    site = stored.site
    return Place(site.lat_deg, site.lon_deg, site.elevation_m if stored.elevation_known else None)


def _wider(known: Need | None, need: Need) -> Need:
    if known is None:
        return need
    span = Span(min(known.span.start, need.span.start), max(known.span.end, need.span.end))
    return Need(known.place, known.asked, span)


def _keep(session: Session, due: list[Need], gathered: Gathered, now: datetime) -> None:
    keys = {need.asked: need.place for need in due}
    for forecast in gathered.forecasts:
        if forecast.place in keys:
            forecasts.keep(session, keys[forecast.place], forecast, fetched_at=now)
    for failure in gathered.failures:
        places = [keys[failure.place]] if failure.place in keys else list(keys.values())
        for place in places:
            forecasts.keep_rejected(
                session, place, feed=failure.feed, model=failure.model, reason=failure.text, fetched_at=now
            )
