"""Pages kept as they were sent, and sent again for as long as nothing in the store has changed.

A page is kept for one cookie alone, so nobody is shown what was made for somebody else; whoever signs out
changes the store. What changes with time alone, such as a night that is over, is seen five minutes later.

An ETag with 304 instead needs copies in the browser, and pages with exact places are sent `no-store`. Made
anew each time, a page costs some 3 ms of processor time more (tests/bench/web.py --quick, where each is
asked for every two seconds: 9 ms instead of 5.7).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.web.shared.sky_cache import LruCache

KEPT_FOR = timedelta(minutes=5)
EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
LARGEST_BYTES = 256 * 1024
MOST_BYTES = 32 * 1024 * 1024
NIGHT = r"/nights/\d{4}-\d\d-\d\d(/field|/\w+\.svg)?"
KEPT_PATHS = re.compile(rf"/|/compare|/sites/\d+(/season(\.svg)?|{NIGHT})?")
"""Pages that only show, and are the same until the store or the night changes."""


@dataclass(frozen=True, slots=True)
class KeptPage:
    """An answer as it went out. version: of the store and the clock that it was made by."""

    version: Hashable
    messages: tuple[Message, ...]
    size_bytes: int


def page_cache() -> LruCache[KeptPage]:
    return LruCache(MOST_BYTES, lambda page: page.size_bytes)


@dataclass(frozen=True, slots=True)
class KeptPages:
    """store_version: the same until something is committed; None when that isn't known, and nothing is
    kept. now: the clock of the pages."""

    app: ASGIApp
    store_version: Callable[[], Hashable | None]
    now: Callable[[], datetime]
    cache: LruCache[KeptPage] = field(default_factory=page_cache)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        is_showing = scope["type"] == "http" and scope["method"] == "GET"
        version = None
        if is_showing and KEPT_PATHS.fullmatch(scope["path"]):
            version = await run_in_threadpool(self.store_version)
        if version is None:
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        key = (scope["path"], scope["query_string"], headers.get("cookie"), headers.get("accept-encoding"))
        version = (version, (self.now() - EPOCH) // KEPT_FOR)
        page = self.cache.get(key)
        if page is not None and page.version == version:
            for message in page.messages:
                await send(_copied(message))
            return

        messages: list[Message] = []

        async def send_and_note(message: Message) -> None:
            messages.append(_copied(message))
            await send(message)

        await self.app(scope, receive, send_and_note)
        size_bytes = sum(len(message.get("body", b"")) for message in messages)
        if not messages or messages[0]["status"] != 200 or size_bytes > LARGEST_BYTES:
            return
        if all(name.lower() != b"set-cookie" for name, _ in messages[0]["headers"]):
            self.cache.put(key, KeptPage(version, tuple(messages), size_bytes))


def _copied(message: Message) -> Message:
    """Headers are a list that those further out add to."""
    return {**message, "headers": list(message["headers"])} if "headers" in message else message
