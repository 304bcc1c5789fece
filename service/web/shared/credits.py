"""Credits of the feeds, as their terms ask for them."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.weather.forecast import Source
from service.store.schema import core_tables
from service.web.shared.sky_cache import SkyCache

LOOKED_AT = 50


def recent_credits(session: Session, skies: SkyCache) -> tuple[str, ...]:
    """The credit lines of the models that answered last, each once."""
    newest = session.execute(
        select(core_tables.Forecast.id, core_tables.Forecast.feed, core_tables.Forecast.model)
        .where(core_tables.Forecast.rejected.is_(None))
        .order_by(core_tables.Forecast.id.desc())
        .limit(LOOKED_AT)
    )
    ids: dict[tuple[str, str], int] = {}
    for forecast_id, feed, model in newest:
        ids.setdefault((feed, model), forecast_id)
    return skies.keep(("credits", *ids), lambda: _credits(session, ids.values()))


def _credits(session: Session, ids: Iterable[int]) -> tuple[str, ...]:
    bodies = session.scalars(select(core_tables.Forecast.body).where(core_tables.Forecast.id.in_(set(ids))))
    lines = [str(body["attribution"][0]) for body in bodies if body]
    return tuple(dict.fromkeys(line for line in lines if line))


def credits_of(sources: Iterable[Source]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(source.attribution for source in sources if source.attribution))
