"""From cloud to chance: every number and formula between a forecast's cloud and the chance of the event.

All in log odds, where what is usual and what each forecast adds are summed:

1. What is usual (`usual_log_odds`): how often a window of that length holds the event at that place, whatever
   is forecast. The event asks for `shortest` hours in one piece, so its odds grow with the window and shrink
   with what is asked for. Far ahead nothing is left but this.
2. What one cloud says (`evidence`): the log odds that the worst cloud of a run's clearest stretch adds, by
   its lead, less what a forecast knows of the place's climate itself. A run is an ensemble of one member; an
   ensemble's evidence is the mean over its members, each by the same formula, joint over the hours.
3. Pooling (`pooled_evidence`): the mean over lineages, by as many voices as the agreement of dependent
   sources is worth (`effective_voices`; R. T. Clemen and R. L. Winkler 1985, Oper. Res. 33, 427-442).
   Agreement sharpens, and two sources that differ cancel. Geometric pooling with a slope above one: R. Ranjan
   and T. Gneiting 2010, J. R. Stat. Soc. B 72, 71-91, show that any linear mean of calibrated chances is too
   timid; V. A. Satopää et al. 2014, Int. J. Forecast. 30, 344-356, extremize in log odds.

All constants are fitted together by `tests/unit/alerts/weather/fit_skill.py` on Open-Meteo's archived ECMWF
0.4 degree forecasts for Rovaniemi, Warsaw, Tripoli, Kinshasa and Cape Town, April 2024, 0 to 7 days ahead
(data CC BY 4.0, Open-Meteo and ECMWF): 143 nights (Sun below -12 degrees), in windows of 1, 2, 3, 6 hours
and the whole night, "clear" being a total cloud of at most 30 %. The form was chosen by leaving out one
place at a time (figures in the README): against the mean of chances and a beta-transformed mean it won at
every lead. Rates of an hour say nothing of an event of a window, and members counted below a limit nothing
of a sky a little above it. The truth there is the same model family's analysis and not an observer, and it
is one month: a start until a site's own record says better. With so few places the constants are uncertain,
by their standard errors when places are left out in turn: USUAL .30, BY_WINDOW .18, BY_SHORTEST .13,
CLOUD_SLOPE .30, CLOUD_OFFSET_PCT 5.1, CLOUD_CENTRE .34, CENTRE_BY_WINDOW .09, CENTRE_BY_SHORTEST .07,
LEAD_SCALE_DAYS 1.3, DEPENDENCE .05. They lean on each other: chances move by less.

Functions take numbers or arrays, which are broadcast against each other.
"""

from __future__ import annotations

from math import radians, sqrt, tan
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alerts.common.plain_values import value

Floats: TypeAlias = NDArray[np.float64]

THIN_CLOUD_WEIGHT = 0.6
"""How much of high cloud with nothing below it counts: cirrus dims stars, it rarely hides them. A common
and simple allowance, to be measured."""

CLOUD_ASPECT = 0.5
"""Height of a broken cloud over its width. Kauth and Penquite (1967) give 0.6 to 1.5 for cumulus; the night's
usual stratocumulus and altocumulus are flatter."""

CLEAR_LIMIT_PCT = 30.0
"""Effective cloud up to which a frame counts as clear enough."""

CLEAR_SHARE = 0.44
"""How often a night hour is clear where nothing is known of the place: the measured data's, each night
counting once."""

USUAL = -0.312
BY_WINDOW = 0.479
BY_SHORTEST = 0.706
"""Log odds of the event in a window of an hour, and by how much they grow with the logarithm of the window's
length and shrink with that of the time asked for, both in hours."""

PLACE_KNOWN = 0.5
"""How much of a place's own difference from `CLEAR_SHARE`, in log odds, a fresh forecast knows itself: so
much is taken from what it adds, and less the further ahead. Of .2 to .8 by tenths, places left out in turn,
the best log score of four runs is at .5 to .7 (.470), of single runs at .2 (.507; at .5 .509). A weight that
is the same at all leads and does as well with four runs gives single ones .512, and without any forecast
.677 where the whole of the place's difference gives .643."""

CLOUD_SLOPE = 1.071
CLOUD_OFFSET_PCT = 5.24
CLOUD_CENTRE = -0.355
CENTRE_BY_WINDOW = -0.388
CENTRE_BY_SHORTEST = 0.182
"""Log odds that a cloud adds: the slope on ln((100 - cloud + offset) / (cloud + offset)), and what lies in
the middle: a long window's clearest stretch is clear more easily."""

LEAD_SCALE_DAYS = 7.89
"""Evidence fades with the lead as exp(-lead / scale)."""

DEPENDENCE = 0.618
"""How alike sources err: the correlation by which further sources add less. Fitted on runs of one model from
successive days standing in for models and members alike; models of other families may well be less alike."""

