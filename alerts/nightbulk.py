"""The readable nights of many sites, with what is the same work for all of them done at once.

`SiteNights.night` makes one night out of arrays and interpolates the sky for it alone. Here the tracks and
shapes of all windows are worked out together: what turns slowly (precession, nutation, aberration) is taken
at three moments of each window and drawn through them, the Earth's rotation is added exactly. Over a night
that is right to a millionth of an arcsecond; the nights are the same as those made one by one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import cast

import numpy as np
import numpy.typing as npt

from alerts.night import DarkWindow, Night, ShapeSpan, TargetKind
from alerts.nightbuild import SiteNights
from alerts.nightnames import DAY_S
from alerts.sky.ephemeris import SIDEREAL_RATE_RAD_S, SkyTable, utc_from_posix
from alerts.sky.ground import Ground
from alerts.sky.milkyway import (
    ARCH_BELOW_DEG,
    COLUMN_BELOW_DEG,
    COLUMN_TILT_DEG,
    CORE,
    OVERHEAD_ABOVE_DEG,
    POLE,
    SHAPES,
    Geometry,
    geometry,
    shape_codes,
)
from alerts.sky.targets import target_direction
from alerts.sky.tracks import track_point
from alerts.span import Span

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

WINDOWS_AT_ONCE = 256
MINUTES_APART = 8
TURN_DEG_S = 15.1 / 3600
"""A little more than the Earth turns, for the slow motions on top."""


def readable_nights(whole: SiteNights) -> Iterator[tuple[int, Night]]:
    """Every night as (row of its site, Night), site by site; equal to `whole.night` of each."""
    windows: defaultdict[tuple[int, int], list[DarkWindow]] = defaultdict(list)
    for low in range(0, len(whole.windows), WINDOWS_AT_ONCE):
        for key, window in _windows(whole, np.arange(low, min(low + WINDOWS_AT_ONCE, len(whole.windows)))):
            windows[key].append(window)
    middles = whole.first_s[:, None] + (np.arange(whole.count) + 0.5) * DAY_S
    lit = whole.table.moon_lit(middles)
    for row in range(len(whole.sites)):
        for night in range(whole.count):
            mine = tuple(windows.get((row, night), ()))
            yield row, whole.night(row, night, windows=mine, moon_lit=float(lit[row, night]))


def _windows(whole: SiteNights, which: Ints) -> Iterator[tuple[tuple[int, int], DarkWindow]]:
    """These windows, each with the row of its site and its night."""
    rows = whole.windows.row[which]
    start_s, end_s = np.round(whole.windows.start_s[which]), np.round(whole.windows.end_s[which])
    ends = np.stack([start_s, (start_s + end_s) / 2, end_s], axis=1)
    target = whole.wishes.target
    seen = whole.table.fixed(target_direction(target), ends)
    altitude, azimuth = whole.ground.part(rows).altaz(seen, near=False)
    shapes = _shapes(whole, rows, start_s, end_s, ends)
    for i, row in enumerate(rows):
        points = zip(ends[i], altitude[i], azimuth[i], strict=True)
        has_band = target.kind is TargetKind.BAND
        window = DarkWindow(
            Span(utc_from_posix(start_s[i]), utc_from_posix(end_s[i])),
            target,
            tuple(track_point(*point) for point in points),
            shapes[i],
            whole.longitudes_up_deg(int(row), float(ends[i, 1])) if has_band else (),
        )
        yield (int(row), int(whole.window_night[which[i]])), window


def _shapes(
    whole: SiteNights, rows: Ints, start_s: Floats, end_s: Floats, ends: Floats
) -> list[tuple[ShapeSpan, ...]]:
    """The shapes of each window, split at whole minutes, each minute taking that of its middle."""
    first_mark = np.floor(start_s / 60) + 1
    counts = (np.ceil(end_s / 60) - first_mark).astype(np.intp) + 1
    marks = (first_mark[:, None] + np.arange(counts.max())) * 60.0
    edges = np.concatenate([start_s[:, None], np.minimum(marks, end_s[:, None])], axis=1)
    middles = (edges[:, :-1] + edges[:, 1:]) / 2
    codes = _codes(whole, rows, _Drawn.through(whole.table, ends), middles)
    return [_pieces(codes[i, : counts[i]], edges[i, : counts[i] + 1]) for i in range(len(rows))]


def _codes(whole: SiteNights, rows: Ints, sky: _Drawn, middles: Floats) -> Ints:
    """Indices into SHAPES for every minute, shape as `middles`.

    Looked at every MINUTES_APART minutes; those between two looks are looked at only where one of the limits
    lies within what the turning sky can move in that time.
    """
    last = middles.shape[1] - 1
    looks = np.unique(np.append(np.arange(0, last, MINUTES_APART), last))
    ground: Ground = whole.ground.part(rows)
    seen = geometry(ground, cast(SkyTable, sky), middles[:, looks])
    codes = np.repeat(shape_codes(seen)[:, :-1], np.diff(looks), axis=1)
    codes = np.concatenate([codes, shape_codes(seen)[:, -1:]], axis=1)
    unsure = np.repeat(_unsure(seen, np.diff(middles[:, looks], axis=1)), np.diff(looks), axis=1)
    window, minute = np.nonzero(unsure)
    if len(window):
        near = geometry(
            ground.part(window), cast(SkyTable, sky.part(window)), middles[window, minute][:, None]
        )
        codes[window, minute] = shape_codes(near)[:, 0]
    return codes


def _unsure(seen: Geometry, apart_s: Floats) -> npt.NDArray[np.bool_]:
    """Whether a limit of the shapes can be crossed between two looks, shape (windows, looks - 1).

    Between them a height moves by at most the Earth's turn, and the tilt of a core below 45 degrees by at
    most that over the cosine of its height: with both ends further from a limit together, it isn't reached.
    """
    can_turn = TURN_DEG_S * apart_s
    core, tilt = seen.core_altitude_deg, np.nan_to_num(seen.tilt_deg)
    found = np.zeros(apart_s.shape, dtype=np.bool_)
    for values, limit in (
        *((core, limit) for limit in (OVERHEAD_ABOVE_DEG, COLUMN_BELOW_DEG, 0.0)),
        (seen.apex_altitude_deg, ARCH_BELOW_DEG),
    ):
        found |= _near(values - limit, can_turn)
    low = np.minimum(core[:, :-1], core[:, 1:]) < COLUMN_BELOW_DEG + can_turn
    highest = np.radians(np.minimum(COLUMN_BELOW_DEG + can_turn, 80.0))
    return found | (low & _near(tilt - COLUMN_TILT_DEG, can_turn / np.cos(highest)))


def _near(beyond: Floats, can_move: Floats) -> npt.NDArray[np.bool_]:
    return np.abs(beyond[:, :-1]) + np.abs(beyond[:, 1:]) <= can_move


def _pieces(codes: Ints, edges: Floats) -> tuple[ShapeSpan, ...]:
    firsts = [0, *(np.flatnonzero(codes[1:] != codes[:-1]) + 1).tolist()]
    marks = [utc_from_posix(float(edges[index])) for index in (*firsts, len(codes))]
    return tuple(
        ShapeSpan(SHAPES[codes[first]], Span(start, end))
        for first, start, end in zip(firsts, marks, marks[1:], strict=False)
    )


@dataclass(frozen=True)
class _Drawn:
    """A stand-in for SkyTable.fixed over n windows, drawn through three moments of each.

    ends: shape (n, 3), the moments, POSIX seconds. beyond_mean: sidereal time less what its mean rate makes
    of the time since origin_s, shape (n, 3). of_date: by ICRS direction, the places on the true equator and
    equinox of date at those moments, shape (n, 3, 3).
    """

    origin_s: float
    ends: Floats
    beyond_mean: Floats
    of_date: dict[bytes, Floats]

    @classmethod
    def through(cls, table: SkyTable, ends: Floats) -> _Drawn:
        origin_s = float(ends[0, 0])
        beyond_mean = table.sidereal_rad(ends) - SIDEREAL_RATE_RAD_S * (ends - origin_s)
        of_date = {icrs.tobytes(): table.of_date(icrs, ends) for icrs in (CORE, POLE)}
        return cls(origin_s, ends, beyond_mean, of_date)

    def part(self, windows: Ints) -> _Drawn:
        """The same for some of the windows, one row for each index."""
        of_date = {icrs: places[windows] for icrs, places in self.of_date.items()}
        return _Drawn(self.origin_s, self.ends[windows], self.beyond_mean[windows], of_date)

    def fixed(self, icrs: Floats, at_s: Floats) -> Floats:
        """Earth-fixed unit vectors, shape (n, m, 3), of the core or the pole at times of shape (n, m)."""
        weights = self._weights(at_s)
        x, y, z = np.moveaxis(np.einsum("nmk,nkc->nmc", weights, self.of_date[icrs.tobytes()]), -1, 0)
        turned = SIDEREAL_RATE_RAD_S * (at_s - self.origin_s)
        sidereal = turned + np.einsum("nmk,nk->nm", weights, self.beyond_mean)
        cos, sin = np.cos(sidereal), np.sin(sidereal)
        return np.stack([cos * x + sin * y, cos * y - sin * x, z], axis=-1)

    def _weights(self, at_s: Floats) -> Floats:
        """Of the parabola through the three moments, shape (n, m, 3)."""
        start, end = self.ends[:, :1], self.ends[:, 2:]
        u = (at_s - start) / (end - start)
        return np.stack([(1 - u) * (1 - 2 * u), 4 * u * (1 - u), u * (2 * u - 1)], axis=-1)
