"""When to leave, when to be there, when it is too late, and when one is home again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.span import Span
from alerts.wishes import Wishes

PACK_UP = timedelta(minutes=15)
"""From the last frame to the turned key."""


@dataclass(frozen=True, slots=True)
class FieldPlan:
    """The times of one trip to one window, all UTC.

    leave_by: with time to scout before the window starts. arrive: after the drive.
    latest_departure: leaving later, less than the shortest wished time is left on the spot.
    """

    leave_by: datetime
    arrive: datetime
    latest_departure: datetime
    window: Span
    home_about: datetime


def plan(window: Span, wishes: Wishes) -> FieldPlan:
    """The trip to `window` with the drive, scouting and shortest window of `wishes`.

    Plain subtraction in UTC, so a clock change on the way moves nothing. A window shorter than the
    shortest one still gets a plan; it is the verdict that refuses it.
    """
    arrive = window.start - wishes.scouting
    return FieldPlan(
        leave_by=arrive - wishes.drive,
        arrive=arrive,
        latest_departure=window.end - wishes.shortest_window - wishes.drive,
        window=window,
        home_about=window.end + PACK_UP + wishes.drive,
    )