SHORTEST_TOLD_H = 1.0
"""Forecasts come by the hour: what is asked for less counts as an hour."""


def slanted_pct(cover_pct: ArrayLike, altitude_deg: float) -> Floats:
    """The share of a view at that altitude which broken cloud hides, from its share of the ground plan.

    1 - (1 - N)^f with f = sqrt(1 + (aspect / tan(altitude))^2): clouds as ellipsoids strewn at random, whose
    shadows along the view are f times as large as from above. Kauth and Penquite 1967, J. Appl. Meteor. 6,
    1005-1017. A clear sky stays clear, overcast stays overcast; straight up nothing changes.
    """
    shadow = sqrt(1.0 + (CLOUD_ASPECT / tan(radians(min(90.0, max(1.0, altitude_deg))))) ** 2)
    gap = (1.0 - np.asarray(cover_pct, dtype=np.float64) / 100.0) ** shadow
    slanted: Floats = 100.0 * (1.0 - gap)
    return slanted


def usual_log_odds(
    window_h: ArrayLike, shortest_h: ArrayLike, clear_share: ArrayLike = CLEAR_SHARE
) -> Floats:
    """The log odds of the event without any forecast.

    window_h, shortest_h: lengths in hours; a window shorter than what is asked for counts as long as that.
    clear_share: of night hours at the place in that month, above 0 and below 1.
    """
    shortest = np.maximum(shortest_h, SHORTEST_TOLD_H)
    window = np.maximum(window_h, shortest)
    own = log_odds(clear_share) - ANYWHERE
    usual: Floats = USUAL + BY_WINDOW * np.log(window) - BY_SHORTEST * np.log(shortest) + own
    return usual


def evidence(
    cloud_pct: ArrayLike,
    lead_days: ArrayLike,
    window_h: ArrayLike,
    shortest_h: ArrayLike,
    clear_share: ArrayLike = CLEAR_SHARE,
) -> Floats:
    """The log odds that one member's clearest stretch adds to what is usual.

    cloud_pct: the worst effective cloud of that stretch, 0..100. lead_days: from the run's issue to the
    window's middle. Lengths in hours and the place's clear share as for `usual_log_odds`.
    """
    cloud = np.asarray(cloud_pct, dtype=np.float64)
    shortest = np.maximum(shortest_h, SHORTEST_TOLD_H)
    window = np.maximum(window_h, shortest)
    score = np.log((100.0 - cloud + CLOUD_OFFSET_PCT) / (cloud + CLOUD_OFFSET_PCT))
    centre = CLOUD_CENTRE + CENTRE_BY_WINDOW * np.log(window) + CENTRE_BY_SHORTEST * np.log(shortest)
    kept = np.exp(-np.maximum(lead_days, 0.0) / LEAD_SCALE_DAYS)
    own = log_odds(clear_share) - ANYWHERE
    added: Floats = kept * (CLOUD_SLOPE * score + centre - PLACE_KNOWN * own)
    return added


def effective_voices(sources: ArrayLike) -> Floats:
    """How many independent sources as many dependent ones are worth: n / (1 + (n - 1) r)."""
    count = np.asarray(sources, dtype=np.float64)
    worth: Floats = count / (1.0 + (count - 1.0) * DEPENDENCE)
    return worth


def pooled_evidence(by_lineage: ArrayLike, voices: ArrayLike) -> Floats:
    """Evidence of several lineages as one.

    by_lineage: shape (..., lineages), the mean over each one's sources. voices: the same shape or that of the
    last axis, `effective_voices` of each one's members (1 for a run). Lineages weigh the same; their voices
    together say how much their agreement is worth.
    """
    evidences = np.asarray(by_lineage, dtype=np.float64)
    together = np.asarray(voices, dtype=np.float64).sum(axis=-1)
    joint: Floats = evidences.mean(axis=-1) * effective_voices(together)
    return joint


def log_odds(chance: ArrayLike) -> Floats:
    """Of a chance above 0 and below 1."""
    share = np.asarray(chance, dtype=np.float64)
    odds: Floats = np.log(share) - np.log1p(-share)
    return odds


ANYWHERE = log_odds(CLEAR_SHARE)
"""What is usual where nothing is known of the place."""


def chance_of(odds: ArrayLike) -> Floats:
    """The chance (0..1, never quite either) of log odds."""
    chance: Floats = 1.0 / (1.0 + np.exp(-np.asarray(odds, dtype=np.float64)))
    return chance


# ---- what a limit costs at a place: how many nights would ring, how many of these in vain, and what stays
# silent. Only as good as the forecasts behind it: what they add on the day itself, four runs that see the
# same night (`tests/unit/alerts/weather/fit_skill.py`), on nights that came clear and on others.

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
