"""What every feed offers, and how it asks: for one answer with those behind it that are kept, under a key
that neighbouring places share, falling back on the last good one."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Protocol

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.weather.forecast import Place
from alerts.weather.line_of_sight import cell_of
from alerts.weather.models import ModelRow
from service.common.deadline import Deadline
from service.feeds.shared import http_client
from service.feeds.shared.checked_answers import FeedDown, FeedError, FeedRefused, FeedThrottled
from service.feeds.shared.model import Gathered, failure_of

LAST_GOOD_FOR = timedelta(hours=12)
"""How long after its confirmation an answer still stands in for a feed that is down."""
MOST_FAILURES_ON_END = 3
"""After so many failed requests in a row the rest of a round isn't asked."""


@dataclass(frozen=True, slots=True)
class StoredAnswer:
    """A 200 answer kept under a key that the feed makes (it holds no secret and no header).

    fetched_at: when the provider last confirmed the body, by sending it or by answering 304.
    expires_at: before this the feed mustn't be asked again; None when the feed goes by age.
    last_modified, etag: the provider's own words, to be sent back verbatim; None without any.
    unchanged_since: when this same content was first fetched; a new run changes it, a stuck feed
    doesn't.
    """

    body: bytes
    status: int
    fetched_at: datetime
    expires_at: datetime | None = None
    last_modified: str | None = None
    etag: str | None = None
    unchanged_since: datetime | None = None


class AnswerCache(Protocol):
    """Where stored answers live; one key, one answer, the newer replaces the older.

    Both calls come from several threads at once.
    """

    def get(self, key: str) -> StoredAnswer | None: ...

    def put(self, key: str, answer: StoredAnswer) -> None: ...


class MemoryCache:
    """Answers kept for the life of the process."""

    def __init__(self) -> None:
        self._answers: dict[str, StoredAnswer] = {}
        self._lock = threading.Lock()

    def get(self, key: str) -> StoredAnswer | None:
        with self._lock:
            return self._answers.get(key)

    def put(self, key: str, answer: StoredAnswer) -> None:
        with self._lock:
            self._answers[key] = answer


@dataclass(frozen=True, slots=True)
class Question:
    """One request, under which key its answer is kept, and until when that is good. model, place: of which it
    is the only answer, for who is told of a failure."""

    request: http_client.Request
    key: str
    expires: Callable[[http_client.HttpAnswer], datetime]
    model: str = ""
    place: Place | None = None


class Patience:
    """Stops a round of requests to a feed that is down, throttles or has shut us out."""

    def __init__(self) -> None:
        self._on_end = 0
        self.given_up: FeedError | None = None

    def note(self, error: FeedError | None) -> None:
        """Take in how a request went: None went well."""
        self._on_end = self._on_end + 1 if isinstance(error, FeedDown) else 0
        shut_out = isinstance(error, FeedRefused) and error.status == 403
        if error and (isinstance(error, FeedThrottled) or shut_out or self._on_end >= MOST_FAILURES_ON_END):
            self.given_up = error


@dataclass(frozen=True, slots=True)
class AskRound:
    """What all questions of one call share. patience: with one feed."""

    client: http_client.PoliteClient
    cache: AnswerCache
    deadline: Deadline
    patience: Patience = field(default_factory=Patience)


class Feed(Protocol):
    """One feed, ready to be asked."""

    @property
    def name(self) -> str: ...

    @property
    def off_because(self) -> Phrase | None:
        """Why the feed isn't asked at all and what would switch it on; None when it is on."""

    def models_at(self, place: Place) -> tuple[ModelRow, ...]:
        """The models that it tells the weather of a place by, as it is set, on or off; none where it serves
        others."""

    def fetch(self, places: Sequence[Place], hours: Span, round_: AskRound) -> Gathered:
        """Forecasts for those places over those hours, one a place and model.

        A place that the feed doesn't cover has no forecast and no failure. Raises nothing of its own:
        what failed is in the answer, so that one bad place or model never hurts the others.
        """


