"""Credits of the feeds, as their terms ask for them."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy.orm import Session

from alerts.weather.forecast import Source
from service.store.repositories.forecasts import credit_lines, last_answering
from service.web.shared.sky_cache import SkyCache

LOOKED_AT = 50


def recent_credits(session: Session, skies: SkyCache) -> tuple[str, ...]:
    """The credit lines of the models that answered last, each once."""
    ids = last_answering(session, LOOKED_AT)
    return skies.keep(("credits", *ids), lambda: credit_lines(session, ids.values()))


def credits_of(sources: Iterable[Source]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(source.attribution for source in sources if source.attribution))
