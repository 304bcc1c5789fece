"""Stage 4: messages on their way, each sent at least once while it helps, under one id.

One dispatcher claims what may start, hands it to threads that compose and send, and records what is done,
many rows at a time. It is the only one that touches the store, so the number of sends under way has no
bearing on the number of transactions. Where the service runs, a thread beside the cycles does all that, and
what is due goes out within a second or so, at any time.

One process with threads, of which the interpreter lets one compute at a time, carried 300 webhooks a second:
rows are claimed and recorded in lots and words worked out once. More processes are what a fleet is for.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import Phrase
from service.channels import host_state
from service.channels.model import Channel, ChannelError, SendResult
from service.common.backoff import Breaker
from service.common.clock import Moment
from service.common.fault_points import crash_point
from service.common.metrics import Metrics
from service.delivery.claim import Claimed, Links, claim_batch
from service.delivery.compose import compose_claimed
from service.delivery.enclosures import EnclosureBuilder
from service.delivery.fair_queue import THREADS_AT_MOST, WORTH_TAKING, FairQueue, in_order
from service.delivery.results import FinishedAttempt, count, keep_each, record
from service.store.engine import patient
from service.store.repositories import messages
from service.store.repositories.messages import Status

log = logging.getLogger(__name__)

SWEEP_EVERY_S = 1.0
SWEEP_SHARE = 10
"""A sweep over many waiting messages takes at most about a tenth of the time."""
RECALL_EVERY_S = 60.0
"""How often it is looked whether the clock was set back under what waits."""
GATHER_S = 0.01
"""Results that come this close together are recorded in one transaction."""
STOP_WITHIN_S = 20.0
"""How long a send under way may go on when the service is told to stop."""

Clock = Callable[[], datetime]


@dataclass(frozen=True, slots=True)
class Delivery:
    """What the stage needs: the store, the channels by name, the real clock, and how links are made.

    workshop: makes what mails enclose.  stopping: set when nothing more is to be taken up.
    background: set while a postman runs, who then does the stage's work.  nudge: tells the postman that
    something is due.
    """

    sessions: sessionmaker[Session]
    channels: Mapping[str, Channel]
    clock: Clock
    links: Links
    workshop: EnclosureBuilder = field(default_factory=EnclosureBuilder)
    metrics: Metrics = field(default_factory=Metrics)
    stopping: threading.Event = field(default_factory=threading.Event)
    background: threading.Event = field(default_factory=threading.Event)
    nudge: threading.Event = field(default_factory=threading.Event)


def run(delivery: Delivery, now: datetime) -> dict[str, int]:
    """Send what is due; how many ended how. `now` judges what still helps, the clock when to retry."""
    if delivery.background.is_set():
        delivery.nudge.set()
        return {}
    with contextlib.closing(DispatchRound(delivery, lambda: now)) as round_:
        return round_.run()


class DispatchRound:
    """Passes over what is due. now: what time it is for the messages; read again for each batch."""

    def __init__(self, delivery: Delivery, now: Clock) -> None:
        self._delivery = delivery
        self._now = now
        self._lanes = FairQueue(worth_taking=WORTH_TAKING)
        self._breakers: dict[str, Breaker] = {}
        self._unrecorded: list[FinishedAttempt] = []
        self._pool = ThreadPoolExecutor(THREADS_AT_MOST, thread_name_prefix="duskbell-send")
        self._done: queue.SimpleQueue[Future[FinishedAttempt]] = queue.SimpleQueue()
        self._in_hand: dict[Future[FinishedAttempt], Claimed] = {}
        self._counts: Counter[str] = Counter()
        self._next_sweep_s = self._next_recall_s = 0.0

    def run(self) -> dict[str, int]:
        """Until nothing is due and nothing under way, or the service stops."""
        crash_point("deliver.begun")
        self._counts.clear()
        self._record([])
        self._sweep()
        is_fresh = True
        while not self._delivery.stopping.is_set():
            started = self._start()
            if not started and not self._in_hand:
                if is_fresh:
                    break
                self._sweep()
                is_fresh = True
                continue
            if self._in_hand:
                self._record(self._finished(self._lanes.next_slow_s(time.monotonic())))
            is_fresh = time.monotonic() >= self._next_sweep_s
            if is_fresh:
                self._sweep()
        if self._delivery.stopping.is_set():
            self._wind_down()
        return dict(self._counts)

    def close(self) -> None:
        """Let the threads go; nobody waits for one that hangs."""
        self._pool.shutdown(wait=False)

    def _sweep(self) -> None:
        """Free what dead senders held, end what is too late, and queue what is due."""
        began_s = time.monotonic()
        delivery, wall = self._delivery, self._delivery.clock()
        with delivery.sessions.begin() as session:
            messages.release_dead_leases(session, wall)
            if began_s >= self._next_recall_s:
                messages.recall_planned(session, wall)
                self._next_recall_s = began_s + RECALL_EVERY_S
            expired = messages.expire_waiting(session, self._now(), wall)
            self._breakers = host_state.find_breakers(session)
            awake = in_order(messages.find_due(session, wall), delivery.channels, self._breakers, wall)
        self._counts.update({Status.EXPIRED.value: expired} if expired else {})
        self._lanes.fill(awake, single=(key for key, each in self._breakers.items() if each.is_trying))
        took_s = time.monotonic() - began_s
        self._next_sweep_s = time.monotonic() + max(SWEEP_EVERY_S, SWEEP_SHARE * took_s)

    def _start(self) -> bool:
        """Claim as many as may start now and hand them to threads; whether any was taken."""
        ids = self._lanes.take(time.monotonic())
        if not ids:
            return False
        delivery = self._delivery
        try:
            with delivery.sessions.begin() as session:
                at = Moment(self._now(), delivery.clock())
                claimed, ended = claim_batch(session, delivery.channels, delivery.links, ids, at)
            crash_point("deliver.claimed")
        except BaseException:
            for message_id in ids:
                self._lanes.finished(message_id)
            raise
        self._counts.update(status.value for status in ended)
        for message_id in set(ids) - {each.message_id for each in claimed}:
            self._lanes.finished(message_id)
        for each in claimed:
            future = self._pool.submit(send_claimed, each, delivery.clock, delivery.workshop)
            self._in_hand[future] = each
            future.add_done_callback(self._done.put)
        return True

    def _finished(self, within_s: float) -> list[Future[FinishedAttempt]]:
        """What is done, waiting up to that long for the first and a moment for what comes with it."""
        try:
            done = [self._done.get(timeout=within_s)]
        except queue.Empty:
            return []
        ends_s = time.monotonic() + GATHER_S
        with contextlib.suppress(queue.Empty):
            while len(done) < len(self._in_hand):
                done.append(self._done.get(timeout=max(0.0, ends_s - time.monotonic())))
        return done

    def _record(self, done: list[Future[FinishedAttempt]]) -> None:
        """Write down what is done. What the store doesn't take now is kept and written with the next."""
        wall = self._delivery.clock()
        for future in done:
            del self._in_hand[future]
            self._unrecorded.append(future.result())
        if self._unrecorded:
            keep_each(self._unrecorded, lambda finished: self._keep(finished, wall))

    def _keep(self, finished: list[FinishedAttempt], wall: datetime) -> None:
        with self._delivery.sessions.begin() as session:
            ledger = record(session, finished, self._breakers, Moment(self._now(), wall))
        crash_point("deliver.recorded")
        self._breakers = ledger.breakers
        self._counts.update({status.value: n for status, n in ledger.statuses.items()})
        count(self._delivery.metrics, finished)
        for sent in finished:
            got_through = not sent.blames_destination
            self._lanes.finished(sent.claimed.message_id, got_through=got_through)
            if isinstance(sent.result, ChannelError):
                self._lanes.set_aside(sent.claimed.address_id)
        for destination in ledger.changed:
            if destination in self._breakers and self._breakers[destination].rests(wall):
                self._lanes.block(destination)

    def _wind_down(self) -> None:
        """Wait a while for what is under way, then give the rest back for the next to send."""
        ends_s = time.monotonic() + STOP_WITHIN_S
        while self._in_hand and time.monotonic() < ends_s:
            self._record(self._finished(max(0.0, ends_s - time.monotonic())))
        with self._delivery.sessions.begin() as session:
            for claimed in self._in_hand.values():
                messages.release(session, claimed.token, [claimed.message_id], self._delivery.clock())
        self._in_hand.clear()


