"""Messages that are due as jobs: small batches, each for one destination, in a few lanes.

Jobs of one lane run one after the other, in the whole fleet. So however many workers there are, no host
that a user named is called more than a few times at once, and one that hangs holds few of them up.
"""

from __future__ import annotations

import zlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from service.delivery.fair_queue import WaitingMessage
from service.runtime.fleet.queue import DELIVER, SEND, URGENT, Nudge

BATCH = 40
"""Messages in a job: enough that the queue costs little, few enough that a lane isn't held for long."""
LANES = 4
"""Jobs under way to one destination in the whole fleet."""


def batch_up(waiting: Iterable[WaitingMessage]) -> list[Nudge]:
    """The jobs that send these messages, in their order."""
    alike: defaultdict[tuple[str, bool], list[WaitingMessage]] = defaultdict(list)
    for each in waiting:
        alike[each.lane, each.is_stand_down].append(each)
    return [_nudge(chunk) for some in alike.values() for chunk in _chunks(some)]


def _nudge(waiting: Sequence[WaitingMessage]) -> Nudge:
    """Addresses that fail have one lane at their destination, beside those of the others."""
    first = waiting[0]
    lane = 0 if first.is_failing else zlib.crc32(first.message_id.encode()) % LANES
    return Nudge(
        task=SEND,
        queue=DELIVER,
        args={"destination": first.destination, "message_ids": [each.message_id for each in waiting]},
        lock=f"to {first.lane} #{lane}",
        priority=URGENT if first.is_stand_down else 0,
    )


def _chunks(waiting: Sequence[WaitingMessage]) -> Iterator[Sequence[WaitingMessage]]:
    return (waiting[start : start + BATCH] for start in range(0, len(waiting), BATCH))
