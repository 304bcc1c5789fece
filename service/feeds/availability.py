"""Who answers where: the feeds by the settings, by how they fare and by what they still allow."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.judging.obstacles import FeedHere, Model, Silence, Sources
from alerts.weather.forecast import Place
from alerts.weather.freshness import OLDEST_RUN_ON_THE_DAY
from alerts.weather.model_families import MET_NORWAY, NWS, OPEN_METEO, ModelRow
from service.common.backoff import Breaker, BreakerState
from service.feeds import feed_state
from service.feeds.feed_registry import build_feeds
from service.feeds.feed_wiring import allowances_from, feeds_from
from service.feeds.open_meteo.place_batches import product_of
from service.feeds.shared.guards import DAY_S, USED_SHARE, failing_for, provider_of, wait_for
from service.feeds.shared.model import Feed
from service.settings import Settings

LONG = OLDEST_RUN_ON_THE_DAY
"""What a feed said counts for that long after it has ceased to answer (alerts/weather/freshness.py); a
shorter silence costs no go."""


class Answering:
    """The feeds at one moment, for as many places as one likes."""

    def __init__(
        self,
        settings: Settings,
        breakers: dict[str, Breaker],
        used: dict[tuple[str, int], float],
        now: datetime,
    ) -> None:
        self._settings, self._breakers, self._used, self._now = settings, breakers, used, now
        self._known: dict[tuple[tuple[ModelRow, ...], ...], Sources] = {}
        self._unreadable = ""
        try:
            on = feeds_from(settings)
        except BadInput as refusal:  # nothing is asked then
            on, self._unreadable = (), str(refusal)
        left_out: dict[str, dict[str, object]] = {
            name: {} for name in (MET_NORWAY, NWS) if name not in {feed.name for feed in on}
        }
        self._feeds = [(feed, True) for feed in on] + [(feed, False) for feed in build_feeds(left_out)]

    @classmethod
    def of(cls, settings: Settings, session: Session, now: datetime) -> Answering:
        """As the store knows how they fare."""
        return cls(settings, feed_state.all_breakers(session), feed_state.used_now(session, now), now)

    def at(self, place: Place) -> Sources:
        """Who answers there; the same value for all places that are served alike."""
        rows = tuple(feed.models_at(place) for feed, _ in self._feeds)
        known = self._known.get(rows)
        if known is None:
            known = self._known[rows] = Sources(bool(self._settings.contact), tuple(self._here(rows)))
        return known

    def _here(self, rows: tuple[tuple[ModelRow, ...], ...]) -> Iterator[FeedHere]:
        if self._unreadable:
            yield FeedHere(OPEN_METEO, (), Silence.UNREADABLE, reason=self._unreadable)
            return
        for (feed, is_on), mine in zip(self._feeds, rows, strict=True):
            by_name: dict[str, list[Model]] = {}
            for row in mine:
                name = product_of(row, aside=False).feed if feed.name == OPEN_METEO else feed.name
                model = Model(row.model, row.lineage, row.terms.provider, row.members)
                by_name.setdefault(name, []).append(model)
            for name, models in by_name.items():
                yield self._fares(name, tuple(models), feed, is_on=is_on)

    def _fares(self, name: str, models: tuple[Model, ...], feed: Feed, *, is_on: bool) -> FeedHere:
        if not is_on:
            return FeedHere(name, models, Silence.OFF)
        if feed.off_because is not None:
            return FeedHere(name, models, Silence.UNDECLARED, reason=feed.off_because)
        breaker = self._breakers.get(name, Breaker())
        if breaker.state is BreakerState.SHUT:
            return FeedHere(name, models, Silence.REFUSES, breaker.since, reason=breaker.reason)
        if failing_for(breaker) >= LONG:
            return FeedHere(
                name, models, Silence.RESTS, breaker.since, breaker.retry_at, reason=breaker.reason
            )
        free_in = self._spent_for(name)
        if free_in >= LONG:
            return FeedHere(name, models, Silence.SPENT, until=self._now + free_in)
        return FeedHere(name, models)

    def _spent_for(self, name: str) -> timedelta:
        """For how long nothing more of it is allowed."""
        provider = provider_of(name)
        most = allowances_from(self._settings)[provider].most.get(DAY_S)
        is_spent = bool(most) and self._used.get((provider, DAY_S), 0.0) >= USED_SHARE * (most or 0.0)
        return wait_for(self._now, DAY_S) if is_spent else timedelta(0)
