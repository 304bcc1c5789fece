"""Loss: how much brighter the sky at the target is than at this site's best, and the time it stays small.

The target takes the same way over the sky every day, so its best is known for each place of that
way: the same place on a night without Moon and twilight. Against that the loss is counted. What
never changes (towns, the growth of the sky's light toward the horizon) isn't in it. A ridge before the
Moon changes nothing: it darkens the ground, not the sky. Counted against the best moment of the year,
southern sites would lose moonless hours to a low core.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from alerts.sky.brightness.total import SiteSky, sky_at
from alerts.sky.ephemeris import SkyTable
from alerts.sky.night import Target, require_loss_wish
from alerts.sky.span_arrays import RowSpans, minute_marks, where_held


def loss_spans(
    skies: Sequence[SiteSky], table: SkyTable, target: Target, most_loss_mag: float, within: RowSpans
) -> tuple[RowSpans, npt.NDArray[np.intp]]:
    """The parts of spans in which the loss stays within a wish, and for each part the index of its span.

    within: ascending rows are indices of skies, times inside the table's span. A condition like the others
    that make a dark window, but only looked at where those hold already. Raises BadInput for a wish outside
    0..3 mag.
    """
    limit = require_loss_wish(most_loss_mag)
    starts, ends, sources = [np.zeros(0)], [np.zeros(0)], [np.zeros(0, dtype=np.intp)]
    for row in np.unique(within.row):
        own = np.flatnonzero(within.row == row)
        at_s, span_of = minute_marks(within.pick(own))
        left_mag = limit - sky_at(skies[row], target, at_s, table).loss_mag
        start_s, end_s, source = where_held(at_s, span_of, left_mag)
        starts.append(start_s)
        ends.append(end_s)
        sources.append(own[source])
    source = np.concatenate(sources)
    return RowSpans(within.row[source], np.concatenate(starts), np.concatenate(ends)), source
