"""One polite HTTP client for all feeds.

Polite: it says who is asking, keeps to a deadline and a size, retries little and with jitter, waits
when told to, keeps to the provider's allowance, leaves a feed alone that is down or has refused us, and
follows a redirect only within the same host. Connections are kept from one request to the next: opening one
costs many times what a request over it does. Every outcome is an `Answer` or one of
the errors in service.feeds.shared.checked_answers; no error holds a query, a header or a key.
"""

from __future__ import annotations

import logging
import os
import random
import re
import ssl
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from urllib.parse import urljoin, urlsplit

import requests
import urllib3.exceptions

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.weather.quality_gates import QualityCheck
from service.common.backoff import read_retry_after
from service.common.connect import ProxyFault
from service.common.deadline import Deadline, SocketTimer
from service.feeds.shared.checked_answers import (
    AllowanceSpent,
    BadAnswer,
    FeedDown,
    FeedError,
    FeedRefused,
    FeedThrottled,
    NotAsked,
)
from service.feeds.shared.guards import Guards, NoGuards
from service.feeds.shared.watched_sockets import STRAIGHT, Connections, ConnectionUse, Route

log = logging.getLogger(__name__)

LONGEST_RETRY_AFTER_S = 30.0
"""A longer wait is left to the next cycle."""
MOST_REDIRECTS = 3
_CHUNK = 16_384


@dataclass(frozen=True, slots=True)
class Limits:
    """Of one request. Seconds: to connect, between two received bytes, and with all its retries. size: bytes
    of an answer after decompression. tries: while the feed is down or throttling."""

    connect_s: float = 5.0
    read_s: float = 10.0
    whole_s: float = 30.0
    size: int = 2_000_000
    tries: int = 3


@dataclass(frozen=True, slots=True)
class TimeSource:
    """What a client waits and tells the time by; replaced in tests."""

    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    monotonic: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    jitter: Callable[[], float] = random.random


@dataclass(frozen=True, slots=True)
class Request:
    """One question with all its tries. feed: whose allowance and breaker it is; "" is nobody's. weight: of
    one try. tries_when_throttled: fewer tries for feeds that block whoever insists."""

    url: str
    params: Mapping[str, str] | None = None
    headers: Mapping[str, str] = field(default_factory=dict)
    feed: str = ""
    weight: float = 1.0
    tries_when_throttled: int | None = None


@dataclass(frozen=True, slots=True)
class HttpAnswer:
    """A 200, 203 or 304. headers: names in lower case. url: where it came from, after redirects."""

    status: int
    headers: Mapping[str, str]
    body: bytes
    fetched_at: datetime
    url: str

    @property
    def not_modified(self) -> bool:
        return self.status == 304


def identify(contact: str) -> str:
    """The User-Agent `Duskbell/<version> (<contact>)`; BadInput when nobody could be reached by it."""
    contact = contact.strip()
    if "@" not in contact and "://" not in contact:
        raise BadInput(phrase("feeds.contact-needed"))
    if not contact.isascii() or not contact.isprintable():
        raise BadInput(phrase("feeds.contact-plain"))
    try:
        number = version("duskbell")
    except PackageNotFoundError:
        number = "0"
    return f"Duskbell/{number} ({contact})"


