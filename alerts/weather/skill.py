"""From cloud to chance: every number and formula between a forecast's cloud and the chance of the event.

The steps, in order, and where each stands:

1. Cloud as it bears on the frame (alerts/weather/clouds.py): thin high cloud counts THIN_CLOUD_WEIGHT; broken
   low and mid cloud covers more of a slanted view (`slanted_pct`); where the line of sight was asked for, the
   cover is moved by what the layers do over there.
2. One source's chance: a single run by its worst hour in its clearest stretch (`chance_of_forecast`), an
   ensemble by the share of members in which the event happens, joint over the hours (`chance_of_members`).
3. Both are drawn toward BASE_RATE by the weight of their lead (RATES_BY_LEAD_DAY holds it inside the rates,
   KEPT_BY_LEAD_DAY states it); between the rows straight lines, so that every hour of lead has its weight.
4. Sources of one lineage are averaged, then the lineages, each weighing the same, so that many models of
   one family weigh as one (alerts/weather/clearness.py).

The rates were measured on Open-Meteo's archived ECMWF 0.4 degree forecasts for Rovaniemi, Warsaw, Tripoli,
Kinshasa and Cape Town, night hours (Sun below -12 degrees) of April 2024, 0 to 7 days ahead (data CC BY 4.0,
Open-Meteo and ECMWF), "clear" being a total cloud of at most 30 %. The truth there is the same model
family's analysis and not an observer, and it is one month: the figures flatter a little, and are a
start until a site's own record says better.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from functools import lru_cache
from math import exp, radians, sqrt, tan
from operator import itemgetter

THIN_CLOUD_WEIGHT = 0.6
"""How much of high cloud with nothing below it counts: cirrus dims stars, it rarely hides them. A common
and simple allowance, to be measured."""

CLOUD_ASPECT = 0.5
"""Height of a broken cloud over its width. Kauth and Penquite (1967) give 0.6 to 1.5 for cumulus; the night's
usual stratocumulus and altocumulus are flatter."""

CLEAR_LIMIT_PCT = 30.0
"""Effective cloud up to which a frame counts as clear enough."""

BASE_RATE = 0.44
"""How often a night hour was clear in the measured data, whatever was forecast."""

WIDTH_PCT = 8.0
"""Width of the step from "forecast clear" to "forecast cloudy" around the limit: of all whole per
cents it leaves the least squared error over all leads in the measured data."""

RATES_BY_LEAD_DAY = (
    (0.0, 0.78, 0.13),
    (1.0, 0.74, 0.19),
    (2.0, 0.73, 0.20),
    (3.0, 0.75, 0.19),
    (4.0, 0.73, 0.25),
    (5.0, 0.70, 0.28),
    (6.0, 0.65, 0.31),
    (7.0, 0.60, 0.33),
    (15.0, BASE_RATE, BASE_RATE),
)
"""Lead in days, share of hours that came clear when forecast clear, and when forecast not clear.
The last row is no measurement: two weeks ahead a single run says nothing beyond the base rate."""

KEPT_BY_LEAD_DAY = ((1.5, 0.94), (2.5, 0.90), (3.5, 0.89), (4.5, 0.86), (5.5, 0.77), (15.0, 0.0))
"""Lead in days, and how much of a smoothed member count is kept, the rest being the base rate.
The slope of "came clear" on (k + 0.5) / (n + 1) through the base rate, for groups of four runs in the
measured data, a run standing in for a member; the last row as above."""


_LEAD = itemgetter(0)


def slanted_pct(cover_pct: float, altitude_deg: float) -> float:
    """The share of a view at that altitude which broken cloud hides, from its share of the ground plan.

    1 - (1 - N)^f with f = sqrt(1 + (aspect / tan(altitude))^2): clouds as ellipsoids strewn at random, whose
    shadows along the view are f times as large as from above. Kauth and Penquite 1967, J. Appl. Meteor. 6,
    1005-1017. A clear sky stays clear, overcast stays overcast; straight up nothing changes.
    """
    shadow = sqrt(1.0 + (CLOUD_ASPECT / tan(radians(min(90.0, max(1.0, altitude_deg))))) ** 2)
    gap: float = (1.0 - cover_pct / 100.0) ** shadow
    return 100.0 * (1.0 - gap)


def chance_of_forecast(cloud_pct: float, lead_days: float) -> float:
    """The chance (0..1) of the event when one run's clearest stretch has this worst cloud.

    cloud_pct: effective cloud, 0..100. Falls smoothly with cloud, between the two rates measured at
    that lead. The base rate is part of those rates: nothing further is drawn toward it.
    """
    return chance_between(cloud_pct, *rates_at(lead_days))


@lru_cache(maxsize=64)
def rates_at(lead_days: float) -> tuple[float, float]:
    """How often it came clear at that lead when forecast clear, and when forecast not clear.

    Remembered, as many models come out at the same time.
    """
    return _at_lead(RATES_BY_LEAD_DAY, lead_days, 1), _at_lead(RATES_BY_LEAD_DAY, lead_days, 2)


def chance_between(cloud_pct: float, clear_rate: float, cloudy_rate: float) -> float:
    """`chance_of_forecast` with the rates of its lead at hand."""
    leaning = 1.0 / (1.0 + exp((cloud_pct - CLEAR_LIMIT_PCT) / WIDTH_PCT))
    return cloudy_rate + (clear_rate - cloudy_rate) * leaning


def chance_of_members(happens: int, members: int, lead_days: float, base_rate: float = BASE_RATE) -> float:
    """The chance (0..1) of the event when it happens in `happens` of `members` equal members.

    (k + 0.5) / (n + 1), because a unanimous ensemble is never certain, then drawn toward `base_rate`
    by the weight of that lead.
    """
    kept = _at_lead(KEPT_BY_LEAD_DAY, lead_days, 1)
    return base_rate + kept * ((happens + 0.5) / (members + 1) - base_rate)


def _at_lead(table: Sequence[Sequence[float]], lead_days: float, column: int) -> float:
    """A column of a table at that lead, straight lines between its rows, level beyond its ends."""
    after = bisect_right(table, lead_days, key=_LEAD)
    if after == 0:
        return table[0][column]
    if after == len(table):
        return table[-1][column]
    left, right = table[after - 1], table[after]
    share = (lead_days - left[0]) / (right[0] - left[0])
    return left[column] + share * (right[column] - left[column])
