"""Who may be sent to next: fair between destinations, so that a slow one delays nobody else.

Plain bookkeeping without threads or clock: times are seconds of one steady clock, given by the caller.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

PER_DESTINATION = 4
"""Messages under way to one host at the same time."""
PLACES = 96
"""Quick sends at the same time, over all destinations."""
WORTH_TAKING = 32
"""Where more wait than there are places, this many are taken at once: a claim costs the same for each lot."""
THREADS_AT_MOST = 192
"""Sends under way in all, the slow ones included."""
SLOW_AFTER_S = 1.0
"""A send that takes longer gives its place to another and goes on beside it."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message that is due, and what shares its fate."""

    message_id: str
    destination: str


class Lanes:
    """One queue a destination, served in turn."""

    def __init__(
        self,
        *,
        per_destination: int = PER_DESTINATION,
        places: int = PLACES,
        at_most: int = THREADS_AT_MOST,
        slow_after_s: float = SLOW_AFTER_S,
        worth_taking: int = 1,
    ) -> None:
        self._per_destination = per_destination
        self._places = places
        self._at_most = at_most
        self._slow_after_s = slow_after_s
        self._worth_taking = worth_taking
        self._queues: dict[str, deque[str]] = {}
        self._turn: deque[str] = deque()
        self._under_way: dict[str, tuple[str, float]] = {}
        self._single: frozenset[str] = frozenset()

    @property
    def under_way(self) -> int:
        """How many sends were handed out and not finished."""
        return len(self._under_way)

    def fill(self, waiting: Iterable[Waiting], *, single: Iterable[str] = ()) -> None:
        """Replace what waits; what is under way stays so and isn't queued twice.

        single: destinations that get one message at a time, until it is known how they are.
        """
        self._queues, self._turn = {}, deque()
        self._single = frozenset(single)
        for each in waiting:
            if each.message_id in self._under_way:
                continue
            if each.destination not in self._queues:
                self._queues[each.destination] = deque()
                self._turn.append(each.destination)
            self._queues[each.destination].append(each.message_id)

    def block(self, destination: str) -> None:
        """Hand out nothing more for this destination before the next `fill`."""
        self._queues.pop(destination, None)

    def take(self, now_s: float) -> list[str]:
        """The messages that may start now, one after the other from each destination in turn.

        None while so few places are free that it is worth waiting for more; quick sends soon free some.
        """
        taken: list[str] = []
        resting: list[str] = []
        quick = sum(now_s - started < self._slow_after_s for _, started in self._under_way.values())
        free = min(self._places - quick, self._at_most - len(self._under_way))
        if quick and free < self._worth_taking:
            return []
        while self._turn and len(taken) < free:
            destination = self._turn.popleft()
            queue = self._queues.get(destination)
            if not queue:
                self._queues.pop(destination, None)
                continue
            if self._busy(destination) >= self._room(destination):
                resting.append(destination)
                continue
            message_id = queue.popleft()
            self._under_way[message_id] = (destination, now_s)
            taken.append(message_id)
            self._turn.append(destination)
        self._turn.extendleft(reversed(resting))
        return taken

    def finished(self, message_id: str) -> None:
        """The send is over, whatever came of it."""
        self._under_way.pop(message_id, None)

    def next_slow_s(self, now_s: float) -> float:
        """Seconds until a send under way turns slow and frees its place; the whole limit if none does."""
        ages = [now_s - started for _, started in self._under_way.values()]
        return min((self._slow_after_s - age for age in ages if age < self._slow_after_s),
                   default=self._slow_after_s)  # fmt: skip

    def _busy(self, destination: str) -> int:
        return sum(where == destination for where, _ in self._under_way.values())

    def _room(self, destination: str) -> int:
        return 1 if destination in self._single else self._per_destination