class PoliteClient:
    """Asks feeds on behalf of one installation; safe to share between threads. A context manager, whose end
    closes the kept connections.

    user_agent: from `identify`. route: the way out; proxies named in the environment are never used.
    guards: allowances and breakers.
    """

    def __init__(
        self,
        user_agent: str,
        route: Route = STRAIGHT,
        *,
        limits: Limits | None = None,
        guards: Guards | None = None,
        times: TimeSource | None = None,
    ) -> None:
        if not re.search(r"\(\S.*\)", user_agent):
            raise BadInput(phrase("feeds.agent-without-contact"))
        self._user_agent, self._route = user_agent, route
        self._limits = limits or Limits()
        self._guards = guards or NoGuards()
        self._times = times or TimeSource()
        self._connections = Connections(route)
        self._process = os.getpid()

    def __enter__(self) -> PoliteClient:
        return self

    def __exit__(self, *_: object) -> None:
        self._connections.close()

    def deadline(self, seconds: float) -> Deadline:
        """A deadline on this client's clock, to share between requests."""
        return Deadline(seconds, monotonic=self._times.monotonic)

    def now(self) -> datetime:
        return self._times.now()

    def refusal(self, feed: str) -> FeedError | None:
        """Why the feed isn't to be asked now; None when it is."""
        return self._guards.refusal(feed)

    def get(self, request: Request, deadline: Deadline | None = None) -> HttpAnswer:
        """Ask, and ask again while the feed is down or throttling.

        All tries, their pauses and redirects share one end: `deadline`, and never later than
        `Limits.whole_s`. Raises FeedDown, FeedRefused, FeedThrottled or BadAnswer.
        """
        whole_s, feed = self._limits.whole_s, request.feed
        ends = self.deadline(whole_s) if deadline is None else deadline.at_most(whole_s)
        if feed and (refused := self._guards.refusal(feed)) is not None:
            raise refused
        try:
            answer = self._insist(request, ends)
        except FeedError as error:
            if feed:
                self._guards.note(feed, error)
            raise
        if feed:
            self._guards.note(feed, None)
        return answer

    def _insist(self, request: Request, ends: Deadline) -> HttpAnswer:
        """With pauses of 0.5, 1, 2 ... seconds and up to half more, or as long as the feed asked for."""
        for attempt in range(1, self._limits.tries + 1):
            try:
                return self._follow(request, ends)
            except AllowanceSpent:
                raise
            except (FeedDown, FeedThrottled) as error:
                most, more = self._limits.tries, 0.5 * self._times.jitter()
                pause_s = 0.5 * 2 ** (attempt - 1) * (1 + more)
                if isinstance(error, FeedThrottled):
                    most = request.tries_when_throttled or most
                    pause_s = 5.0 * attempt * (1 + more)
                    if error.retry_after is not None:
                        asked_s = error.retry_after.total_seconds()
                        pause_s = asked_s + more if asked_s <= LONGEST_RETRY_AFTER_S else float("inf")
                if attempt >= most or pause_s >= ends.remaining_s:
                    raise
                self._times.sleep(pause_s)
        raise AssertionError

    def _follow(self, request: Request, ends: Deadline) -> HttpAnswer:
        """One try, through redirects that stay on the host."""
        name, asked = _name(request.url), request
        for _ in range(MOST_REDIRECTS + 1):
            try:
                with self._turn(asked, ends):
                    answer = self._ask(asked, ends)
            except _KeptWasClosed:  # asked again at once, which a GET may be (RFC 9110, 9.2.2), and counted
                with self._turn(asked, ends):
                    answer = self._ask(asked, ends, may_be_kept=False)
            if answer.status not in (301, 302, 303, 307, 308):
                return _accept(answer)
            target = urljoin(answer.url, answer.headers.get("location", ""))
            if "location" not in answer.headers or not _same_host(asked.url, target):
                raise FeedRefused(phrase("feeds.redirects-away", name=_name(asked.url)), status=answer.status)
            asked = replace(asked, url=target, params=None)
        raise FeedRefused(phrase("feeds.redirects-round", name=name), status=answer.status)

    def _turn(self, request: Request, ends: Deadline) -> AbstractContextManager[None]:
        return self._guards.turn(request.feed, request.weight, ends) if request.feed else nullcontext()

    def _ask(self, request: Request, ends: Deadline, *, may_be_kept: bool = True) -> HttpAnswer:
        """Send it once and read the answer, whatever its status says."""
        name, limits = _name(request.url), self._limits
        if ends.has_passed:
            raise NotAsked(phrase("feeds.no-time-left", name=name))
        if self._process != os.getpid():  # forked: the kept connections are the parent's
            self._process, self._connections = os.getpid(), Connections(self._route)
        identity = {"User-Agent": self._user_agent, "Accept-Encoding": "gzip", "Accept": "application/json"}
        sent, timeouts = {**identity, **request.headers}, (limits.connect_s, limits.read_s)
        with SocketTimer(ends.remaining_s, connect_s=limits.connect_s, step_s=limits.connect_s) as timer:
            use = ConnectionUse(timer, may_be_kept)
            try:
                with self._connections.get(request.url, request.params, sent, timeouts, use) as response:
                    parts, size = [], 0
                    for part in response.iter_content(_CHUNK):
                        size += len(part)
                        if size > limits.size:
                            what = phrase("feeds.too-big", name=name, most=limits.size)
                            raise BadAnswer(what, gate=QualityCheck.BODY)
                        parts.append(part)
                    headers = {key.lower(): value for key, value in response.headers.items()}
                    answer = HttpAnswer(
                        response.status_code, headers, b"".join(parts), self.now(), response.url
                    )
            except (requests.RequestException, urllib3.exceptions.HTTPError, OSError) as error:
                if timer.fired:
                    raise FeedDown(phrase("feeds.cut-off", name=name)) from error
                if use.was_kept and any(isinstance(cause, _HUNG_UP) for cause in _unwrap(error)):
                    raise _KeptWasClosed from error
                raise _explain(name, error) from error
            if timer.fired:  # what looks complete may be cut off
                raise FeedDown(phrase("feeds.cut-off", name=name))
            return answer


