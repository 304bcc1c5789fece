"""Sky wishes as nights are worked out for them: rounded, so that many wishes share a night."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from alerts.sky.night import Night, SkyWishes
from alerts.wishes.model import Wishes


def shared_sky(wishes: SkyWishes) -> SkyWishes:
    """The wishes that nights are worked out for: altitudes to 0.5 degrees, losses to 0.05 mag and no less,
    places to 0.01 degrees, so that thousands of subscriptions share them."""
    target = wishes.target
    if target.ra_deg is not None and target.dec_deg is not None:
        target = replace(target, ra_deg=round(target.ra_deg, 2), dec_deg=round(target.dec_deg, 2))
    lowest_deg, loss_mag = wishes.lowest_altitude_deg, wishes.most_loss_mag
    return replace(
        wishes,
        target=target,
        lowest_altitude_deg=None if lowest_deg is None else round(lowest_deg * 2) / 2,
        most_loss_mag=None if wishes.moonless or loss_mag is None else max(0.05, round(loss_mag * 20) / 20),
    )


def nights_as_wished(wishes: Wishes, make: Callable[[SkyWishes], Night]) -> list[Night]:
    """A night as each target of the wishes makes it, under the skies that cycles work out."""
    return [make(shared_sky(sky)) for sky in wishes.skies]
