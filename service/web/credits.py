"""Credits of the feeds, as their terms ask for them."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.weather.forecast import Source
from service.store import tables
from service.web.skies import Skies

LOOKED_AT = 50


def recent_credits(session: Session, skies: Skies) -> tuple[str, ...]:
    """The credit lines of the models that answered last, each once."""
    newest = session.execute(
        select(tables.Forecast.id, tables.Forecast.feed, tables.Forecast.model)
        .where(tables.Forecast.rejected.is_(None))
        .order_by(tables.Forecast.id.desc())
        .limit(LOOKED_AT)
    )
    ids: dict[tuple[str, str], int] = {}
    for forecast_id, feed, model in newest:
        ids.setdefault((feed, model), forecast_id)
    return skies.keep(("credits", *ids), lambda: _credits(session, ids.values()))


def _credits(session: Session, ids: Iterable[int]) -> tuple[str, ...]:
    bodies = session.scalars(select(tables.Forecast.body).where(tables.Forecast.id.in_(set(ids))))
    lines = [str(body["attribution"][0]) for body in bodies if body]
    return tuple(dict.fromkeys(line for line in lines if line))


def credits_of(sources: Iterable[Source]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(source.attribution for source in sources if source.attribution))
