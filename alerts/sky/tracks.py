"""Where the Sun, the Moon and a target stand over a span at one site.

All altitudes are airless and topocentric, azimuths from north through east.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from alerts.common.span import Span
from alerts.sites.horizon import ridge_deg
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris, SkyTable, posix_s, utc_from_posix
from alerts.sky.night import Target, TrackPoint
from alerts.sky.observers import Ground
from alerts.sky.span_arrays import RowSpans
from alerts.sky.target_visibility import target_direction

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

TEN_MINUTES = timedelta(minutes=10)
_MINUTE_S = 60.0
_LOOK_EVERY = 8
_TURN_DEG_S = 15.1 / 3600
"""A little more than the Moon's altitude can change: its own motion is slower than the Earth's turn and goes
along with it, and the observer's motion adds a sixtieth at most."""
_SPANS_AT_ONCE = 256


def sun_track(
    site: Site, span: Span, ephemeris: Ephemeris, step: timedelta = TEN_MINUTES
) -> tuple[TrackPoint, ...]:
    """The Sun's centre at the span's start, every `step` after it, and at its end."""
    return _track(site, span, ephemeris, step, lambda ground, sky, t: _near(ground, sky.sun_km(t)))


def moon_track(
    site: Site, span: Span, ephemeris: Ephemeris, step: timedelta = TEN_MINUTES
) -> tuple[TrackPoint, ...]:
    """The Moon's centre at the span's start, every `step` after it, and at its end."""
    return _track(site, span, ephemeris, step, lambda ground, sky, t: _near(ground, sky.moon_km(t)))


def target_track(
    site: Site, target: Target, span: Span, ephemeris: Ephemeris, step: timedelta = TEN_MINUTES
) -> tuple[TrackPoint, ...]:
    """The target (the core for `band` and `none`) at the start, every `step` after it, and at the end."""
    icrs = target_direction(target)

    def place(ground: Ground, sky: SkyTable, at_s: Floats) -> tuple[Floats, Floats]:
        altitude, azimuth = ground.altaz(sky.fixed(icrs, at_s)[None], near=False)
        return altitude[0], azimuth[0]

    return _track(site, span, ephemeris, step, place)


def track_point(at_s: float, altitude_deg: float, azimuth_deg: float) -> TrackPoint:
    """A point to the second and 0.001 degrees."""
    return TrackPoint(utc_from_posix(at_s), round(float(altitude_deg), 3), round(float(azimuth_deg), 3) % 360)


def _near(ground: Ground, geocentric_km: Floats) -> tuple[Floats, Floats]:
    altitude, azimuth = ground.altaz(geocentric_km[None], near=True)
    return altitude[0], azimuth[0]


def _track(
    site: Site,
    span: Span,
    ephemeris: Ephemeris,
    step: timedelta,
    place: Callable[[Ground, SkyTable, Floats], tuple[Floats, Floats]],
) -> tuple[TrackPoint, ...]:
    start_s, end_s = posix_s(span.start), posix_s(span.end)
    at_s = np.append(np.arange(start_s, end_s, step.total_seconds()), end_s)
    altitude, azimuth = place(Ground.of([site]), ephemeris.table(start_s, end_s), at_s)
    return tuple(track_point(*point) for point in zip(at_s, altitude, azimuth, strict=True))


def true_spans(margin: Callable[[Floats], Floats], start_s: float, end_s: float) -> list[tuple[float, float]]:
    """Where a function of POSIX time is not negative, sampled each minute, edges between samples by
    the secant. What holds, or fails, for less than a minute can be missed."""
    n_steps = max(1, math.ceil((end_s - start_s) / _MINUTE_S))
    at_s = np.linspace(start_s, end_s, n_steps + 1)
    values = margin(at_s)
    change = np.flatnonzero((values[1:] >= 0) != (values[:-1] >= 0))
    share = values[change] / (values[change] - values[change + 1])
    edges = list(at_s[change] + share * (at_s[1] - at_s[0]))
    edges = [*([start_s] if values[0] >= 0 else []), *edges, *([end_s] if values[-1] >= 0 else [])]
    return [(float(a), float(b)) for a, b in zip(edges[0::2], edges[1::2], strict=True)]


def moon_over_ridges(
    sites: Sequence[Site], ground: Ground, table: SkyTable, spans: RowSpans
) -> tuple[RowSpans, Ints]:
    """Within spans of many sites in which the Moon is up (row: of a site): when its centre also stands above
    the site's ridge, so that its light reaches the foreground; and for each of the pieces the index of its
    span.

    Over a level horizon that is all the time it is up.
    """
    is_level = np.array([site.horizon.is_level for site in sites], dtype=np.bool_)
    rough = np.flatnonzero(~is_level[spans.row] & (spans.start_s < spans.end_s))
    level = np.flatnonzero(is_level[spans.row])
    parts, sources = [spans.pick(level)], [level]
    for low in range(0, len(rough), _SPANS_AT_ONCE):
        some = rough[low : low + _SPANS_AT_ONCE]
        pieces, source = _over_ridge(sites, ground, table, spans.pick(some))
        parts.append(pieces)
        sources.append(some[source])
    source = np.concatenate(sources)
    order = np.argsort(source, kind="stable")
    columns = ((part.row, part.start_s, part.end_s) for part in parts)
    row, start_s, end_s = (np.concatenate(column)[order] for column in zip(*columns, strict=True))
    return RowSpans(row, start_s, end_s), source[order]


