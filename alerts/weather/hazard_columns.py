"""The worst of the weather over many spans at once: `alerts.weather.hazards.worst_of` in columns.

The hours of all forecasts lie behind each other, one long row for each quantity. The worst of each hour and
of those after it, 1, 2, 4, 8, ... of them, is worked out once; the worst of any stretch is the larger one of
two of these, and the same lead to the hour that has it first. What is known of a span is a difference of two
sums.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from alerts.common.span import Span
from alerts.weather.hazards import (
    FOG_ROW,
    FOG_SHARE_PCT,
    KNOWN_FROM_SHARE,
    NAMES,
    NOTHING,
    SIGNS,
    Worst,
    WorstOf,
    hazard_table,
)
from alerts.weather.hours import EPOCH, US, Hours
from alerts.weather.skill import Floats

Ints = npt.NDArray[np.int64]
NEVER_US = np.iinfo(np.int64).max


def worst_of_each(asked: Sequence[tuple[Sequence[Hours], Span, Span]]) -> Sequence[WorstOf]:
    """For each of some sources over a span, and the part of it for which a value must be known: the same as
    `worst_of` finds one after the other."""
    # 1. Which hours of which source touch a span, and which of them its part; a source's begin at its offset.
    offsets: dict[int, int] = {}
    sources: list[Hours] = []
    total, rows, edges = 0, [], []
    for number, (some, span, must) in enumerate(asked):
        since, until = max(must.start, span.start), min(must.end, span.end)
        edges.append(
            [(at - EPOCH) // US for at in (span.start, span.end, since, until, must.start, must.end)]
        )
        times = None
        for hours in some:
            if hours.times is not times:
                times = hours.times
                touching = [bisect_right(times.ends, span.start), bisect_left(times.starts, span.end)]
                inside = [bisect_right(times.ends, since), bisect_left(times.starts, until)]
            if touching[0] >= touching[1]:
                continue
            offset = offsets.get(id(hours))
            if offset is None:
                offset = offsets[id(hours)] = total
                sources.append(hours)
                total += len(hours)
            rows.append((number, *(offset + place for place in (*touching, *inside))))
    if not rows:
        return [_NOTHING for _ in asked]
    number, first, after, first_inside, after_inside = np.array(rows, dtype=np.int64).T
    span_start, span_end, since_us, until_us, must_start, must_end = np.array(edges, dtype=np.int64)[number].T
    starts_us, ends_us = np.concatenate([each.times.edges_us for each in sources], axis=1)
    table = np.concatenate([hazard_table(each) for each in sources], axis=1)

    # 2. The worst of each row, and where it is first; shape (quantities, rows).
    reach = _reaches(table, int((after - first).max()))
    at_level = np.log2(after - first).astype(np.int64)
    row_of = np.arange(len(NAMES))[:, None] * table.shape[1]
    worst = np.empty((len(NAMES), len(first)))
    place = np.tile(first, (len(NAMES), 1))
    for level, ahead in enumerate(reach):
        mine = at_level == level
        left, right = ahead[:, first[mine]], ahead[:, after[mine] - (1 << level)]
        worst[:, mine] = np.maximum(left, right)
    for level in range(len(reach) - 1, -1, -1):
        beyond = place + (1 << level)
        less = reach[level].take(row_of + np.minimum(place, table.shape[1] - 1)) < worst
        place = np.where((beyond < after) & less, beyond, place)

    # 3. How much of a span is known, and in fog.
    hours_us = starts_us, ends_us
    known_us = _time_in(table > -np.inf, hours_us, (first_inside, after_inside), (since_us, until_us))
    is_foggy = table[FOG_ROW : FOG_ROW + 1] >= FOG_SHARE_PCT
    foggy_us = _time_in(is_foggy, hours_us, (first, after), (span_start, span_end))

    # 4. The worst of all sources that one asked for, at the earliest.
    begins = np.flatnonzero(np.diff(number, prepend=-1))
    every = np.maximum.reduceat(worst, begins, axis=1)
    own = np.repeat(np.arange(len(begins)), np.diff(begins, append=len(number)))
    at_us = np.where(worst == every[:, own], np.maximum(starts_us[place], span_start), NEVER_US)
    at_us = np.minimum.reduceat(at_us, begins, axis=1)
    must_us = (must_end - must_start)[begins]
    known = np.maximum.reduceat(known_us, begins, axis=1) >= KNOWN_FROM_SHARE * must_us
    shares = np.maximum.reduceat(foggy_us[0], begins) / (span_end - span_start)[begins]

    # 5. By the names of the quantities.
    values = SIGNS[:, None] * every + 0.0  # the sum: there is one zero alone
    known_at, place_of = np.unique(at_us, return_inverse=True)
    moments = np.array(
        [None if us == NEVER_US else EPOCH + us * US for us in known_at.tolist()], dtype=object
    )
    at = moments[place_of.reshape(at_us.shape)]
    found: list[dict[str, Worst]] = [dict(_NOTHING) for _ in asked]
    columns = (each.T.tolist() for each in (values, known, at))
    for place, share, told, sure, when in zip(
        number[begins].tolist(), shares.tolist(), *columns, strict=True
    ):
        worst_by = dict(zip(NAMES, map(Worst, told, sure, when), strict=True))
        worst_by["foggy_share"] = Worst(share)
        found[place] = worst_by
    rows_without, names_without = np.nonzero(np.isinf(every.T))
    for place, name in zip(number[begins][rows_without].tolist(), names_without.tolist(), strict=True):
        found[place][NAMES[name]] = NOTHING
    return found


def _reaches(table: Floats, longest: int) -> list[Floats]:
    """The most of each hour and of those after it, 1, 2, 4, ... of them, as far as the longest asked for
    needs."""
    found, length = [table], 1
    while 2 * length <= longest:
        last = found[-1]
        ahead = last.copy()
        np.maximum(last[:, :-length], last[:, length:], out=ahead[:, :-length])
        found.append(ahead)
        length *= 2
    return found


def _time_in(
    holds: npt.NDArray[np.bool_],
    hours_us: tuple[Ints, Ints],
    within: tuple[Ints, Ints],
    span_us: tuple[Ints, Ints],
) -> Ints:
    """For how much of each span something holds, in microseconds: shape (quantities, spans).

    holds: in each hour, shape (quantities, hours). hours_us: their starts and ends; within: the first hour
    that each span touches and the one after the last; span_us: its own start and end.
    """
    (starts_us, ends_us), (first, after), (since_us, until_us) = hours_us, within, span_us
    upto_us = np.zeros((len(holds), holds.shape[1] + 1), dtype=np.int64)
    np.cumsum(holds * (ends_us - starts_us), axis=1, out=upto_us[:, 1:])
    touches = first < after
    begins, ends = np.where(touches, first, 0), np.where(touches, after - 1, 0)
    before_us = holds[:, begins] * np.maximum(since_us - starts_us[begins], 0)
    behind_us = holds[:, ends] * np.maximum(ends_us[ends] - until_us, 0)
    return np.where(touches, upto_us[:, after] - upto_us[:, first] - before_us - behind_us, 0)


_NOTHING: WorstOf = dict.fromkeys((*NAMES, "foggy_share"), NOTHING)
