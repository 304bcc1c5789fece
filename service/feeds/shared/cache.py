"""Stored answers: what was fetched, when it may be asked for again, and with which condition."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol


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