def _over_ridge(
    sites: Sequence[Site], ground: Ground, table: SkyTable, spans: RowSpans
) -> tuple[RowSpans, Ints]:
    minutes = _Minutes.of(spans)
    margin = _moon_margins(sites, ground, table, minutes, spans.row)
    start, end = minutes.last + 1 - minutes.counts, minutes.last
    change = np.flatnonzero((margin[1:] >= 0) != (margin[:-1] >= 0))
    change = change[minutes.span[change] == minutes.span[change + 1]]
    share = margin[change] / (margin[change] - margin[change + 1])
    step_s = minutes.at_s[start + 1] - minutes.at_s[start]
    edges = minutes.at_s[change] + share * step_s[minutes.span[change]]
    opens, closes = np.flatnonzero(margin[start] >= 0), np.flatnonzero(margin[end] >= 0)
    span = np.concatenate([opens, minutes.span[change], closes])
    at_s = np.concatenate([spans.start_s[opens], edges, spans.end_s[closes]])
    order = np.argsort(span, kind="stable")
    source, at_s = span[order][0::2], at_s[order]
    return RowSpans(spans.row[source], at_s[0::2], at_s[1::2]), source


@dataclass(frozen=True)
class _Minutes:
    """Moments about a minute apart in each of n spans, as `true_spans` takes them, one after the other.

    span: shape (m,), index of each moment's span; at_s: shape (m,), POSIX seconds.
    counts: shape (n,), moments of each span; last: shape (n,), index of its last one.
    """

    span: Ints
    at_s: Floats
    counts: Ints
    last: Ints

    @classmethod
    def of(cls, spans: RowSpans) -> _Minutes:
        length_s = spans.end_s - spans.start_s
        n_steps = np.maximum(1, np.ceil(length_s / _MINUTE_S)).astype(np.intp)
        counts = n_steps + 1
        last = np.cumsum(counts) - 1
        span = np.repeat(np.arange(len(spans)), counts)
        place = np.arange(len(span)) - (last - n_steps)[span]
        at_s = place * (length_s / n_steps)[span] + spans.start_s[span]
        at_s[last] = spans.end_s
        return cls(span, at_s, counts, last)

    @property
    def looks(self) -> Ints:
        """Indices of every LOOK_EVERY-th moment of each span, and of its last one."""
        place = np.arange(len(self.span)) - (self.last + 1 - self.counts)[self.span]
        chosen = place % _LOOK_EVERY == 0
        chosen[self.last] = True
        return np.flatnonzero(chosen)


def _moon_margins(
    sites: Sequence[Site], ground: Ground, table: SkyTable, minutes: _Minutes, rows: Ints
) -> Floats:
    """How far the Moon's centre stands above the ridge, or, where it is far from it, any value of that sign.

    Between two looks the Moon's altitude moves by at most the Earth's turn: above the highest part of the
    ridge, or below the lowest, by more than that, it needs no closer look.
    """
    looks = minutes.looks
    rows = rows[minutes.span]
    altitude, margin = _look_at_moon(sites, ground, table, minutes.at_s[looks], rows[looks])
    margins = np.repeat(margin, np.diff(looks, append=len(rows)))
    can_turn = _TURN_DEG_S * np.diff(minutes.at_s[looks])
    unsure = np.ones(len(can_turn), dtype=np.bool_)
    for of_line, sign in ((max, 1.0), (min, -1.0)):
        limits = np.array([of_line(site.horizon.altitudes_deg, default=0.0) for site in sites])
        beyond = sign * (altitude - limits[rows[looks]])
        low, high = beyond[:-1], beyond[1:]
        unsure &= (np.minimum(low, high) <= 0) | (low + high <= can_turn)
    near = np.repeat(np.append(unsure, False), np.diff(looks, append=len(rows)))
    near[looks] = False
    closer = np.flatnonzero(near)
    _, margins[closer] = _look_at_moon(sites, ground, table, minutes.at_s[closer], rows[closer])
    return margins


def _look_at_moon(
    sites: Sequence[Site], ground: Ground, table: SkyTable, at_s: Floats, rows: Ints
) -> tuple[Floats, Floats]:
    """The Moon's altitude and how far above the ridge that is, in degrees, shape (m,) as at_s and rows, which
    ascend."""
    altitude, azimuth = ground.part(rows).altaz(table.moon_km(at_s)[:, None], near=True)
    altitude, azimuth = altitude[:, 0], azimuth[:, 0]
    ridge = np.empty_like(altitude)
    firsts = np.flatnonzero(np.diff(rows, prepend=-1))
    for first, after in pairwise([*firsts, len(rows)]):
        ridge[first:after] = ridge_deg(sites[rows[first]].horizon, azimuth[first:after])
    return altitude, altitude - ridge
