"""The feeds as data, and asking them all at once.

A new feed is one module with a class that fits `base.Feed`, one row in FEEDS, and its models in the
table of models.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.weather.forecast import Place
from alerts.weather.models import MET_NORWAY, NWS, OPEN_METEO
from service.common.deadline import Deadline
from service.feeds.met_norway import warnings as met_norway_warnings
from service.feeds.met_norway.client import MetNorway
from service.feeds.nws import warnings as nws_warnings
from service.feeds.nws.client import Nws
from service.feeds.open_meteo.client import OpenMeteo
from service.feeds.shared.cache import AnswerCache
from service.feeds.shared.feed_errors import FeedError
from service.feeds.shared.guards import MET_NORWAY_WARNINGS, NWS_WARNINGS
from service.feeds.shared.http_client import PoliteClient
from service.feeds.shared.model import Feed, FeedFailure, Gathered, attach_bulletins, failure_of, join


@dataclass(frozen=True, slots=True)
class FeedRow:
    """A feed by name. build: keyword arguments from the settings to the feed, ready to be asked."""

    name: str
    build: Callable[..., Feed]


FEEDS: tuple[FeedRow, ...] = (
    FeedRow(OPEN_METEO, OpenMeteo),
    FeedRow(MET_NORWAY, MetNorway),
    FeedRow(NWS, Nws),
    FeedRow(MET_NORWAY_WARNINGS, met_norway_warnings.build_feed),
    FeedRow(NWS_WARNINGS, nws_warnings.build_feed),
)


def build_feeds(options: Mapping[str, Mapping[str, Any]]) -> tuple[Feed, ...]:
    """The feeds named in `options`, each with its own arguments, in the order of FEEDS."""
    known = [row.name for row in FEEDS]
    for name in options:
        if name not in known:
            raise BadInput(phrase("feeds.no-such-feed", name=name, known=known))
    return tuple(row.build(**options[row.name]) for row in FEEDS if row.name in options)


def gather(
    places: Place | Sequence[Place],
    hours: Span,
    feeds: Sequence[Feed],
    *,
    client: PoliteClient,
    cache: AnswerCache,
    deadline: Deadline,
) -> Gathered:
    """Ask all feeds that are on, side by side, and be back by the deadline.

    One feed that is down, slow or wrong never hurts the others: it is a failure in the result. A feed
    that hasn't come back in time is left behind in its own thread, which ends with the process.
    Results come in the order of `feeds`, whichever was faster. Official warnings ride on a forecast of
    their place; those of a place without any stay beside.
    """
    asked = (places,) if isinstance(places, Place) else tuple(places)
    on = [feed for feed in feeds if feed.off_because is None]
    off = tuple(
        FeedFailure(feed.name, "", feed.off_because, permanent=True)
        for feed in feeds
        if feed.off_because is not None
    )

    # each in a thread of its own, which hands over what it has
    back: queue.SimpleQueue[tuple[int, Gathered]] = queue.SimpleQueue()

    def run(index: int, feed: Feed) -> None:
        result = Gathered(failures=(FeedFailure(feed.name, "", phrase("feeds.broke", feed=feed.name)),))
        try:
            result = feed.fetch(asked, hours, client, cache, deadline)
        except FeedError as error:
            result = Gathered(failures=(failure_of(feed.name, "", error),))
        finally:  # whatever else happens goes on to the log, and nobody waits for it
            back.put((index, result))

    for index, feed in enumerate(on):
        threading.Thread(target=run, args=(index, feed), daemon=True, name=f"feed-{feed.name}").start()

    # what came back before the deadline, and a moment more for feeds that end with it
    results: dict[int, Gathered] = {}
    with contextlib.suppress(queue.Empty):
        while len(results) < len(on):
            index, gathered = back.get(timeout=deadline.remaining_s + GRACE_S)
            results[index] = gathered
    late = [FeedFailure(feed.name, "", phrase("feeds.late", name=feed.name)) for feed in on]
    parts = (results.get(index, Gathered(failures=(late[index],))) for index in range(len(on)))
    return attach_bulletins(join((Gathered(off=off), *parts)))


GRACE_S = 0.25
"""How long past the deadline a feed may take to hand over what it has."""
