"""The feeds as the settings describe them, and asking them through one client and one cache."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy.orm import Session, sessionmaker

from alerts.span import Span
from alerts.weather.record import Place
from service.feeds.base import Feed, FeedFailure, Gathered
from service.feeds.cache import AnswerCache, MemoryCache
from service.feeds.deadline import Deadline
from service.feeds.http import PoliteClient, identify
from service.feeds.registry import build_feeds, gather
from service.settings import Settings

NO_CONTACT = "no feed was asked: they require a contact. Set DUSKBELL_CONTACT to your mail address."

CYCLE_BUDGET_S = 600.0
"""All feeds together in one cycle; what didn't come by then is asked for in the next."""


def feeds_from(settings: Settings) -> tuple[Feed, ...]:
    """The feeds that the settings name, off or on."""
    key = settings.open_meteo_key.get_secret_value() if settings.open_meteo_key else None
    options: dict[str, dict[str, object]] = {
        "open-meteo": {
            "models": settings.open_meteo_models,
            "non_commercial": settings.open_meteo_noncommercial,
            "api_key": key,
            "base_url": settings.open_meteo_url or None,
        }
    }
    if settings.met_norway:
        options["metno"] = {"base_url": settings.met_norway_url}
    if settings.nws:
        options["nws"] = {"base_url": settings.nws_url}
    return build_feeds(options)


def ask_now(settings: Settings, places: Sequence[Place], hours: Span, *, budget_s: float) -> Gathered:
    """Ask all feeds within that many seconds, remembering nothing."""
    return _ask(settings, MemoryCache(), places, hours, budget_s)


def ask_feeds(
    settings: Settings, sessions: sessionmaker[Session], places: Sequence[Place], hours: Span
) -> Gathered:
    """Ask all feeds with the answers in the store behind them."""
    from service.store.answers import DatabaseCache

    return _ask(settings, DatabaseCache(sessions), places, hours, CYCLE_BUDGET_S)


def _ask(
    settings: Settings, cache: AnswerCache, places: Sequence[Place], hours: Span, budget_s: float
) -> Gathered:
    if not settings.contact:
        return Gathered(off=(FeedFailure("all", "", NO_CONTACT, permanent=True),))
    return gather(
        places,
        hours,
        feeds_from(settings),
        client=PoliteClient(identify(settings.contact)),
        cache=cache,
        deadline=Deadline(budget_s),
    )
