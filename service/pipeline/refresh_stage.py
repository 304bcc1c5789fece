"""Stage 2: forecasts for the places whose coming nights pass the sky."""

from __future__ import annotations

import logging
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy.orm import Session, sessionmaker

from alerts.common.span import Span
from alerts.weather.forecast import Bulletin, Forecast, Place
from service.common.fault_points import crash_point
from service.feeds import feed_state
from service.feeds.shared.model import FeedFailure, Gather, Gathered, join
from service.feeds.sight_requests import NEAR, SightAnswers, SightRequest, ask_along, with_sights
from service.store.engine import in_chunks
from service.store.repositories import forecasts
from service.store.repositories.due_reviews import SkyWant, sky_wants
from service.store.repositories.forecasts import EVERYWHERE, place_key
from service.store.repositories.nights import StoredNight, windows_ahead
from service.store.repositories.sites import StoredSite, newest_revisions
from service.store.repositories.subscriptions import look_again
from service.store.schema.core_tables import ForecastRow

log = logging.getLogger(__name__)

FRESH_NEAR = timedelta(minutes=55)
"""On the day a place is asked about again about once an hour; each feed then answers from the cache as long
as its own rules say, one to three hours."""
FRESH_FAR = timedelta(hours=6)
"""Beyond 36 hours ahead four times a day."""
PLACES_AT_ONCE = 250
"""Asked about together and kept together: an installation of any size needs memory for so many."""
BUDGET_S = 900.0
"""For all places of one cycle; what isn't asked for by then is due again in the next."""
TOLD_AGAIN_AFTER = timedelta(hours=6)
"""The same failure of the same feed is one row for so long."""

ANSWERS_WITHIN = timedelta(hours=1)
"""An answer that comes this soon after the cycle's moment is that cycle's own; one that comes later was
asked for with a moment long past (`--as-of`), and isn't used for it."""


@dataclass(frozen=True, slots=True)
class Need:
    """A place to ask about, the span of time that its nights' windows reach over, and those near enough to
    be looked at along the line of sight."""

    place: str
    asked: Place
    span: Span
    looks: tuple[SightRequest, ...] = ()


def run(sessions: sessionmaker[Session], gather: Gather, now: datetime) -> dict[str, int]:
    """Ask for what is due and keep every answer, the rejected ones with their reason.

    Only places with a coming window are asked about, ensembles and air quality with them; along the line of
    sight only for windows within 36 hours.
    """
    with sessions() as session:
        wanted = Wanted.read(session, now)
        due = find_due(session, wanted, now)
    counts: Counter[str] = Counter()
    ends_s = time.monotonic() + BUDGET_S
    for some in in_chunks(due, PLACES_AT_ONCE):
        if time.monotonic() > ends_s:
            log.warning("the feeds took more than %.0f s; what is left is asked for next time", BUDGET_S)
            break
        counts.update(_refresh(sessions, gather, wanted, list(some), now))
    return dict(counts)


