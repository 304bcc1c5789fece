"""Stage 2: forecasts for the places whose coming nights pass the sky."""

from __future__ import annotations

import logging
import time
from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy.orm import Session, sessionmaker

from alerts.common.span import Span
from alerts.sky.night import Night
from alerts.weather.forecast import Forecast, Place
from service.common.fault_points import crash_point
from service.feeds import feed_state
from service.feeds.shared.model import FeedFailure, Gather, Gathered, join
from service.feeds.sight_requests import NEAR, SightAnswers, SightRequest, ask_along, with_sights
from service.store.engine import in_chunks
from service.store.repositories import forecasts
from service.store.repositories.due_reviews import SkyWant, sky_wants
from service.store.repositories.forecasts import EVERYWHERE
from service.store.repositories.nights import NightTimes, near_nights, windows_ahead
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
    return _counts(join((gathered, aside.gathered)), len(kept), rejected)


def _counts(gathered: Gathered, kept: int, rejected: int) -> dict[str, int]:
    counts = {
        "forecasts": len([each for each in gathered.forecasts if not (each.place and each.place.is_aside)]),
        "feed_failures": len(gathered.failures),
        "rejected": rejected,
        "kept": kept,
        "requests": sum(spent.requests for spent in gathered.spent),
        "quota_weight": round(sum(spent.weight for spent in gathered.spent)),
    }
    always = ("forecasts", "feed_failures")
    return {name: count for name, count in counts.items() if count or name in always}


def find_due(session: Session, wanted: Wanted, now: datetime) -> list[Need]:
    """Places that were asked about too long ago for the nearest window they are needed for."""
    needs = _find_needs(session, wanted, now)
    asked = feed_state.last_asked(session, {need.place for need in needs})
    due = [need for need in needs if _is_due(need, asked.get(need.place), now)]
    return _with_looks(session, wanted, due, now)


def _is_due(need: Need, asked_at: datetime | None, now: datetime) -> bool:
    """Also when the last asking lies ahead of `now`: the clock has gone back."""
    if asked_at is None or asked_at > now:
        return True
    fresh = FRESH_NEAR if need.span.start - now <= NEAR else FRESH_FAR
    return now - asked_at >= fresh


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

    def site_of(self, row: NightTimes) -> StoredSite | None:
        """Whose night it is, where somebody could be told of it."""
        site_id, stored = self.by_revision[row.site_revision_id]
        want = self.wants.get((site_id, row.sky_key))
        is_asked = want is not None and want.asks_for(row.name, row.starts, stored.site, self.now)
        return stored if is_asked else None

    def judge_again(self, session: Session, places: set[str]) -> None:
        """Whoever asks for a place of which something new is known is judged in this cycle."""
        look_again(
            session,
            (
                site_id
                for site_id, stored in self.by_revision.values()
                if forecasts.place_key(stored.site) in places
            ),
        )


def _find_needs(session: Session, wanted: Wanted, now: datetime) -> list[Need]:
    """One for each place with a window ahead that somebody could be told of."""
    reach: dict[int, tuple[datetime, datetime]] = {}
    for row in windows_ahead(session, wanted.by_revision, now):
        start, end = row.first_window_start, row.last_window_end
        if wanted.site_of(row) is None or start is None or end is None:
            continue
        known = reach.get(row.site_revision_id, (start, end))
        reach[row.site_revision_id] = min(known[0], start), max(known[1], end)
    needs: dict[str, Need] = {}
    for revision_id, span in reach.items():
        _, stored = wanted.by_revision[revision_id]
        need = Need(forecasts.place_key(stored.site), _asked(stored), Span(*span))
        needs[need.place] = _wider(needs.get(need.place), need)
    return list(needs.values())


def _asked(stored: StoredSite) -> Place:
    site = stored.site
    return Place(site.lat_deg, site.lon_deg, site.elevation_m if stored.elevation_known else None)


def _wider(known: Need | None, need: Need) -> Need:
    if known is None:
        return need
    span = Span(min(known.span.start, need.span.start), max(known.span.end, need.span.end))
    return Need(known.place, known.asked, span)


def _with_looks(session: Session, wanted: Wanted, due: list[Need], now: datetime) -> list[Need]:
    """The needs with what the camera looks at in each window that is near."""
    places = {need.place: need.asked for need in due if need.span.start - now <= NEAR}
    if not places:
        return due
    looks: dict[str, dict[Span, SightRequest]] = defaultdict(dict)
    for key, stored, night in _near_nights(session, wanted, places.keys(), now):
        for window in night.windows:
            if window.span.end > now and window.span.start - now <= NEAR:
                looks[key].setdefault(window.span, SightRequest.of(window, stored.site, places[key]))
    return [replace(need, looks=tuple(looks[need.place].values())) for need in due]


def _near_nights(
    session: Session, wanted: Wanted, places: Collection[str], now: datetime
) -> Iterator[tuple[str, StoredSite, Night]]:
    """The nights at these places whose windows begin within 36 hours, once for each site and each sky that
    is asked for."""
    keys = {
        revision_id: key
        for revision_id, (_, stored) in wanted.by_revision.items()
        if (key := forecasts.place_key(stored.site)) in places
    }
    for row in near_nights(session, keys, now, now + NEAR):
        stored = wanted.site_of(row)
        if stored is not None:
            yield keys[row.site_revision_id], stored, row.night()


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
    seen += _carried(session, by_asked, gathered, now)
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


def _carried(
    session: Session, by_asked: dict[Place, Need], gathered: Gathered, now: datetime
) -> list[tuple[str, Forecast]]:
    """Official warnings for places without a forecast of this round, on the last good one they have."""
    waiting = [
        (by_asked[place].place, bulletin) for place, bulletin in gathered.bulletins if place in by_asked
    ]
    known = forecasts.newest_by_place(session, {place for place, _ in waiting}, now)
    carried: dict[str, Forecast] = {}
    for place, bulletin in waiting:
        stored = known.get(place)
        if stored:
            forecast = carried.get(place) or replace(stored[-1].forecast, bulletins=())
            carried[place] = replace(forecast, bulletins=(*forecast.bulletins, bulletin))
    return list(carried.items())


def _keep_failures(
    session: Session, failures: Sequence[FeedFailure], by_asked: dict[Place, Need], now: datetime
) -> int:
    """One row a failure and place; a whole feed's stands once for all places."""
    found = {
        (by_asked[failure.place].place if failure.place in by_asked else EVERYWHERE, *_said(failure)): failure
        for failure in failures
    }
    known = forecasts.reasons_since(session, {key[0] for key in found}, now - TOLD_AGAIN_AFTER, now)
    fresh = {key: failure for key, failure in found.items() if key not in known}
    for (place, *_), failure in fresh.items():
        forecasts.keep_rejected(
            session, place, feed=failure.feed, model=failure.model, reason=failure.text, fetched_at=now
        )
    return len(fresh)


def _said(failure: FeedFailure) -> tuple[str, str, str]:
    return failure.feed, failure.model, failure.text
