"""How the feeds fare, what of their allowance is used, and so who answers where."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase
from alerts.judging.obstacles import FeedHere, Model, Silence, Sources
from alerts.sites.model import Site
from alerts.weather.forecast import Place
from alerts.weather.freshness import OLDEST_RUN_ON_THE_DAY
from alerts.weather.models import OPEN_METEO, ModelRow, reach_of_models
from service.common.backoff import Breaker, BreakerState
from service.feeds import feed_state
from service.feeds.feed_registry import FEEDS, build_feeds
from service.feeds.feed_wiring import allowances_from, feeds_from
from service.feeds.open_meteo.place_batches import product_of
from service.feeds.shared.guards import (
    DAY_S,
    HOUR_S,
    OPEN_METEO_AIR,
    OPEN_METEO_ENSEMBLE,
    USED_SHARE,
    failing_for,
    provider_of,
    wait_for,
)
from service.feeds.shared.model import Feed
from service.settings import Settings


@dataclass(frozen=True, slots=True)
class FeedHealth:
    """One feed. off_because: None when it is on. used: weight in the running hour and day, of how much."""

    feed: str
    off_because: Phrase | None
    breaker: Breaker
    used: tuple[tuple[str, float, float], ...] = ()

    @property
    def is_well(self) -> bool:
        return self.off_because is None and self.breaker.state is BreakerState.CLOSED

    @property
    def text(self) -> str:
        return str(self.what)

    @property
    def what(self) -> Phrase:
        """Its state."""
        if self.off_because is not None:
            return phrase("feeds.health-off", why=self.off_because)
        used = [
            phrase("feeds.health-used", used=used, most=most, unit=unit) for unit, used, most in self.used
        ]
        return phrase("feeds.health", parts=(breaker_phrase(self.breaker), *used))


def breaker_phrase(breaker: Breaker) -> Phrase:
    """That it is asked, or since when and why it isn't, and what ends that."""
    if breaker.state is BreakerState.SHUT:
        return phrase("feeds.health-shut", since=breaker.since, reason=breaker.reason)
    if breaker.state is BreakerState.OPEN:
        return phrase("feeds.health-rests", until=breaker.retry_at, reason=breaker.reason)
    if breaker.failures:
        return phrase("feeds.health-failing", failures=breaker.failures, reason=breaker.reason)
    return phrase("feeds.health-on")


def feed_health(settings: Settings, session: Session, now: datetime) -> list[FeedHealth]:
    """Every feed that the settings name, in the order they are asked."""
    breakers, used = feed_state.all_breakers(session), feed_state.used_now(session, now)
    allowances = allowances_from(settings)
    found = []
    for name, off_because in _named(settings):
        most = allowances[provider_of(name)].most if provider_of(name) in allowances else {}
        spent = tuple(
            (unit, used.get((name, unit_s), 0.0), most[unit_s])
            for unit, unit_s in (("hour", HOUR_S), ("day", DAY_S))
            if unit_s in most and (name, unit_s) in used
        )
        found.append(FeedHealth(name, off_because, breakers.get(name, Breaker()), spent))
    return found


def _named(settings: Settings) -> Iterator[tuple[str, Phrase | None]]:
    for feed in feeds_from(settings):
        yield feed.name, feed.off_because
        if feed.name == OPEN_METEO and feed.off_because is None:
            if settings.open_meteo_ensembles:
                yield OPEN_METEO_ENSEMBLE, None
            if settings.open_meteo_air:
                yield OPEN_METEO_AIR, None


def close_breaker(settings: Settings, session: Session, feed: str, now: datetime) -> Breaker:
    """Let a feed be asked again; what its breaker was before. BadInput when no such feed is in use."""
    names = [name for name, _ in _named(settings)]
    if feed not in names:
        raise BadInput(phrase("feeds.not-in-use", feed=feed, names=names))
    return feed_state.close_breaker(session, feed, now)


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
        names_on = {feed.name for feed in on}
        left_out: dict[str, dict[str, object]] = {row.name: {} for row in FEEDS if row.name not in names_on}
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
            return FeedHere(name, models, Silence.UNDECLARED, reason=str(feed.off_because))
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


def feeds_reach(settings: Settings, site: Site) -> timedelta:
    """How far ahead the feeds that are on look there, ensembles aside, which are asked for near nights alone;
    0 where none is, or the settings can't be read."""
    try:
        feeds = feeds_from(settings, ensembles=False)
    except BadInput:
        return timedelta(0)
    place = Place(site.lat_deg, site.lon_deg)
    return reach_of_models(row for feed in feeds if feed.off_because is None for row in feed.models_at(place))