def _refresh(
    sessions: sessionmaker[Session], gather: Gather, wanted: Wanted, due: list[Need], now: datetime
) -> dict[str, int]:
    """Ask about some of the places, and keep what came in a transaction of its own."""
    gathered = gather([need.asked for need in due], Span(now, max(need.span.end for need in due)))
    aside = ask_along(gather, gathered.forecasts, [look for need in due for look in need.looks], now)
    crash_point("refresh.asked")
    with sessions.begin() as session:
        kept, rejected = _keep(session, due, gathered, aside, now)
        wanted.judge_again(session, {row.place for row in kept})
    crash_point("refresh.kept")
    whole = join((gathered, aside.gathered))
    counts = {
        "forecasts": len([each for each in whole.forecasts if not (each.place and each.place.is_aside)]),
        "feed_failures": len(whole.failures),
        "rejected": rejected,
        "kept": len(kept),
        "requests": sum(spent.requests for spent in whole.spent),
        "quota_weight": round(sum(spent.weight for spent in whole.spent)),
    }
    always = ("forecasts", "feed_failures")
    return {name: count for name, count in counts.items() if count or name in always}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the subscriptions ask for as of `now`, by site and sky; the sites by their newest revision."""

    now: datetime
    wants: dict[tuple[int, str], SkyWant]
    by_revision: dict[int, tuple[int, StoredSite]]

    @classmethod
    def read(cls, session: Session, now: datetime) -> Wanted:
        wants = sky_wants(session, now)
        sites = newest_revisions(session, {site_id for site_id, _ in wants})
        return cls(now, wants, {stored.revision_id: (site_id, stored) for site_id, stored in sites.items()})

    def site_of(self, row: StoredNight) -> StoredSite | None:
        """Whose night it is, where somebody could be told of it."""
        site_id, stored = self.by_revision[row.site_revision_id]
        want = self.wants.get((site_id, row.sky_key))
        is_asked = want is not None and want.asks_for(row.name, row.starts, stored.site, self.now)
        return stored if is_asked else None

    def judge_again(self, session: Session, places: set[str]) -> None:
        """Whoever asks for a place of which something new is known is judged in this cycle."""
        sites = self.by_revision.values()
        look_again(session, (site_id for site_id, stored in sites if place_key(stored.site) in places))


def find_due(session: Session, wanted: Wanted, now: datetime) -> list[Need]:
    """Places that were asked about too long ago for the nearest window they are needed for."""
    # the span of all windows ahead that somebody could be told of, by the newest description of each site
    spans: dict[int, tuple[datetime, datetime]] = {}
    for row in windows_ahead(session, wanted.by_revision, now):
        start, end = row.first_window_start, row.last_window_end
        if start is not None and end is not None and wanted.site_of(row) is not None:
            first, last = spans.get(row.site_revision_id, (start, end))
            spans[row.site_revision_id] = min(first, start), max(last, end)

    needs: dict[str, Need] = {}
    for revision_id, (start, end) in spans.items():
        _, stored = wanted.by_revision[revision_id]
        site, place = stored.site, place_key(stored.site)
        asked = Place(site.lat_deg, site.lon_deg, site.elevation_m if stored.elevation_known else None)
        need = needs.setdefault(place, Need(place, asked, Span(start, end)))
        whole = Span(min(need.span.start, start), max(need.span.end, end))
        needs[place] = replace(need, span=whole)

    asked_at, due = feed_state.last_asked(session, set(needs)), []
    for need in needs.values():
        at = asked_at.get(need.place)
        fresh = FRESH_NEAR if need.span.start - now <= NEAR else FRESH_FAR
        if at is None or at > now or now - at >= fresh:  # at > now: the clock has gone back
            due.append(need)
    return _with_looks(session, wanted, due, now)


def _with_looks(session: Session, wanted: Wanted, due: list[Need], now: datetime) -> list[Need]:
    """The needs with what the camera looks at in each window that begins within 36 hours, once for each site
    and each sky that is asked for."""
    places = {need.place: need.asked for need in due if need.span.start - now <= NEAR}
    keys = {
        revision_id: key
        for revision_id, (_, stored) in wanted.by_revision.items()
        if (key := place_key(stored.site)) in places
    }
    if not keys:
        return due
    looks: dict[str, dict[Span, SightRequest]] = defaultdict(dict)
    for row in windows_ahead(session, keys, now, now + NEAR, whole=True):
        stored, key = wanted.site_of(row), keys[row.site_revision_id]
        if stored is None:
            continue
        for window in row.night.windows:
            if window.span.end > now and window.span.start - now <= NEAR:
                looks[key].setdefault(window.span, SightRequest.of(window, stored.site, places[key]))
    return [replace(need, looks=tuple(looks[need.place].values())) for need in due]


def _keep(
    session: Session, due: list[Need], gathered: Gathered, aside: SightAnswers, now: datetime
) -> tuple[list[ForecastRow], int]:
    """The rows that say something new, and how many rejections were written."""
    by_asked = {need.asked: need for need in due}
    seen = [
        (by_asked[forecast.place].place, with_sights(forecast, aside, by_asked[forecast.place].looks))
        for forecast in (known_by(each, now) for each in gathered.forecasts)
        if forecast.place in by_asked
    ]

    # official warnings for places without a forecast of this round, on the last good one they have
    bulletins: defaultdict[str, list[Bulletin]] = defaultdict(list)
    for place, bulletin in gathered.bulletins:
        if place in by_asked:
            bulletins[by_asked[place].place].append(bulletin)
    known = forecasts.newest_by_place(session, set(bulletins), now)
    seen += [
        (place, replace(list(known[place].values())[-1], bulletins=tuple(some)))
        for place, some in bulletins.items()
        if known.get(place)
    ]

    kept = forecasts.keep_changed(session, seen, fetched_at=now)
    failures = [*gathered.failures, *aside.gathered.failures]
    rejected = _keep_failures(session, failures, by_asked, now)
    feed_state.note_asked(session, [need.place for need in due], now)
    return kept, rejected


def known_by(forecast: Forecast, now: datetime) -> Forecast:
    """The forecast as known at `now`, the moment that the cycle stands for.

    Feeds answer seconds or minutes after it, by their own clock. Left so, an answer would lie in the
    future for the cycle that asked, and be judged on in a later one only. The clock isn't read again to
    judge: all of a cycle has one now.
    """
    source = forecast.source
    fetched_at, since = source.fetched_at, source.unchanged_since
    if fetched_at is None or not now < fetched_at <= now + ANSWERS_WITHIN:
        return forecast
    since = None if since is None else min(since, now)
    return replace(forecast, source=replace(source, fetched_at=now, unchanged_since=since))


def _keep_failures(
    session: Session, failures: Sequence[FeedFailure], by_asked: dict[Place, Need], now: datetime
) -> int:
    """One row a failure and place; a whole feed's stands once for all places."""
    places = {asked: need.place for asked, need in by_asked.items()}
    found = {
        (
            places.get(each.place, EVERYWHERE) if each.place else EVERYWHERE,
            each.feed,
            each.model,
            each.text,
        ): each.what
        for each in failures
    }
    known = forecasts.reasons_since(session, {place for place, *_ in found}, now - TOLD_AGAIN_AFTER, now)
    fresh = [(asked, what) for asked, what in found.items() if asked not in known]
    for (place, feed, model, _), what in fresh:
        forecasts.keep_rejected(session, place, feed=feed, model=model, reason=what, fetched_at=now)
    return len(fresh)
