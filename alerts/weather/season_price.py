"""What a limit costs at a place: how many nights would ring, how many of these in vain, and what stays
silent.

Only as good as the forecasts behind it: what they add on the day itself, four runs that see the same night
(`tests/unit/alerts/weather/fit_skill.py`), on nights that came clear and on others.
"""

from __future__ import annotations

import numpy as np

from alerts.common.plain_values import value
from alerts.weather.skill import CLEAR_SHARE, chance_of, evidence, log_odds, pooled_evidence, usual_log_odds

QUANTILES = np.linspace(0, 1, 11)
ADDED_WHEN_IT_CAME = np.array([-2.66, -0.88, -0.08, 0.54, 1.26, 1.78, 2.26, 2.35, 2.53, 2.70, 2.85])
ADDED_WHEN_NOT = np.array([-4.79, -3.45, -2.86, -2.54, -2.18, -1.60, -1.18, -0.53, 0.07, 1.01, 2.85])
"""Log odds that forecasts add, at these quantiles: windows of three hours and more, an hour asked for, runs
of 0 to 3 days ahead pooled, five places, April 2024 (see alerts/weather/skill.py)."""

RUNS_DAYS = (0, 1, 2, 3)
"""Of those runs; what they know of a place's climate themselves is taken from what they add there."""


@value(frozen=True, slots=True)
class Price:
    """Shares of all nights (0..1): those that would ring, those of them in vain, and clear ones that would
    not."""

    rings: float
    in_vain: float
    missed: float


def price(window_h: float, shortest_h: float, limit_pct: int, clear_share: float = CLEAR_SHARE) -> Price:
    """Of nights with such a window, at a place with that share of clear night hours. Lengths in hours."""
    usual = float(usual_log_odds(window_h, shortest_h, clear_share))
    clear = float(chance_of(usual))
    here, anywhere = (evidence(0.0, RUNS_DAYS, window_h, shortest_h, of) for of in (clear_share, CLEAR_SHARE))
    known = float(pooled_evidence(here - anywhere, np.ones(len(RUNS_DAYS))))
    needed = float(log_odds(min(99, max(1, limit_pct)) / 100)) - usual - known
    told, lied = (
        1 - float(np.interp(needed, added, QUANTILES)) for added in (ADDED_WHEN_IT_CAME, ADDED_WHEN_NOT)
    )
    return Price(clear * told + (1 - clear) * lied, (1 - clear) * lied, clear * (1 - told))