def send_claimed(claimed: Claimed, clock: Clock, workshop: EnclosureBuilder) -> FinishedAttempt:
    """Compose and send one message; what came of it is still to be recorded."""
    started_at = clock()
    problem: Phrase | None = None
    result: SendResult | ChannelError
    try:
        outgoing, problem = compose_claimed(claimed, started_at, workshop)
        crash_point("deliver.composed")
        result = claimed.channel.send(outgoing)
    except ChannelError as error:
        result = error
    except BaseException as error:  # a panic of the library that draws is no Exception
        # what nobody foresaw is ours, and this message's alone
        log.exception("sending message %s failed", claimed.message_id)
        result = ChannelError("internal", type(error).__name__, ours=True)
    crash_point("deliver.sent")
    return FinishedAttempt(claimed, result, started_at, clock(), problem)


LOOK_EVERY_S = 1.0
REST_AFTER_FAULT_S = 5.0
LONGEST_REST_S = 60.0


class BackgroundSender:
    """Delivers in a thread until the delivery's `stopping` is set. A store that fails for a while only
    makes it wait."""

    def __init__(self, delivery: Delivery) -> None:
        self._delivery = delivery
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin, or begin anew where the thread has died of something unforeseen."""
        if self._thread is not None:
            if self._thread.is_alive():
                return
            log.error("the postman had died; another takes over")
        self._delivery.background.set()
        self._thread = threading.Thread(target=self._work, name="duskbell-postman", daemon=True)
        self._thread.start()

    def join(self, within_s: float) -> bool:
        """Wait until it has ended; whether it has."""
        if self._thread is None:
            return True
        self._thread.join(within_s)
        return not self._thread.is_alive()

    def _work(self) -> None:
        delivery, rest_s = self._delivery, LOOK_EVERY_S
        with patient(), contextlib.closing(DispatchRound(delivery, delivery.clock)) as round_:
            while not delivery.stopping.is_set():
                delivery.nudge.clear()
                try:
                    round_.run()
                    rest_s = LOOK_EVERY_S
                except SQLAlchemyError:
                    log.exception("the store failed; messages wait")
                    rest_s = min(LONGEST_REST_S, max(REST_AFTER_FAULT_S, 2 * rest_s))
                delivery.nudge.wait(rest_s)  # or until something is due, or the service stops
        delivery.background.clear()
