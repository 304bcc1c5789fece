"""How often nights come clear at a site in a month: what a forecast must beat to be worth anything."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from alerts.track.isotonic import Floats
from alerts.track.pairs import Pairs
from alerts.track.ranges import STRENGTH_NIGHTS
from alerts.weather.skill import BASE_RATE


def climatology(pairs: Pairs, site_rates: Mapping[int, float] | None = None) -> Floats:
    """For each pair, the chance (0..1) that its site's month gives by itself; shape (n,).

    From other years only, so that a night never forecasts itself: the site's own rate for the month,
    drawn by 20 nights toward the rate of that month everywhere, that toward the rate of all, and that
    toward `site_rates` (long-term rates from an archive, where somebody has them) or 0.44.
    Each night counts once, however many leads it has.
    """
    if not len(pairs):
        return np.zeros(0)
    site, month, year, clear = _nights(pairs)
    start = np.array([(site_rates or {}).get(int(each), BASE_RATE) for each in site])
    year = year - year.min()
    rate = _drawn(start, clear, np.zeros_like(site), year)
    rate = _drawn(rate, clear, month, year)
    rate = _drawn(rate, clear, site * 13 + month, year)
    return rate[_night_of_pair(pairs)]


def _nights(pairs: Pairs) -> tuple[npt.NDArray[np.int64], ...]:
    """Site (numbered from 0), month, year and outcome of each distinct site and night."""
    which = _night_of_pair(pairs)
    first = np.zeros(which.max() + 1, dtype=np.int64)
    first[which[::-1]] = np.arange(len(which))[::-1]
    one = pairs.where(first)
    return one.site, one.months, one.years, one.clear.astype(np.int64)


def _night_of_pair(pairs: Pairs) -> npt.NDArray[np.int64]:
    _, site = np.unique(pairs.site, return_inverse=True)
    _, which = np.unique(site * (int(pairs.night.max()) + 1) + pairs.night, return_inverse=True)
    numbered: npt.NDArray[np.int64] = which.astype(np.int64)
    return numbered


def _drawn(
    rate: Floats, clear: npt.NDArray[np.int64], group: npt.NDArray[np.int64], year: npt.NDArray[np.int64]
) -> Floats:
    """(K rate + k) / (K + n), with k of n from each night's own group in all years but its own."""
    _, group = np.unique(group, return_inverse=True)
    _, in_year = np.unique(group * (int(year.max()) + 1) + year, return_inverse=True)
    cases = np.bincount(group)[group] - np.bincount(in_year)[in_year]
    came = np.bincount(group, clear)[group] - np.bincount(in_year, clear)[in_year]
    drawn: Floats = (STRENGTH_NIGHTS * rate + came) / (STRENGTH_NIGHTS + cases)
    return drawn
