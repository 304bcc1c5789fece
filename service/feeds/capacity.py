"""How many sites Open-Meteo's allowance carries, from what is asked and how often: an estimate that errs low.

Each site counts as alone in its cells; places that share a cell share the request. Air quality and ensembles
are asked by their runs, single runs after three hours at the latest.
"""

from __future__ import annotations

import math
from datetime import timedelta

from alerts.weather.line_of_sight import MOST_PLACES
from alerts.weather.models import AIR_ROW, OPEN_METEO, find_model
from service.feeds.feed_wiring import allowances_from
from service.feeds.open_meteo.client import LOOK_CLOSER
from service.feeds.open_meteo.place_batches import ALONG, FORECAST, LOW_LEVELS, product_of, request_weight
from service.feeds.shared.guards import DAY_S, USED_SHARE
from service.settings import Settings

DAY = timedelta(days=1)
DAYS_ASKED = 6.0
"""Of a series: to the last night that most want to hear of."""
RUNS_EVERY = timedelta(hours=6)
"""Ensembles; also how often a place is asked about whose nights all lie beyond 36 hours."""
AIR_EVERY = timedelta(hours=12)


def sites_carried(settings: Settings, *, near: bool, high: bool = False) -> int | None:
    """How many sites the day's allowance carries; None where it has no end or nothing is asked.

    near: each has a night within 36 hours, is asked about through the day and along its line of sight.
    high: each stands above 600 m, and is asked about cloud by height then.
    """
    most = allowances_from(settings)[OPEN_METEO].most.get(DAY_S)
    weight = site_weight(settings, near=near, high=high)
    return math.floor(USED_SHARE * most / weight) if most and weight else None


def site_weight(settings: Settings, *, near: bool, high: bool = False) -> float:
    """What one site weighs in a day."""
    names = (*settings.open_meteo_models, *settings.open_meteo_ensembles)
    rows = [row for name in names if (row := find_model(OPEN_METEO, name)) is not None]
    rows += [AIR_ROW] if settings.open_meteo_air else []
    whole = 0.0
    for row in rows:
        product = product_of(row, aside=False)
        every = AIR_EVERY if row.is_air else RUNS_EVERY
        if product is FORECAST and near:
            every = product.never_after
        whole += request_weight(len(product.variables), 1, DAYS_ASKED, members=row.members) * (DAY / every)
    if not near:
        return whole

    # one model's line of sight and cloud by height, which are asked by its runs
    closer = 0.0
    if settings.line_of_sight:
        closer += request_weight(len(ALONG.variables), MOST_PLACES, 1.0) * (DAY / ALONG.never_after)
    if settings.cloud_by_height and high:
        closer += request_weight(len(LOW_LEVELS.variables), 1, 1.5) * (DAY / RUNS_EVERY)
    return whole + closer * len([row for row in rows if row.members == 1 and not row.is_air][:LOOK_CLOSER])
