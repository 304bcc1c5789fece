"""Messages that are due as jobs: small batches, each for one destination, in a few lanes.

Jobs of one lane run one after the other, in the whole fleet. So however many workers there are, no host
that a user named is called more than a few times at once, and one that hangs holds few of them up.
"""

from __future__ import annotations

import zlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from service.cycle.lanes import Waiting
from service.fleet.queue import DELIVER, SEND, Nudge

BATCH = 40
"""Messages in a job: enough that the queue costs little, few enough that a lane isn't held for long."""
LANES = 4
"""Jobs under way to one destination in the whole fleet."""


def batch_up(waiting: Iterable[Waiting]) -> list[Nudge]:
    """The jobs that send these messages, in their order."""
    by_destination: defaultdict[str, list[str]] = defaultdict(list)
    for each in waiting:
        by_destination[each.destination].append(each.message_id)
    return [
        _nudge(destination, chunk) for destination, ids in by_destination.items() for chunk in _chunks(ids)
    ]


def _nudge(destination: str, message_ids: Sequence[str]) -> Nudge:
    lane = zlib.crc32(message_ids[0].encode()) % LANES
    return Nudge(
        task=SEND,
        queue=DELIVER,
        args={"destination": destination, "message_ids": list(message_ids)},
        lock=f"to {destination} #{lane}",
    )


def _chunks(ids: Sequence[str]) -> Iterator[Sequence[str]]:
    return (ids[start : start + BATCH] for start in range(0, len(ids), BATCH))
