"""Not more requests than a source allows, within this process."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

WINDOW_S = 60.0


@dataclass
class Pace:
    """At most so many requests in any 60 seconds; `wait` sleeps until the next one is allowed."""

    most: int
    monotonic: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    _sent: deque[float] = field(default_factory=deque)

    def wait(self) -> None:
        """Return when a request may be sent, and count it."""
        now = self.monotonic()
        while self._sent and now - self._sent[0] >= WINDOW_S:
            self._sent.popleft()
        if len(self._sent) >= self.most:
            self.sleep(WINDOW_S - (now - self._sent[0]))
            self._sent.popleft()
        self._sent.append(self.monotonic())
