"""The end of a pause as people name it: a day, at whose noon on their clock they want to hear again."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from alerts.common.clock_times import at_clock, zone_info
from alerts.common.errors import BadInput

LONGEST_PAUSE = timedelta(days=2 * 366)


def end_of_pause(day: date, zone: str, now: datetime) -> datetime:
    """The noon of that day on the clock of the person's zone; BadInput where it is past or far off."""
    until = at_clock(day, time(12), zone_info(zone))
    if not now < until < now + LONGEST_PAUSE:
        raise BadInput("a pause ends after today, and within two years.")
    return until
