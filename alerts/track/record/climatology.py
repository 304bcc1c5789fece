"""How often nights come clear at a site in a month: what a forecast must beat to be worth anything."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from alerts.track.calibration.intervals import STRENGTH_NIGHTS
from alerts.track.calibration.pairs import Ints, Pairs, months_of, years_of
from alerts.track.calibration.regression import Floats
from alerts.weather.skill import CLEAR_SHARE

_MONTHS = 13


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


def climatology(
    pairs: Pairs,
    site_rates: Mapping[int, float] | None = None,
    *,
    everywhere: MonthCounts | None = None,
) -> Floats:
    """For each pair, the chance (0..1) that its site's month gives by itself; shape (n,).

    From other years only, so that a night never forecasts itself: the site's own rate for the month,
    drawn by 20 nights toward the rate of that month everywhere, that toward the rate of all, and that
    toward `site_rates` (long-term rates from an archive, where somebody has them) or 0.44.
    Each night counts once, however many leads it has; with several windows it is clear when one was.
    everywhere: the counts over all sites, where these pairs are of some alone; else they are counted.
    """
    if not len(pairs):
        return np.zeros(0)
    site, night, clear = _nights(pairs)
    counts = everywhere or month_counts(night, np.ones_like(night), clear)
    month, year = months_of(night), years_of(night)
    rate = np.array([(site_rates or {}).get(int(each), CLEAR_SHARE) for each in site])
    rate = _drawn(rate, *_other_years(counts, year))
    rate = _drawn(rate, *_other_years(counts, year, month))
    rate = _drawn(rate, *_other_years_here(site * _MONTHS + month, year, clear))
    return rate[_night_of_pair(pairs)]


def _nights(pairs: Pairs) -> tuple[Ints, Ints, Ints]:
    """Site, night and outcome of each distinct site and night."""
    which = _night_of_pair(pairs)
    first = np.zeros(which.max() + 1, dtype=np.int64)
    first[which[::-1]] = np.arange(len(which))[::-1]
    came = np.bincount(which, pairs.clear) > 0
    return pairs.site[first], pairs.night[first], came.astype(np.int64)


def _night_of_pair(pairs: Pairs) -> Ints:
    _, site = np.unique(pairs.site, return_inverse=True)
    _, which = np.unique(site * (int(pairs.night.max()) + 1) + pairs.night, return_inverse=True)
    numbered: Ints = which.astype(np.int64)
    return numbered


def _drawn(rate: Floats, cases: Ints, came: Ints) -> Floats:
    """(K rate + k) / (K + n)."""
    drawn: Floats = (STRENGTH_NIGHTS * rate + came) / (STRENGTH_NIGHTS + cases)
    return drawn


def _other_years(counts: MonthCounts, year: Ints, month: Ints | None = None) -> tuple[Ints, Ints]:
    """Nights everywhere in all years but each one's own, and the clear ones among them; of its month."""
    of_month = np.zeros_like(counts.month) if month is None else counts.month
    wanted = np.zeros_like(year) if month is None else month
    cases, came = (
        np.bincount(of_month, column, minlength=_MONTHS).astype(np.int64)[wanted]
        - _of_year(of_month, counts.year, column, wanted, year)
        for column in (counts.nights, counts.clear)
    )
    return cases, came


def _of_year(group: Ints, years: Ints, column: Ints, wanted: Ints, year: Ints) -> Ints:
    """The column's sum over each wanted group and year; 0 for what isn't counted."""
    keys, which = np.unique(years * _MONTHS + group, return_inverse=True)
    sums = np.bincount(which, column).astype(np.int64)
    key = year * _MONTHS + wanted
    at = np.minimum(np.searchsorted(keys, key), len(keys) - 1)
    return np.where(keys[at] == key, sums[at], 0)


def _other_years_here(group: Ints, year: Ints, clear: Ints) -> tuple[Ints, Ints]:
    """The same within each night's own group of these nights."""
    _, group = np.unique(group, return_inverse=True)
    year = year - year.min()
    _, in_year = np.unique(group * (int(year.max()) + 1) + year, return_inverse=True)
    cases = np.bincount(group)[group] - np.bincount(in_year)[in_year]
    came = np.bincount(group, clear)[group] - np.bincount(in_year, clear)[in_year]
    return cases, came.astype(np.int64)
