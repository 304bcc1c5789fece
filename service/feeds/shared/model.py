"""What asking feeds gives back, and what all parsers make it with."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from alerts.common.phrases import Phrase, phrase, say
from alerts.common.span import Span
from alerts.weather.forecast import Bulletin, Forecast, Place, Source
from alerts.weather.models import ModelRow, get_model, model_name
from alerts.weather.quality_gates import (
    QualityCheck,
    Rejected,
    check_distance,
    leave_out_unbelievable,
    pass_gates,
)
from service.feeds.shared.checked_answers import (
    LEFT_OUT,
    BadAnswer,
    FeedDown,
    FeedError,
    FeedRefused,
    FeedThrottled,
)
from service.feeds.shared.guards import Spent


@dataclass(frozen=True, slots=True)
class FeedFailure:
    """What a feed couldn't give, and why.

    model: "" when all of the feed failed. gate: set when an answer came and was rejected.
    place: the one place concerned, None when all were.
    permanent: asking again the same way won't help. status: the HTTP status, where there was one.
    retry_after: how long the feed wants to be left alone, where it said so.
    """

    feed: str
    model: str
    what: Phrase
    gate: QualityCheck | None = None
    place: Place | None = None
    permanent: bool = False
    status: int | None = None
    retry_after: timedelta | None = None

    @property
    def text(self) -> str:
        """In one sentence, in English."""
        return str(self.what)

    @property
    def why(self) -> str:
        """The gate that rejected it, the HTTP status, or `throttled` or `unanswered`: a label to count by."""
        if self.gate is not None:
            return self.gate.value
        if self.status is not None:
            return str(self.status)
        return "throttled" if self.retry_after is not None else "unanswered"


@dataclass(frozen=True, slots=True)
class Gathered:
    """What came back: usable forecasts, what failed or was rejected, and feeds that are off.

    A forecast and a failure of the same feed can stand side by side: the last good answer is used
    while the feed is down, and its age shows in its source.
    bulletins: what authorities have in force, by place. spent: what the asking cost.
    """

    forecasts: tuple[Forecast, ...] = ()
    failures: tuple[FeedFailure, ...] = ()
    off: tuple[FeedFailure, ...] = ()
    bulletins: tuple[tuple[Place, Bulletin], ...] = ()
    spent: tuple[Spent, ...] = ()

    def __add__(self, other: Gathered) -> Gathered:
        return join((self, other))


def join(parts: Iterable[Gathered]) -> Gathered:
    """All of them as one, in their order."""
    parts = tuple(parts)
    return Gathered(
        forecasts=tuple(each for part in parts for each in part.forecasts),
        failures=tuple(each for part in parts for each in part.failures),
        off=tuple(each for part in parts for each in part.off),
        bulletins=tuple(each for part in parts for each in part.bulletins),
        spent=tuple(each for part in parts for each in part.spent),
    )


def build_source(
    row: ModelRow,
    *,
    issued_at: datetime | None = None,
    fetched_at: datetime | None = None,
    unchanged_since: datetime | None = None,
    next_due_at: datetime | None = None,
) -> Source:
    """The source that travels with forecasts of this model."""
    return Source(
        feed=row.feed,
        provider=row.terms.provider,
        lineage=row.lineage,
        model=row.model,
        attribution=say("models.attribution", credit=row.terms.credit),
        attribution_url=row.terms.attribution_url,
        issued_at=issued_at,
        fetched_at=fetched_at,
        unchanged_since=unchanged_since,
        next_due_at=next_due_at,
    )


def attach_bulletins(gathered: Gathered) -> Gathered:
    """Each place's bulletins carried by its first forecast; a place without one keeps them in `bulletins`."""
    waiting: dict[Place, list[Bulletin]] = {}
    for place, bulletin in gathered.bulletins:
        waiting.setdefault(place, []).append(bulletin)
    forecasts = []
    for forecast in gathered.forecasts:
        found = waiting.pop(forecast.place, []) if forecast.place else []
        forecasts.append(replace(forecast, bulletins=tuple(found)) if found else forecast)
    left = tuple((place, bulletin) for place, found in waiting.items() for bulletin in found)
    return replace(gathered, forecasts=tuple(forecasts), bulletins=left)


def shared_with(read: Gathered, places: Sequence[Place]) -> Gathered:
    """What was read for the first of these places, for all of them, as they lie in one cell."""
    moved, failures = list(read.forecasts), list(read.failures)
    for place in places[1:]:
        for forecast in read.forecasts:
            row = get_model(forecast.source.feed, forecast.source.model)
            rejected = check_distance(forecast, place, row.cell_reach_km)
            if rejected is None:
                moved.append(replace(forecast, place=place))
                continue
            error = BadAnswer.of(model_name(row.feed, row.model), rejected)
            failures.append(failure_of(row.feed, row.model, error, place))
    return replace(read, forecasts=tuple(moved), failures=tuple(failures))


@contextmanager
def leaving_out(unread: list[BadAnswer]) -> Iterator[None]:
    """Around reading what an answer can be judged without: where it can't be read it stays unknown, with the
    reason added to `unread`, and the cloud beside it still counts."""
    try:
        yield
    except BadAnswer as error:
        unread.append(error)


def judge_quality(forecast: Forecast, row: ModelRow, unread: Sequence[BadAnswer] = ()) -> Gathered:
    """The forecast if it passes the gates, else the failure that tells which one closed.

    Beside a usable forecast stands a failure for all that came with it and couldn't be read.
    """
    forecast, unbelievable = leave_out_unbelievable(forecast)
    judged = pass_gates(forecast, reach_km=row.cell_reach_km)
    name = model_name(row.feed, row.model)
    if isinstance(judged, Rejected):
        return Gathered(
            failures=(failure_of(row.feed, row.model, BadAnswer.of(name, judged), forecast.place),)
        )
    left_out = (*unread, *(BadAnswer.of(name, each) for each in unbelievable))
    failures = tuple(
        FeedFailure(
            row.feed,
            row.model,
            phrase(LEFT_OUT, what=each.what),
            gate=each.gate,
            place=forecast.place,
        )
        for each in left_out
    )
    return Gathered((judged,), failures)


def failure_of(feed: str, model: str, error: FeedError, place: Place | None = None) -> FeedFailure:
    """What an error means to those who asked."""
    return FeedFailure(
        feed,
        model,
        error.what,
        gate=error.gate if isinstance(error, BadAnswer) else None,
        place=place,
        permanent=error.permanent,
        status=error.status if isinstance(error, FeedDown | FeedRefused) else None,
        retry_after=error.retry_after if isinstance(error, FeedThrottled) else None,
    )


Gather = Callable[[Sequence[Place], Span], Gathered]
