"""Many spans of time on many rows at once, as flat arrays, and the set arithmetic on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

MINUTE_S = 60.0


@dataclass(frozen=True)
class RowSpans:
    """Disjoint half-open spans, ascending by row and start.

    row: shape (n,), which site a span belongs to; start_s, end_s: shape (n,), POSIX seconds.
    """

    row: Ints
    start_s: Floats
    end_s: Floats

    def __len__(self) -> int:
        return len(self.row)

    def pick(self, which: Bools | Ints) -> RowSpans:
        return RowSpans(self.row[which], self.start_s[which], self.end_s[which])

    def joined(self, gap_s: float = 0.5) -> RowSpans:
        """Spans of one row that touch, or nearly, made one."""
        apart = (self.row[1:] != self.row[:-1]) | (self.start_s[1:] - self.end_s[:-1] > gap_s)
        if apart.all():
            return self
        first = np.concatenate([[True], apart]) if len(self) else apart
        last = np.concatenate([apart, [True]]) if len(self) else apart
        return RowSpans(self.row[first], self.start_s[first], self.end_s[last])


def merged(parts: Sequence[RowSpans]) -> RowSpans:
    """Several sets of spans, none overlapping another, as one; those that touch are joined."""
    row = np.concatenate([part.row for part in parts])
    start_s = np.concatenate([part.start_s for part in parts])
    end_s = np.concatenate([part.end_s for part in parts])
    whole = RowSpans(row, start_s, end_s)
    # mostly in order already, and quicker to look through than to sort
    behind = (row[1:] < row[:-1]) | ((row[1:] == row[:-1]) & (start_s[1:] < start_s[:-1]))
    return (whole.pick(np.lexsort((start_s, row))) if behind.any() else whole).joined()


def alternating_spans(
    counts: Ints, at: Floats, opens: Bools, first: float, last: float
) -> tuple[Ints, Floats, Floats]:
    """Rows, starts and ends of what holds between alternating changes.

    counts: shape (n,), changes in each row; at: all changes, row by row, ascending; opens: shape
    (n,), whether it holds from `first` on. What still holds after a row's last change ends at `last`.
    """
    open_rows = opens.astype(np.intp)
    total = counts + open_rows
    total += total % 2
    begins = np.cumsum(total) - total
    edges = np.full(int(total.sum()), last)
    edges[begins[opens]] = first
    own_begins = np.cumsum(counts) - counts
    edges[np.arange(len(at)) + np.repeat(begins + open_rows - own_begins, counts)] = at
    return np.repeat(np.arange(len(counts)), total // 2), edges[0::2], edges[1::2]


def overlaps(left: RowSpans, right: RowSpans) -> tuple[RowSpans, Ints]:
    """The time that lies in both, and for each shared span the index of its span in `left`."""
    if not len(left) or not len(right):
        none = np.zeros(0, dtype=np.intp)
        return left.pick(none), none
    # all on one axis, where each row has its own stretch: right to 7e-6 s for a thousand rows of a year
    origin = min(left.start_s.min(), right.start_s.min())
    stretch = max(left.end_s.max(), right.end_s.max()) - origin + 1
    left_shift, right_shift = left.row * stretch - origin, right.row * stretch - origin
    low = np.searchsorted(right.end_s + right_shift, left.start_s + left_shift, side="right")
    high = np.searchsorted(right.start_s + right_shift, left.end_s + left_shift, side="left")
    counts = np.maximum(high - low, 0)
    source = np.repeat(np.arange(len(left)), counts)
    begins = np.cumsum(counts) - counts
    partner = np.arange(len(source)) - np.repeat(begins - low, counts)
    shared = RowSpans(
        left.row[source],
        np.maximum(left.start_s[source], right.start_s[partner]),
        np.minimum(left.end_s[source], right.end_s[partner]),
    )
    return shared, source


def minute_marks(spans: RowSpans) -> tuple[Floats, Ints]:
    """Times evenly over each span, at most a minute apart, its ends included; and the index of its span."""
    length_s = spans.end_s - spans.start_s
    steps = np.maximum(1, np.ceil(length_s / MINUTE_S)).astype(np.intp)
    last = np.cumsum(steps + 1) - 1
    span_of = np.repeat(np.arange(len(spans)), steps + 1)
    place = np.arange(len(span_of)) - (last - steps)[span_of]
    at_s = spans.start_s[span_of] + place * (length_s / steps)[span_of]
    at_s[last] = spans.end_s
    return at_s, span_of


def where_held(at_s: Floats, span_of: Ints, margin: Floats) -> tuple[Floats, Floats, Ints]:
    """Starts and ends of the times with a margin not below zero, each span for itself, and its index.

    at_s, span_of: as `minute_marks` gives them. Edges between two marks by the secant: what holds, or fails,
    for less than a minute can be missed.
    """
    holds = margin >= 0
    same = span_of[1:] == span_of[:-1]
    change = np.flatnonzero((holds[1:] != holds[:-1]) & same)
    share = margin[change] / (margin[change] - margin[change + 1])
    edge_s = at_s[change] + share * (at_s[change + 1] - at_s[change])
    opens = np.flatnonzero(np.append(True, ~same)[: len(holds)] & holds)
    closes = np.flatnonzero(np.append(~same, True)[: len(holds)] & holds)
    first, last = np.append(opens, change[~holds[change]]), np.append(closes, change[holds[change]])
    start_s = np.append(at_s[opens], edge_s[~holds[change]])[np.argsort(first)]
    end_s = np.append(at_s[closes], edge_s[holds[change]])[np.argsort(last)]
    return start_s, end_s, span_of[np.sort(first)]
