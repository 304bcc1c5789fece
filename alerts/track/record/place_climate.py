"""How often a place's nights are clear in a month, learned from every night that was looked back on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from alerts.track.calibration.intervals import STRENGTH_NIGHTS, shrunk_share
from alerts.weather.skill import CLEAR_SHARE

NEIGHBOUR_WEIGHT = 0.5
"""What a night of the month before or after counts: seasons turn slowly, and a month has few nights (common
practice, not fitted)."""
LEAST_SHARE, MOST_SHARE = 0.05, 0.95
"""No place is known to be always clear or never, whatever its nights have been."""


@dataclass(frozen=True, slots=True)
class Climate:
    """A place's nights so far by month (1..12), of all years. nights: how many are known; clear: the sum of
    their clear shares (0..1 each)."""

    nights: Mapping[int, int] = field(default_factory=dict)
    clear: Mapping[int, float] = field(default_factory=dict)

    def clear_share(self, month: int) -> float:
        """How often a night hour is clear there in that month, drawn by 20 nights toward what is usual
        anywhere: after 30 nights it is more the place's own than not."""
        months = {month: 1.0, (month - 2) % 12 + 1: NEIGHBOUR_WEIGHT, month % 12 + 1: NEIGHBOUR_WEIGHT}
        nights, clear = (
            sum(weight * counts.get(each, 0) for each, weight in months.items())
            for counts in (self.nights, self.clear)
        )
        share = shrunk_share(clear, nights, CLEAR_SHARE, STRENGTH_NIGHTS)
        return min(max(share, LEAST_SHARE), MOST_SHARE)

    @property
    def by_month(self) -> tuple[float, ...]:
        """The share of each month, January first."""
        return tuple(round(self.clear_share(month), 2) for month in range(1, 13))


UNKNOWN_CLIMATE = Climate()
