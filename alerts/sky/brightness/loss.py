"""Loss: how much brighter the sky at the target is than at this site's best, and the time it stays small.

The target takes the same way over the sky every day, so its best is known for each place of that
way: the same place on a night without Moon and twilight. Against that the loss is counted. What
never changes (towns, the growth of the sky's light toward the horizon) isn't in it; how far it keeps
a moment from the best place of the way is `below_best_mag`. A ridge before the Moon changes
nothing: it darkens the ground, not the sky. Counted against the best moment of the year, southern sites
would lose moonless hours to a low core.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.brightness.brightness_units import brighter_mag
from alerts.sky.brightness.natural import natural_nl
from alerts.sky.brightness.total import SiteSky, SkyParts, aim_deg, sky_at
from alerts.sky.ephemeris import SIDEREAL_RATE_RAD_S, Ephemeris, SkyTable, posix_s, utc_from_posix
from alerts.sky.night import LOSS_WISHES_MAG, Target, require_loss_wish
from alerts.sky.span_arrays import RowSpans

__all__ = [
    "LOSS_WISHES_MAG",
    "below_best_mag",
    "best_of_way_nl",
    "loss_mag",
    "loss_spans",
    "require_loss_wish",
    "spans_by_loss",
]

Floats = npt.NDArray[np.float64]

_MINUTE_S = 60.0
_WAY_STEP_S = 240.0
_LOWEST_OF_WAY_DEG = 3.0


def loss_mag(
    site: Site,
    sky: SiteSky,
    target: Target,
    at_s: Floats,
    table: SkyTable,
    aod: npt.ArrayLike | None = None,
) -> Floats:
    """The loss at a target in mag, minute by minute or at any POSIX times of shape (n,).

    Zero with the Moon set and the Sun below -16 degrees. Errors as
    `alerts.sky.brightness.total.sky_brightness`.
    """
    return sky_at(site, sky, target, at_s, table, aod).loss_mag


def below_best_mag(parts: SkyParts, best_nl: float) -> Floats:
    """How much brighter a sky is than the darkest place of the target's whole way, in mag.

    best_nl: from `best_of_way_nl`. May be a little below zero when the target stands beside its way.
    """
    return brighter_mag(parts.total_nl, best_nl)


def best_of_way_nl(site: Site, sky: SiteSky, target: Target, table: SkyTable) -> float:
    """The darkest that the target's sky ever gets at a site, in nL: the best place of its daily way.

    Without Sun and Moon, the target above 3 degrees, every four minutes of one turn from the table's
    start, which must hold a day. Where the target never comes so high: the zenith. That darkness comes
    to every place of the way sometime in a year is taken for granted.
    """
    turn_s = 2 * math.pi / SIDEREAL_RATE_RAD_S
    at_s = table.first_s + np.arange(0, turn_s, _WAY_STEP_S)
    altitude, azimuth = aim_deg(site, target, at_s, table)
    dark_nl = natural_nl(altitude, sky.natural_zenith_nl) + sky.towns_nl(altitude, azimuth)
    high = altitude > _LOWEST_OF_WAY_DEG
    return float(dark_nl[high].min()) if high.any() else sky.zenith_nl


def spans_by_loss(
    site: Site,
    sky: SiteSky,
    target: Target,
    span: Span,
    most_loss_mag: float,
    ephemeris: Ephemeris,
    aod: float | None = None,
) -> tuple[Span, ...]:
    """The parts of a span in which the loss stays within a wish, to the second.

    Sampled each minute; what holds, or fails, for less than a minute can be missed. Raises BadInput
    for a wish outside 0..3 mag and an optical depth outside 0..20.
    """
    ends_s = np.array([posix_s(span.start)]), np.array([posix_s(span.end)])
    table = ephemeris.table(float(ends_s[0][0]), float(ends_s[1][0]))
    whole = RowSpans(np.zeros(1, dtype=np.intp), *ends_s)
    found = loss_spans([site], [sky], table, target, most_loss_mag, whole, aod)
    pairs = zip(map(utc_from_posix, found.start_s), map(utc_from_posix, found.end_s), strict=True)
    return tuple(Span(start, end) for start, end in pairs if start < end)


def loss_spans(
    sites: Sequence[Site],
    skies: Sequence[SiteSky],
    table: SkyTable,
    target: Target,
    most_loss_mag: float,
    within: RowSpans,
    aod: float | None = None,
) -> RowSpans:
    """`spans_by_loss` for many spans at many sites: the parts of `within` that keep the wish.

    within: rows are indices of sites and skies, times inside the table's span. A condition like the
    others that make a dark window, but only looked at where those hold already.
    """
    limit = require_loss_wish(most_loss_mag)
    rows, starts, ends = [np.zeros(0, dtype=np.intp)], [np.zeros(0)], [np.zeros(0)]
    for row in np.unique(within.row):
        own = within.of_row(int(row))
        at_s, span_of = _minutes(own)
        left = limit - loss_mag(sites[row], skies[row], target, at_s, table, aod)
        start_s, end_s = _held(at_s, left, span_of)
        rows.append(np.full(len(start_s), row, dtype=np.intp))
        starts.append(start_s)
        ends.append(end_s)
    return RowSpans(np.concatenate(rows), np.concatenate(starts), np.concatenate(ends))


def _minutes(spans: RowSpans) -> tuple[Floats, npt.NDArray[np.intp]]:
    """Times evenly over each span, at most a minute apart, ends included; and the span of each."""
    steps = np.maximum(np.ceil((spans.end_s - spans.start_s) / _MINUTE_S), 1).astype(np.intp)
    span_of = np.repeat(np.arange(len(spans)), steps + 1)
    number = np.arange(len(span_of)) - np.repeat(np.cumsum(steps + 1) - (steps + 1), steps + 1)
    share = number / steps[span_of]
    return spans.start_s[span_of] * (1 - share) + spans.end_s[span_of] * share, span_of


def _held(at_s: Floats, left: Floats, span_of: npt.NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Starts and ends of the times with `left` not below zero, each span for itself, edges by the secant."""
    holds = left >= 0
    same = span_of[1:] == span_of[:-1]
    change = np.flatnonzero((holds[1:] != holds[:-1]) & same)
    step = left[change] - left[change + 1]
    edge_s = at_s[change] + left[change] / step * (at_s[change + 1] - at_s[change])
    opens = np.concatenate([[True], ~same]) & holds
    closes = np.concatenate([~same, [True]]) & holds
    starts = np.concatenate([at_s[opens], edge_s[~holds[change]]])
    ends = np.concatenate([at_s[closes], edge_s[holds[change]]])
    return np.sort(starts), np.sort(ends)
