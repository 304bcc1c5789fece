"""Which of the messages that are due may go now, and in what order.

An address that failed of late goes behind those that didn't, in a lane of its own, so that it holds up nobody
else at its host. A stand-down goes before all that can wait.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime

from service.channels.model import Channel
from service.channels.retry_policy import rests_alone, spares_clean
from service.common.backoff import CLOSED, Breaker
from service.delivery.fair_queue import Waiting
from service.store.repositories.messages import Due


def destination_of(channels: Mapping[str, Channel], channel_name: str, target: str) -> str:
    """What shares the fate of a message to that target; the channel's name where there is none."""
    channel = channels.get(channel_name)
    return channel.destination(target) if channel else channel_name


def find_awake(
    due: Iterable[Due], channels: Mapping[str, Channel], breakers: Mapping[str, Breaker], wall: datetime
) -> Iterator[Waiting]:
    """Those whose address and destination don't rest."""
    for each in due:
        destination = destination_of(channels, each.channel, each.target)
        breaker = breakers.get(destination, CLOSED)
        is_failing = each.failures > 0
        if rests_alone(each.failures, each.last_failure_at, wall):
            continue
        if breaker.rests(wall) and (is_failing or not spares_clean(breaker)):
            continue
        yield Waiting(each.message_id, destination, each.address_id, is_failing, each.is_stand_down)


def in_order(awake: Iterable[Waiting], breakers: Mapping[str, Breaker]) -> list[Waiting]:
    """Clean addresses first, stand-downs before the rest, then as they come.

    Of a destination on trial only the clean ones, where there are any: they show best how it is.
    """
    ordered = sorted(awake, key=lambda each: (each.is_failing, not each.is_stand_down))
    on_trial = {key for key, breaker in breakers.items() if breaker.is_trying}
    has_clean = {each.destination for each in ordered if not each.is_failing} & on_trial
    return [each for each in ordered if not (each.is_failing and each.destination in has_clean)]