def _accept(answer: HttpAnswer) -> HttpAnswer:
    """The answer if it's one to read, else the error that its status means."""
    name, status = _name(answer.url), answer.status
    if status == 203:
        log.warning("%s answers 203: this version of the feed is deprecated or a trial", name)
    if status in (200, 203, 304):
        return answer
    if status == 407:  # of a proxy that forwards plain http; one that tunnels says so before
        raise FeedDown(phrase("feeds.proxy-wants-login", name=name))
    reason = _reason(answer)
    said = {"name": name, "status": status, "reason": reason, "gives_reason": bool(reason)}
    if status == 429:
        after = read_retry_after(answer.headers.get("retry-after"), answer.fetched_at)
        raise FeedThrottled(phrase("feeds.throttles", **said), retry_after=after, reason=reason)
    if status >= 500:
        raise FeedDown(phrase("feeds.own-error", **said), status=status)
    raise FeedRefused(phrase("feeds.refuses", **said), status=status)


def _name(url: str) -> str:
    """Host and path: enough to find the feed, and nothing secret."""
    parts = urlsplit(url)
    return f"{parts.hostname or 'the feed'}{parts.path}"


def _same_host(url: str, target: str) -> bool:
    one, other = urlsplit(url), urlsplit(target)
    try:
        return (one.scheme, one.hostname, one.port) == (other.scheme, other.hostname, other.port)
    except ValueError:  # a port that is none
        return False


class _KeptWasClosed(Exception):
    """The feed closed a kept connection just as it was asked over it."""


_HUNG_UP = (ConnectionError, ssl.SSLEOFError, ssl.SSLZeroReturnError)
"""The other side closed the connection, which says nothing about the request."""


def _explain(name: str, error: Exception) -> FeedDown:
    """What went wrong on the way, in words of our own: foreign messages hold the whole address."""
    causes = tuple(_unwrap(error))
    for cause in causes:
        if isinstance(cause, ProxyFault):
            return FeedDown(phrase("feeds.by-proxy", name=name, what=cause.args[0]))
    for kinds, key in _MEANINGS:
        if any(isinstance(cause, kinds) for cause in causes):
            return FeedDown(phrase(key, name=name))
    return FeedDown(phrase("feeds.unreachable", name=name))


_MEANINGS: tuple[tuple[tuple[type[BaseException], ...], str], ...] = (
    ((requests.exceptions.SSLError, urllib3.exceptions.SSLError), "feeds.untrusted"),
    ((requests.exceptions.ProxyError,), "feeds.proxy-silent"),
    ((urllib3.exceptions.NameResolutionError,), "feeds.no-address"),
    ((urllib3.exceptions.NewConnectionError,), "feeds.unreachable"),
    ((requests.exceptions.Timeout, urllib3.exceptions.TimeoutError), "feeds.late"),
    (
        (
            urllib3.exceptions.ProtocolError,
            urllib3.exceptions.DecodeError,
            requests.exceptions.ContentDecodingError,
        ),
        "feeds.broke-off",
    ),
)


def _unwrap(error: BaseException) -> Iterator[BaseException]:
    """The error and those that requests and urllib3 have wrapped into it."""
    yield error
    for inner in (*error.args, getattr(error, "reason", None)):
        if isinstance(inner, BaseException):
            yield from _unwrap(inner)


def _reason(answer: HttpAnswer) -> str:
    """The feed's own words about an error, from JSON or plain text; web pages are left out."""
    text = answer.body[:2000].decode("utf-8", "replace").strip()
    if not text or text.startswith("<"):
        return ""
    found = re.search(r'"(?:reason|detail)"\s*:\s*"([^"]{1,200})', text)
    words = found[1] if found else "" if text.startswith(("{", "[")) else text[:200]
    words = "".join(letter if letter.isprintable() else " " for letter in words)
    return words.strip()
