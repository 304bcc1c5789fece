"""The doctor's look at the feeds: which are on, which refuse us, what the allowance carries."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy.orm import Session

from service.cli.doctor_model import Finding
from service.common.backoff import Breaker, BreakerState
from service.common.clock import real_clock
from service.feeds.capacity import sites_carried
from service.feeds.feed_health import FeedHealth, breaker_phrase, feed_health
from service.feeds.feed_wiring import feeds_from
from service.feeds.open_meteo.place_batches import LEVELS_FROM_M
from service.settings import Settings
from service.store.engine import open_engine
from service.store.migrate import current_revision, head_revision
from service.store.repositories.people import watched_sites


def examine_feeds(settings: Settings) -> Iterator[Finding]:
    """Each feed's state; a feed that refuses us is wrong until an operator acts."""
    engine, watched = open_engine(settings.store_url), 0
    if current_revision(engine) == head_revision():
        with Session(engine) as session:
            found = feed_health(settings, session, real_clock())
            watched = watched_sites(session, real_clock())
    else:
        found = [FeedHealth(feed.name, feed.off_because, Breaker()) for feed in feeds_from(settings)]
    engine.dispose()
    for each in found:
        if each.off_because is None and each.breaker.state is BreakerState.SHUT:
            hint = f"mend that, then run: duskbell feeds close {each.feed}"
            yield Finding("wrong", "feed", f"{each.feed} {breaker_phrase(each.breaker)} {hint}")
        else:
            level = "ok" if each.is_well and not each.breaker.failures else "note"
            yield Finding(level, "feed", f"{each.feed}: {each.what}")
    yield from _capacity(settings, watched)


def _capacity(settings: Settings, watched: int) -> Iterator[Finding]:
    """How many sites the day's allowance carries against those watched; nothing where it has no end."""
    near, far = (sites_carried(settings, near=near) for near in (True, False))
    high = sites_carried(settings, near=True, high=True)
    if near is None or far is None or not settings.uses_open_meteo:
        return
    above = f" ({high} if all stand above {LEVELS_FROM_M:.0f} m)" if high != near else ""
    text = (
        f"what Open-Meteo allows in a day carries about {near} sites on the day of a night{above} and {far} "
        f"whose nights lie further ahead; watched now: {watched}"
    )
    if watched > near:
        text += ". Fewer models or ensembles, line_of_sight = false, a key or a server of your own carry more"
    yield Finding("note" if watched > near else "ok", "feed", text)
