"""How the feeds fare: on or off, asked or left alone, and what of their allowance is used."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.weather.model_families import OPEN_METEO
from service.common.backoff import Breaker, BreakerState
from service.feeds import feed_state
from service.feeds.feed_wiring import allowances_from, feeds_from
from service.feeds.shared.guards import DAY_S, HOUR_S, OPEN_METEO_AIR, OPEN_METEO_ENSEMBLE, provider_of, stamp
from service.settings import Settings


@dataclass(frozen=True, slots=True)
class FeedHealth:
    """One feed. off_because: None when it is on. used: weight in the running hour and day, of how much."""

    feed: str
    off_because: str | None
    breaker: Breaker
    used: tuple[tuple[str, float, float], ...] = ()

    @property
    def is_well(self) -> bool:
        return self.off_because is None and self.breaker.state is BreakerState.CLOSED

    @property
    def text(self) -> str:
        """Its state in one sentence."""
        if self.off_because is not None:
            return f"off. {self.off_because}"
        return say_breaker(self.breaker) + "".join(
            f"; {used:,.0f} of {most:,.0f} used this {unit}" for unit, used, most in self.used
        )


def say_breaker(breaker: Breaker) -> str:
    """`on`, or since when and why it isn't asked, and what ends that."""
    if breaker.state is BreakerState.SHUT:
        return f"refuses us since {stamp(breaker.since)}: {breaker.reason}"
    if breaker.state is BreakerState.OPEN:
        return f"left alone until {stamp(breaker.retry_at)}: {breaker.reason}"
    if breaker.failures:
        plural = "s" if breaker.failures > 1 else ""
        return f"on; {breaker.failures} failed request{plural} on end: {breaker.reason}"
    return "on"


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


def _named(settings: Settings) -> Iterator[tuple[str, str | None]]:
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
        raise BadInput(f"{feed!r} is none of the feeds in use: {', '.join(names)}.")
    return feed_state.close_breaker(session, feed, now)
