"""Who may be sent to next: fair between destinations, so that a slow one delays nobody else.

Plain bookkeeping without threads or clock: times are seconds of one steady clock, given by the caller.

An address that failed of late goes behind those that didn't, in a lane of its own, so that it holds up nobody
else at its host. A stand-down goes before all that can wait.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from service.channels.model import Channel
from service.channels.retry_policy import rests_alone, spares_clean
from service.common.backoff import CLOSED, Breaker
from service.store.repositories.messages import Due

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
class WaitingMessage:
    """A message that is due, and what shares its fate.

    is_failing: nothing got through to its address of late.  is_stand_down: it takes a go back.
    """

    message_id: str
    destination: str
    address_id: int = 0
    is_failing: bool = False
    is_stand_down: bool = False

    @property
    def lane(self) -> str:
        """Addresses that fail wait behind each other, not before those that don't."""
        return f"{self.destination} (failing)" if self.is_failing else self.destination


@dataclass(kw_only=True)
class FairQueue:
    """Two queues a destination, one of them for addresses that fail; all served in turn.

    A destination gets one message at a time until one has got through to it, and again after a failure: one
    that hangs then takes one place, not all that it might.
    """

    per_destination: int = PER_DESTINATION
    places: int = PLACES
    at_most: int = THREADS_AT_MOST
    slow_after_s: float = SLOW_AFTER_S
    worth_taking: int = 1

    def __post_init__(self) -> None:
        self._queues: dict[str, deque[WaitingMessage]] = {}
        self._turn: deque[str] = deque()
        self._under_way: dict[str, tuple[WaitingMessage, float]] = {}
        self._single: frozenset[str] = frozenset()
        self._aside: set[int] = set()
        self._proven: set[str] = set()

    @property
    def under_way(self) -> int:
        """How many sends were handed out and not finished."""
        return len(self._under_way)

    def fill(self, waiting: Iterable[WaitingMessage], *, single: Iterable[str] = ()) -> None:
        """Replace what waits; what is under way stays so and isn't queued twice.

        single: destinations that get one message at a time, until it is known how they are.
        """
        self._queues, self._turn = {}, deque()
        self._single, self._aside = frozenset(single), set()
        for each in waiting:
            if each.message_id in self._under_way:
                continue
            if each.lane not in self._queues:
                self._queues[each.lane] = deque()
                self._turn.append(each.lane)
            self._queues[each.lane].append(each)

    def block(self, destination: str) -> None:
        """Hand out nothing more for this destination before the next `fill`."""
        for is_failing in (False, True):
            self._queues.pop(WaitingMessage("", destination, is_failing=is_failing).lane, None)

    def set_aside(self, address_id: int) -> None:
        """Hand out nothing more for this address before the next `fill`."""
        self._aside.add(address_id)

    def take(self, now_s: float) -> list[str]:
        """The messages that may start now, one after the other from each destination in turn.

        None while so few places are free that it is worth waiting for more; quick sends soon free some.
        """
        taken: list[str] = []
        resting: list[str] = []
        quick = sum(now_s - started < self.slow_after_s for _, started in self._under_way.values())
        free = min(self.places - quick, self.at_most - len(self._under_way))
        if quick and free < self.worth_taking:
            return []
        while self._turn and len(taken) < free:
            lane = self._turn.popleft()
            queue = self._queues.get(lane)
            while queue and queue[0].address_id in self._aside:
                queue.popleft()
            if not queue:
                self._queues.pop(lane, None)
                continue
            next_up = queue[0]
            is_single = next_up.is_failing or next_up.destination in self._single
            is_single = is_single or next_up.destination not in self._proven
            busy = sum(waiting.lane == lane for waiting, _ in self._under_way.values())
            if busy >= (1 if is_single else self.per_destination):
                resting.append(lane)
                continue
            first = queue.popleft()
            self._under_way[first.message_id] = (first, now_s)
            taken.append(first.message_id)
            self._turn.append(lane)
        self._turn.extendleft(reversed(resting))
        return taken

    def finished(self, message_id: str, *, got_through: bool | None = None) -> None:
        """The send is over. got_through: whether its destination took it in; None where that isn't known."""
        waiting, _ = self._under_way.pop(message_id, (None, 0.0))
        if waiting is None or waiting.is_failing:
            return  # a failing address says nothing of how others fare
        if got_through:
            self._proven.add(waiting.destination)
        elif got_through is False:
            self._proven.discard(waiting.destination)

    def next_slow_s(self, now_s: float) -> float:
        """Seconds until a send under way turns slow and frees its place; the whole limit if none does."""
        ages = [now_s - started for _, started in self._under_way.values()]
        return min((self.slow_after_s - age for age in ages if age < self.slow_after_s),
                   default=self.slow_after_s)  # fmt: skip


def in_order(
    due: Iterable[Due],
    channels: Mapping[str, Channel],
    breakers: Mapping[str, Breaker],
    wall: datetime,
    *,
    at_most: int | None = None,
) -> list[WaitingMessage]:
    """Those whose address and destination don't rest, the first so many of them: clean addresses first,
    stand-downs before the rest, then as they come.

    Of a destination on trial only the clean ones, where there are any: they show best how it is.
    """
    awake: list[WaitingMessage] = []
    for each in due:
        channel = channels.get(each.channel)
        destination = channel.destination(each.target) if channel else each.channel
        breaker = breakers.get(destination, CLOSED)
        is_failing = each.failures > 0
        if rests_alone(each.failures, each.last_failure_at, wall):
            continue
        if breaker.rests(wall) and (is_failing or not spares_clean(breaker)):
            continue
        awake.append(
            WaitingMessage(each.message_id, destination, each.address_id, is_failing, each.is_stand_down)
        )
        if len(awake) == at_most:
            break
    awake.sort(key=lambda each: (each.is_failing, not each.is_stand_down))
    on_trial = {key for key, breaker in breakers.items() if breaker.is_trying}
    has_clean = {each.destination for each in awake if not each.is_failing} & on_trial
    return [each for each in awake if not (each.is_failing and each.destination in has_clean)]
