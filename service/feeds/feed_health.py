"""How the feeds fare, what of their allowance is used, and so who answers where, and how many sites it
carries."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from alerts.briefing.text.obstacle_text import SWITCHES
from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase
from alerts.judging.obstacles import FeedHere, Model, Silence, Sources
from alerts.weather.forecast import Place
from alerts.weather.freshness import OLDEST_RUN_ON_THE_DAY
from alerts.weather.line_of_sight import MOST_PLACES
from alerts.weather.models import AIR_ROW, OPEN_METEO, ModelRow, find_model
from service.common.backoff import Breaker, BreakerState
from service.feeds import feed_state
from service.feeds.feed_wiring import allowances_from, feeds_from
from service.feeds.open_meteo.client import LOOK_CLOSER
from service.feeds.open_meteo.place_batches import ALONG, FORECAST, LOW_LEVELS, product_of, request_weight
from service.feeds.shared.cached_request import Feed
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

LEAVING_OUT = (*SWITCHES.values(), "official_warnings")
"""Settings that leave a feed out."""


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
        self._feeds: list[tuple[Feed, bool]] = []
        try:
            names_on = {feed.name for feed in feeds_from(settings)}
            every = feeds_from(settings.model_copy(update=dict.fromkeys(LEAVING_OUT, True)))
            feeds = [(feed, feed.name in names_on) for feed in every]
            self._feeds = sorted(feeds, key=lambda each: not each[1])
        except BadInput as refusal:  # nothing is asked then
            self._unreadable = str(refusal)

    @classmethod
    def of(cls, settings: Settings, session: Session, now: datetime) -> Answering:
        """As the store knows how they fare."""
        return cls(settings, feed_state.all_breakers(session), feed_state.used_now(session, now), now)

    def at(self, place: Place) -> Sources:
        """Who answers there; the same value for all places that are served alike."""
        rows = tuple(feed.models_at(place) for feed, _ in self._feeds)
        known = self._known.get(rows)
        if known is not None:
            return known
        here = []
        if self._unreadable:
            here.append(FeedHere(OPEN_METEO, (), Silence.UNREADABLE, reason=self._unreadable))
        for (feed, is_on), mine in zip(self._feeds, rows, strict=True):
            by_name: dict[str, list[Model]] = {}
            for row in mine:
                name = product_of(row, aside=False).feed if feed.name == OPEN_METEO else feed.name
                model = Model(row.model, row.lineage, row.terms.provider, row.members)
                by_name.setdefault(name, []).append(model)
            here += [self._fares(name, tuple(models), feed, is_on=is_on) for name, models in by_name.items()]
        found = self._known[rows] = Sources(bool(self._settings.contact), tuple(here))
        return found

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
        provider = provider_of(name)
        most = allowances_from(self._settings)[provider].most.get(DAY_S)
        free_in = wait_for(self._now, DAY_S)
        if most and self._used.get((provider, DAY_S), 0.0) >= USED_SHARE * most and free_in >= LONG:
            return FeedHere(name, models, Silence.SPENT, until=self._now + free_in)
        return FeedHere(name, models)


# ---- how many sites Open-Meteo's allowance carries, from what is asked and how often: an estimate that errs
# low. Each site counts as alone in its cells; places that share a cell share the request. Air quality and
# ensembles are asked by their runs, single runs after three hours at the latest.

DAY = timedelta(days=1)
DAYS_ASKED = 6.0
"""Of a series: to the last night that most want to hear of."""
RUNS_EVERY = timedelta(hours=6)
"""Ensembles; also how often a place is asked about whose nights all lie beyond 36 hours."""
AIR_EVERY = timedelta(hours=12)


def sites_carried(settings: Settings, *, near: bool, high: bool = False) -> int | None:
    """How many sites the day's allowance carries; None where it has no end or nothing is asked.

    near: each has a night within 36 hours, is asked about through the day and along its line of sight.
    high: each stands above 600 m, and is asked about cloud by height then.
    """
    most = allowances_from(settings)[OPEN_METEO].most.get(DAY_S)
    weight = site_weight(settings, near=near, high=high)
    return math.floor(USED_SHARE * most / weight) if most and weight else None


def site_weight(settings: Settings, *, near: bool, high: bool = False) -> float:
    """What one site weighs in a day."""
    names = (*settings.open_meteo_models, *settings.open_meteo_ensembles)
    rows = [row for name in names if (row := find_model(OPEN_METEO, name)) is not None]
    rows += [AIR_ROW] if settings.open_meteo_air else []
    whole = 0.0
    for row in rows:
        product = product_of(row, aside=False)
        every = AIR_EVERY if row.is_air else RUNS_EVERY
        if product is FORECAST and near:
            every = product.never_after
        whole += request_weight(len(product.variables), 1, DAYS_ASKED, members=row.members) * (DAY / every)
    if not near:
        return whole

    # one model's line of sight and cloud by height, which are asked by its runs
    closer = 0.0
    if settings.line_of_sight:
        closer += request_weight(len(ALONG.variables), MOST_PLACES, 1.0) * (DAY / ALONG.never_after)
    if settings.cloud_by_height and high:
        closer += request_weight(len(LOW_LEVELS.variables), 1, 1.5) * (DAY / RUNS_EVERY)
    return whole + closer * len([row for row in rows if row.members == 1 and not row.is_air][:LOOK_CLOSER])
