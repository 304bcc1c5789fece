"""The leads at which a statement is remembered, and which statement stood then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum


class Lead(StrEnum):
    """How long before a window a chance was stated, the nearest first."""

    EVENING = "evening"
    MORNING = "morning"
    DAY_1 = "1_day"
    DAY_2 = "2_days"
    DAY_3 = "3_days"
    DAY_5 = "5_days"


LEADS = tuple(Lead)
HOURS_BEFORE = {
    Lead.EVENING: 3.0,
    Lead.MORNING: 12.0,
    Lead.DAY_1: 24.0,
    Lead.DAY_2: 48.0,
    Lead.DAY_3: 72.0,
    Lead.DAY_5: 120.0,
}
"""Hours before the window's start at which each lead is read off."""
STALE = timedelta(hours=6)
"""A statement that nobody confirmed for this long before a lead no longer stood at it."""


@dataclass(frozen=True, slots=True)
class Stated:
    """What was said of one night from `as_of` on, last confirmed at `confirmed_at`.

    chance, raw_chance: 0..1 as stated and before calibration; None while unknown.
    told_go: go was said, or on an earlier day would have been but for the day. is_barred: something else
    than the chance spoke against going (wind, access, one lineage).
    member_share: how much of the chance came from ensembles, 0..1. lineages: each lineage's own chance.
    """

    as_of: datetime
    confirmed_at: datetime
    chance: float | None
    raw_chance: float | None
    told_go: bool
    is_barred: bool = False
    member_share: float = 0.0
    lineages: tuple[tuple[str, float], ...] = ()


def standing_at(statements: Sequence[Stated], moment: datetime) -> Stated | None:
    """The statement that stood at a moment: the newest made by then.

    None before the first one, and where nobody had confirmed it for six hours (the service was down).
    """
    made = [stated for stated in statements if stated.as_of <= moment]
    if not made:
        return None
    newest = max(made, key=lambda stated: stated.as_of)
    is_fresh = max(newest.as_of, newest.confirmed_at) >= moment - STALE
    return newest if is_fresh else None


def moment_of(lead: Lead, window_start: datetime) -> datetime:
    """When a lead is read off."""
    return window_start - timedelta(hours=HOURS_BEFORE[lead])