def ask(question: Question, round_: AskRound, parse: Callable[[StoredAnswer], Gathered]) -> Gathered:
    """The parsed answer: from the cache while it's good, else asked for, conditionally where possible.

    When asking fails, or what comes is unusable, the last good answer is used beside the failure, as
    long as it isn't older than LAST_GOOD_FOR; its age shows in its source. Only usable answers are
    stored, so that a broken one never replaces a good one. FeedRefused comes back as a failure too.
    """
    client, cache, patience = round_.client, round_.cache, round_.patience
    now = client.now()
    stored = cache.get(question.key)
    if stored is not None and stored.expires_at is not None and now < stored.expires_at:
        return parse(stored)
    try:
        if patience.given_up is not None:
            raise patience.given_up
        request = question.request
        if stored is not None:  # the provider's own words of the last answer, word for word
            told = {"If-Modified-Since": stored.last_modified, "If-None-Match": stored.etag}
            conditions = {name: value for name, value in told.items() if value}
            request = replace(request, headers={**request.headers, **conditions})
        answer = client.get(request, round_.deadline)
        expires_at = question.expires(answer)
        if not answer.not_modified:
            since = stored.unchanged_since if stored and stored.body == answer.body else None
            fresh = keep(answer.body, answer, expires_at, unchanged_since=since)
        elif stored is None:
            raise FeedDown(phrase("feeds.nothing-here-yet", feed=request.feed))
        else:
            fresh = replace(stored, fetched_at=answer.fetched_at, expires_at=expires_at)
        patience.note(None)
        gathered = parse(fresh)
    except FeedError as error:
        patience.note(error)
        failure = failure_of(question.request.feed, question.model, error, question.place)
        return Gathered(failures=(failure,)) + last_good(stored, now, parse)
    if gathered.forecasts or gathered.bulletins:
        cache.put(question.key, fresh)
        return gathered
    if stored is not None:  # leave the feed alone as long as it wishes, keeping what was good
        cache.put(question.key, replace(stored, expires_at=fresh.expires_at))
    return gathered + last_good(stored, now, parse)


def last_good(
    stored: StoredAnswer | None, now: datetime, parse: Callable[[StoredAnswer], Gathered]
) -> Gathered:
    """What a stored answer still gives, if it isn't too old to stand in; its failures are old news."""
    if stored is None or now - stored.fetched_at > LAST_GOOD_FOR:
        return Gathered()
    kept = parse(stored)
    return Gathered(forecasts=kept.forecasts, bulletins=kept.bulletins)


def keep(
    body: bytes,
    answer: http_client.HttpAnswer,
    expires_at: datetime | None,
    *,
    unchanged_since: datetime | None = None,
) -> StoredAnswer:
    """`body` as it is to be stored; unchanged_since: when these same values first came, if before now."""
    return StoredAnswer(
        body=body,
        status=answer.status,
        fetched_at=answer.fetched_at,
        expires_at=expires_at,
        last_modified=answer.headers.get("last-modified"),
        etag=answer.headers.get("etag"),
        unchanged_since=unchanged_since or answer.fetched_at,
    )


SHARED_CLIMB_M = 100.0
"""Heights in one step of this size share a request: only temperature is corrected for height, and half a step
is 0.3 degrees."""


@dataclass(frozen=True, slots=True)
class Region:
    """A region, degrees, edges included."""

    south: float
    north: float
    west: float
    east: float

    def contains(self, place: Place) -> bool:
        return self.south <= place.lat_deg <= self.north and self.west <= place.lon_deg <= self.east


def short_degrees(degrees: float) -> str:
    """Degrees with at most four decimals and no trailing zeros, as both MET and the NWS want them."""
    text = f"{degrees:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def cell_key(prefix: str, place: Place, step_deg: float, *, by_height: bool = True) -> str:
    """Under which the answer for a place, and for its neighbours in a cell of that side, is kept."""
    lat_deg, lon_deg = cell_of(place.lat_deg, place.lon_deg, step_deg)
    is_known = by_height and place.elevation_m is not None
    height = f",{round((place.elevation_m or 0.0) / SHARED_CLIMB_M)}" if is_known else ""
    return f"{prefix}{short_degrees(lat_deg)},{short_degrees(lon_deg)}{height}"
