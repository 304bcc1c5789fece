"""Pages kept as they were sent, and sent again for as long as nothing in the store has changed.

A page is kept for one cookie alone, so nobody is shown what was made for somebody else; whoever signs out
changes the store. What changes with time alone, such as a night that is over, is seen five minutes later.
"""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

KEPT_FOR = timedelta(minutes=5)
EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
LARGEST_BYTES = 256 * 1024
MOST_BYTES = 32 * 1024 * 1024
NIGHT = r"/nights/\d{4}-\d\d-\d\d(/field|/\w+\.svg)?"
KEPT_PATHS = re.compile(rf"/|/compare|/sites/\d+(/season(\.svg)?|{NIGHT})?")
"""Pages that only show, and are the same until the store or the night changes."""


@dataclass(frozen=True, slots=True)
class Sent:
    """An answer as it went out. version: of the store and the clock that it was made by."""

    version: Hashable
    messages: tuple[Message, ...]
    size_bytes: int


@dataclass
class Shelf:
    """The answers kept, least used first out. Safe for threads."""

    kept: OrderedDict[Hashable, Sent] = field(default_factory=OrderedDict)
    bytes_held: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def find(self, key: Hashable, version: Hashable) -> Sent | None:
        with self.lock:
            sent = self.kept.get(key)
            if sent is None or sent.version != version:
                return None
            self.kept.move_to_end(key)
            return sent

    def keep(self, key: Hashable, sent: Sent) -> None:
        with self.lock:
            before = self.kept.pop(key, None)
            self.bytes_held += sent.size_bytes - (before.size_bytes if before else 0)
            self.kept[key] = sent
            while self.bytes_held > MOST_BYTES:
                _, oldest = self.kept.popitem(last=False)
                self.bytes_held -= oldest.size_bytes


@dataclass(frozen=True, slots=True)
class KeptPages:
    """store_version: the same until something is committed; None when that isn't known, and nothing is
    kept. now: the clock of the pages."""

    app: ASGIApp
    store_version: Callable[[], Hashable | None]
    now: Callable[[], datetime]
    shelf: Shelf = field(default_factory=Shelf)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] != "GET" or not KEPT_PATHS.fullmatch(scope["path"]):
            await self.app(scope, receive, send)
            return
        store_version = await run_in_threadpool(self.store_version)
        if store_version is None:
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        key = (scope["path"], scope["query_string"], headers.get("cookie"), headers.get("accept-encoding"))
        version = (store_version, (self.now() - EPOCH) // KEPT_FOR)
        sent = self.shelf.find(key, version)
        if sent is None:
            await self._make(key, version, scope, receive, send)
            return
        for message in sent.messages:
            await send(_copied(message))

    async def _make(
        self, key: Hashable, version: Hashable, scope: Scope, receive: Receive, send: Send
    ) -> None:
        messages: list[Message] = []

        async def send_and_note(message: Message) -> None:
            messages.append(_copied(message))
            await send(message)

        await self.app(scope, receive, send_and_note)
        size_bytes = sum(len(message.get("body", b"")) for message in messages)
        if messages and _may_keep(messages[0]) and size_bytes <= LARGEST_BYTES:
            self.shelf.keep(key, Sent(version, tuple(messages), size_bytes))


def _may_keep(start: Message) -> bool:
    names = {name.lower() for name, _ in start["headers"]}
    return start["status"] == 200 and b"set-cookie" not in names


def _copied(message: Message) -> Message:
    """Headers are a list that those further out add to."""
    return {**message, "headers": list(message["headers"])} if "headers" in message else message
