"""The feeds as the settings describe them, and asking them through one client, one cache and one limiter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.weather.forecast import Place
from alerts.weather.models import MET_NORWAY, NWS, OPEN_METEO
from service.common.deadline import Deadline
from service.feeds.command_state import CacheAtHand, GuardsAtHand, sessions_at_hand
from service.feeds.feed_registry import build_feeds, gather
from service.feeds.feed_state import DatabaseCache, DatabaseGuards
from service.feeds.shared.cache import AnswerCache, MemoryCache
from service.feeds.shared.guards import (
    ALLOWANCES,
    DAY_S,
    FREE_OPEN_METEO,
    MET_NORWAY_WARNINGS,
    NWS_WARNINGS,
    UNLIMITED_OPEN_METEO,
    Allowance,
    Guards,
    NoGuards,
)
from service.feeds.shared.http_client import PoliteClient, identify
from service.feeds.shared.model import Feed, FeedFailure, Gathered
from service.settings import Settings

CYCLE_BUDGET_S = 600.0
"""All feeds together in one cycle; what didn't come by then is asked for in the next."""


def feeds_from(settings: Settings, *, ensembles: bool = True) -> tuple[Feed, ...]:
    """The feeds that the settings name, off or on. ensembles: those too, which weigh most."""
    options: dict[str, dict[str, Any]] = {OPEN_METEO: _open_meteo(settings, ensembles=ensembles)}
    if settings.met_norway:
        options[MET_NORWAY] = {"base_url": settings.met_norway_url}
    if settings.nws:
        options[NWS] = {"base_url": settings.nws_url}
    if settings.official_warnings:
        options[MET_NORWAY_WARNINGS] = {"base_url": settings.met_norway_url}
        options[NWS_WARNINGS] = {"base_url": settings.nws_url}
    return build_feeds(options)


def _open_meteo(settings: Settings, *, ensembles: bool) -> dict[str, Any]:
    key = settings.open_meteo_key.get_secret_value() if settings.open_meteo_key else None
    return {
        "models": settings.open_meteo_models,
        "ensembles": settings.open_meteo_ensembles if ensembles else (),
        "air_quality": settings.open_meteo_air,
        "share_alike": settings.open_meteo_share_alike,
        "non_commercial": settings.open_meteo_noncommercial,
        "api_key": key,
        "by_height": settings.cloud_by_height,
        "base_url": settings.open_meteo_url or None,
        "ensemble_url": settings.open_meteo_ensemble_url or None,
        "air_url": settings.open_meteo_air_url or None,
    }


def allowances_from(settings: Settings) -> Mapping[str, Allowance]:
    """What each provider allows this installation."""
    is_free = settings.open_meteo_key is None and not settings.open_meteo_url
    allowance = FREE_OPEN_METEO if is_free else UNLIMITED_OPEN_METEO
    if settings.open_meteo_daily_weight is not None:
        most = {**allowance.most, DAY_S: settings.open_meteo_daily_weight}
        allowance = replace(allowance, most=most)
    return {**ALLOWANCES, OPEN_METEO: allowance}


@dataclass(frozen=True, slots=True)
class FeedAccess:
    """By what feeds are asked: the settings, the answers known already, and who may be asked."""

    settings: Settings
    cache: AnswerCache
    guards: Guards

    def ask(
        self, feeds: Sequence[Feed], places: Sequence[Place], hours: Span, deadline: Deadline
    ) -> Gathered:
        """All these feeds, within the deadline. Places along a line of sight are left out where the settings
        say so."""
        if not self.settings.contact:
            return Gathered(off=(FeedFailure("all", "", phrase("feeds.no-contact"), permanent=True),))
        wanted = [place for place in places if self.settings.line_of_sight or not place.is_aside]
        user_agent, proxy = identify(self.settings.contact), self.settings.proxy
        with PoliteClient(user_agent, proxy=proxy, guards=self.guards) as client:
            return gather(wanted, hours, feeds, client=client, cache=self.cache, deadline=deadline)


def at_hand(settings: Settings) -> FeedAccess:
    """With the store's answers, allowances and breakers where this installation has a store; where it has
    none, nothing is remembered beyond this process, and none is made."""
    sessions = sessions_at_hand(settings) if settings.contact else None
    if sessions is None:
        return FeedAccess(settings, MemoryCache(), NoGuards())
    return behind_store(settings, sessions)


def behind_store(settings: Settings, sessions: sessionmaker[Session]) -> FeedAccess:
    """For one person who waits, with a store that is open already."""
    return FeedAccess(settings, CacheAtHand(sessions), GuardsAtHand(_shared_guards(settings, sessions)))


def ask_now(
    asking: FeedAccess, places: Sequence[Place], hours: Span, deadline: Deadline, *, ensembles: bool = False
) -> Gathered:
    """Ask all feeds for one person who waits, and be back by the deadline."""
    return asking.ask(feeds_from(asking.settings, ensembles=ensembles), places, hours, deadline)


def ask_feeds(
    settings: Settings, sessions: sessionmaker[Session], places: Sequence[Place], hours: Span
) -> Gathered:
    """Ask all feeds for a cycle, with the store behind them; and what that cost."""
    guards = _shared_guards(settings, sessions)
    asking = FeedAccess(settings, DatabaseCache(sessions), guards)
    gathered = asking.ask(feeds_from(settings), places, hours, Deadline(CYCLE_BUDGET_S))
    return replace(gathered, spent=guards.spent)


def _shared_guards(settings: Settings, sessions: sessionmaker[Session]) -> DatabaseGuards:
    return DatabaseGuards(sessions, lambda: datetime.now(UTC), allowances=allowances_from(settings))
