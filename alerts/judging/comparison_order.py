"""The orders in which compared nights can stand, and how each is said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum

from alerts.judging.comparison import ComparedNight, standing
from alerts.sites.model import Site
from alerts.wishes.model import Wishes


class Order(StrEnum):
    WORTH = "worth"
    CHANCE = "chance"
    DATE = "date"
    DRIVE = "drive"


ORDER_WORDS = {
    Order.WORTH: "by worth: go, then wait, then what no forecast reaches; in each the minutes of the window, "
    "weighed by its shape, times the chance",
    Order.CHANCE: "by the chance, the highest first; nights without one last",
    Order.DATE: "by date, the best of a night first",
    Order.DRIVE: "by the drive, the shortest first; the best night of a site first",
}


@dataclass(frozen=True, slots=True)
class RankedNight:
    """A compared night with its drive, one way. is_estimate: by the distance from home."""

    each: ComparedNight
    drive: timedelta
    is_estimate: bool


def rank(
    nights: Iterable[ComparedNight], order: Order, wishes: Mapping[Site, Wishes]
) -> tuple[RankedNight, ...]:
    """The nights in that order, equal ones as `compare` has them. wishes: each site's, for its drives."""
    found = [
        RankedNight(
            each,
            wishes[each.site].drive_on(each.night.name),
            wishes[each.site].is_estimate_on(each.night.name),
        )
        for each in nights
    ]
    found.sort(key=lambda ranked: standing(ranked.each))
    if order is Order.CHANCE:
        found.sort(key=lambda ranked: _or_least(ranked.each.chance_pct), reverse=True)
    elif order is Order.DATE:
        found.sort(key=lambda ranked: ranked.each.night.name)
    elif order is Order.DRIVE:
        found.sort(key=lambda ranked: ranked.drive)
    return tuple(found)


def _or_least(chance_pct: int | None) -> int:
    return -1 if chance_pct is None else chance_pct
