"""Receivers of webhooks that answer by a rule, and count what they get."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.integration.channels.channel_receivers import Receiver, Script, Talk

__all__ = ["Hook", "Receiver", "Talk", "answer"]

Answer = Callable[[int], bytes]
"""The bytes to answer the nth request with, from 1."""


def answer(status: str, body: bytes = b"", *headers: str) -> bytes:
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", "Connection: close", *headers, "", ""]
    return "\r\n".join(lines).encode() + body


@dataclass
class Hook:
    """What a receiver heard: bodies by webhook-id, oldest first.

    most_at_once: how many requests were open at the same time at the most.
    """

    reply: Answer = lambda _: answer("204 No Content")
    heard: list[tuple[str, bytes]] = field(default_factory=list)
    most_at_once: int = 0
    _open: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def ids(self) -> Counter[str]:
        return Counter(message_id for message_id, _ in self.heard)

    @property
    def script(self) -> Script:
        def serve(talk: Talk) -> None:
            first, headers, body = talk.hear_request()
            if not first or len(body) < int(headers.get("content-length", 0)):
                return  # the sender died in the middle of it
            with self._lock:
                self._open += 1
                self.most_at_once = max(self.most_at_once, self._open)
                self.heard.append((headers.get("webhook-id", ""), body))
                number = len(self.heard)
            try:
                self.serve(talk, number)
            finally:
                with self._lock:
                    self._open -= 1

        return serve

    def serve(self, talk: Talk, number: int) -> None:
        talk.say(self.reply(number))
