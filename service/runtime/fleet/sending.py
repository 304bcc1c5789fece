"""Sending one batch: claimed a few at a time, sent, recorded, until it is done or its host rests."""

from __future__ import annotations

import logging
import time
import zlib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TypeVar

from procrastinate.jobs import Job
from procrastinate.types import JSONValue
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.channels.host_state import find_breakers
from service.common.backoff import CLOSED
from service.common.clock import Moment
from service.delivery.claim import Claimed, claim_batch
from service.delivery.dispatcher import Delivery, send_claimed
from service.delivery.fair_queue import WaitingMessage, in_order
from service.delivery.results import REFUSED, FinishedAttempt, count, keep_each, record
from service.store.repositories import messages
from service.store.repositories.job_queue import DELIVER, SEND, URGENT

log = logging.getLogger(__name__)

CLAIMED_AT_ONCE = 8
RELAY_AT_ONCE = 4
"""Mails of one batch on their way to our own relay together; to a host that a user named, one at a time.
With LANES the whole fleet sends up to 16 and up to 4 at once."""
FAILING_FOR_S = 20.0
"""A job tries addresses that fail for so long; the next sweep goes on with them, behind those that don't."""
BATCH = 40
"""Messages in a job: enough that the queue costs little, few enough that a lane isn't held for long."""
LANES = 4
"""Jobs under way to one destination in the whole fleet. By a limit for each worker, more workers would mean
more calls at once on somebody's host."""
KEEP_TRYING_S = 60.0
"""How long the outcome of sends is held for a database that is away, before they are sent once more."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.2, 5.0

T = TypeVar("T")


def send_batch(delivery: Delivery, destination: str, message_ids: Sequence[str]) -> Counter[str]:
    """Send those of the messages that are still due; how many ended how."""
    counts: Counter[str] = Counter()
    waiting = list(message_ids)
    ends_s = time.monotonic() + FAILING_FOR_S
    while waiting and not delivery.stopping.is_set():
        some = _find_next(delivery, destination, waiting)
        if not some or (some[0].is_failing and time.monotonic() > ends_s):
            break
        counts += _send_some(delivery, [each.message_id for each in some])
        waiting = [each for each in waiting if each not in {one.message_id for one in some}]
    return counts


def _find_next(delivery: Delivery, destination: str, waiting: Sequence[str]) -> list[WaitingMessage]:
    """Those to be tried now: none while all rest, one to see how its address or the destination is."""
    wall = delivery.clock()
    with delivery.sessions() as session:
        breakers = find_breakers(session)
        due = messages.due_among(session, wall, waiting)
        ordered = in_order(due, delivery.channels, breakers, wall)
    on_trial = breakers.get(destination, CLOSED).is_trying
    room = 1 if on_trial or (ordered and ordered[0].is_failing) else CLAIMED_AT_ONCE
    return [each for each in ordered[:room] if each.is_failing == ordered[0].is_failing]


def _send_some(delivery: Delivery, ids: Sequence[str]) -> Counter[str]:
    """Claim them, send them, write down what came of each; how many messages ended how."""

    def claim(session: Session) -> tuple[list[Claimed], Counter[str]]:
        wall = delivery.clock()
        claimed, ended = claim_batch(session, delivery.channels, delivery.links, ids, Moment(wall, wall))
        return claimed, Counter(status.value for status in ended)

    claimed, counts = stubbornly(delivery, claim)
    if not claimed:
        return counts
    at_once = RELAY_AT_ONCE if claimed[0].channel.kind == "email" else 1
    with ThreadPoolExecutor(at_once, thread_name_prefix="duskbell-send") as pool:
        sends = pool.map(lambda each: send_claimed(each, delivery.clock, delivery.workshop), claimed)
        finished = list(sends)
    keep_each(
        list(finished), lambda some: counts.update(stubbornly(delivery, partial(_keep, delivery, some)))
    )
    count(delivery.metrics, finished)
    return counts


def _keep(delivery: Delivery, finished: Sequence[FinishedAttempt], session: Session) -> Counter[str]:
    """Write them down; how many messages ended how."""
    wall = delivery.clock()
    ledger = record(session, finished, find_breakers(session), Moment(wall, wall))
    return Counter({status.value: number for status, number in ledger.statuses.items()})


def stubbornly(delivery: Delivery, do: Callable[[Session], T]) -> T:
    """Do it in a transaction, and again while the database is away or another process got in its way.

    One of REFUSED at once: what the database says of rows it would say again.
    """
    ends_s, pause_s = time.monotonic() + KEEP_TRYING_S, FIRST_PAUSE_S
    while True:
        try:
            with delivery.sessions.begin() as session:
                return do(session)
        except REFUSED:
            raise
        except DBAPIError as error:
            if time.monotonic() + pause_s > ends_s:
                raise
            log.warning("the store did not take it (%s); trying again", type(error.orig).__name__)
        time.sleep(pause_s)
        pause_s = min(LONGEST_PAUSE_S, 2 * pause_s)


def batch_up(waiting: Iterable[WaitingMessage]) -> list[Job]:
    """The jobs that send these messages, in their order."""
    alike: defaultdict[tuple[str, bool], list[WaitingMessage]] = defaultdict(list)
    for each in waiting:
        alike[each.lane, each.is_stand_down].append(each)
    jobs = []
    for batch in (some[k : k + BATCH] for some in alike.values() for k in range(0, len(some), BATCH)):
        first = batch[0]
        # addresses that fail have one lane at their destination, beside those of the others
        lane = 0 if first.is_failing else zlib.crc32(first.message_id.encode()) % LANES
        ids: list[JSONValue] = [each.message_id for each in batch]
        jobs.append(
            Job(
                id=None,
                queue=DELIVER,
                lock=f"to {first.lane} #{lane}",
                queueing_lock=None,
                task_name=SEND,
                task_kwargs={"destination": first.destination, "message_ids": ids},
                priority=URGENT if first.is_stand_down else 0,
            )
        )
    return jobs
