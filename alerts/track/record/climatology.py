"""How often nights come clear at a place in a month: what a forecast must beat to be worth anything, and what
is usual there, learned from every night that was looked back on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from alerts.track.calibration.pairs import Ints, Pairs, months_of, years_of
from alerts.track.calibration.score import STRENGTH_NIGHTS, shrunk_share
from alerts.weather.skill import CLEAR_SHARE, Floats

NEIGHBOUR_WEIGHT = 0.5
"""What a night of the month before or after counts: seasons turn slowly, and a month has few nights (common
practice, not fitted)."""
LEAST_SHARE, MOST_SHARE = 0.05, 0.95
"""No place is known to be always clear or never, whatever its nights have been."""

_MONTHS = 13


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


@dataclass(frozen=True, slots=True, eq=False)
class MonthCounts:
    """How many nights of which month were judged, over all sites, and how many came clear; shape (n,)."""

    year: Ints
    month: Ints
    nights: Ints
    clear: Ints


def month_counts(night: Ints, nights: Ints, clear: Ints) -> MonthCounts:
    """From counts by night. night: `date.toordinal()`; all shape (n,)."""
    year, month = years_of(night), months_of(night)
    distinct, which = np.unique(year * _MONTHS + month, return_inverse=True)
    held, came = (np.bincount(which, column).astype(np.int64) for column in (nights, clear))
    return MonthCounts(distinct // _MONTHS, distinct % _MONTHS, held, came)


def climatology(pairs: Pairs, *, everywhere: MonthCounts | None = None) -> Floats:
    """For each pair, the chance (0..1) that its site's month gives by itself; shape (n,).

    From other years only, so that a night never forecasts itself: the site's own rate for the month,
    drawn by 20 nights toward the rate of that month everywhere, that toward the rate of all, and that
    toward 0.44.
    Each night counts once, however many leads it has; with several windows it is clear when one was.
    everywhere: the counts over all sites, where these pairs are of some alone; else they are counted.
    """
    if not len(pairs):
        return np.zeros(0)
    # each distinct site and night, clear when one of its windows was
    _, site_rank = np.unique(pairs.site, return_inverse=True)
    held = site_rank * (int(pairs.night.max()) + 1) + pairs.night
    _, first, night_of_pair = np.unique(held, return_index=True, return_inverse=True)
    site, night = pairs.site[first], pairs.night[first]
    clear = (np.bincount(night_of_pair, pairs.clear) > 0).astype(np.int64)

    counts = everywhere or month_counts(night, np.ones_like(night), clear)
    month, year = months_of(night), years_of(night)
    rate = np.full(len(site), CLEAR_SHARE)
    rate = shrunk_share(*_other_years(counts, year), rate)
    rate = shrunk_share(*_other_years(counts, year, month), rate)

    # the same within each site's own month, of these nights alone
    _, group = np.unique(site * _MONTHS + month, return_inverse=True)
    year = year - year.min()
    _, in_year = np.unique(group * (int(year.max()) + 1) + year, return_inverse=True)
    cases = (np.bincount(group)[group] - np.bincount(in_year)[in_year]).astype(np.float64)
    came = (np.bincount(group, clear)[group] - np.bincount(in_year, clear)[in_year]).astype(np.float64)
    return shrunk_share(came, cases, rate)[night_of_pair]


def _other_years(counts: MonthCounts, year: Ints, month: Ints | None = None) -> tuple[Floats, Floats]:
    """Clear nights everywhere in all years but each one's own, and all nights there; of its month."""
    of_month = np.zeros_like(counts.month) if month is None else counts.month
    wanted = np.zeros_like(year) if month is None else month
    keys, which = np.unique(counts.year * _MONTHS + of_month, return_inverse=True)
    own = year * _MONTHS + wanted
    at = np.minimum(np.searchsorted(keys, own), len(keys) - 1)
    is_counted = keys[at] == own
    came, cases = (
        np.bincount(of_month, column, minlength=_MONTHS).astype(np.float64)[wanted]
        - np.where(is_counted, np.bincount(which, column)[at], 0.0)
        for column in (counts.clear, counts.nights)
    )
    return came, cases
