"""Night values from the arrays of many sites, with what is the same work for all of them done at once.

The tracks and shapes of all windows are worked out together: what turns slowly (precession, nutation,
aberration) is taken at three moments of each window and drawn through them, the Earth's rotation is added
exactly. Over a night that is right to a millionth of an arcsecond; tests hold the nights equal to those made
one by one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import numpy.typing as npt

from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.crossings import Crossings
from alerts.sky.ephemeris import SIDEREAL_RATE_RAD_S, Ephemeris, SkyTable, utc_from_posix
from alerts.sky.milky_way import (
    ARCH_BELOW_DEG,
    COLUMN_BELOW_DEG,
    COLUMN_TILT_DEG,
    CORE,
    OVERHEAD_ABOVE_DEG,
    POLE,
    SHAPES,
    Geometry,
    geometry_of,
    shape_codes,
)
from alerts.sky.night import (
    BodyEvents,
    BodyState,
    DarkWindow,
    Night,
    ShapeSpan,
    SkyWishes,
    TargetKind,
)
from alerts.sky.night_calendar import DAY_S
from alerts.sky.nights.night_events import SiteNights, nights_for_sites
from alerts.sky.observers import Ground
from alerts.sky.span_arrays import RowSpans, overlaps
from alerts.sky.target_visibility import target_direction
from alerts.sky.tracks import moon_over_ridges, track_point

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

WINDOWS_AT_ONCE = 256
MINUTES_APART = 8
TURN_DEG_S = 15.1 / 3600
"""A little more than the Earth turns, for the slow motions on top."""


def readable_nights(whole: SiteNights) -> Iterator[tuple[int, Night]]:
    """Every night as (row of its site, Night), site by site."""
    nights = whole.nights
    lit = whole.table.moon_lit((nights.start_s + nights.end_s) / 2).tolist()
    sun, civil, nautical, astronomical, moon = (
        _events(whole, each)
        for each in (whole.sun, whole.civil, whole.nautical, whole.astronomical, whole.moon)
    )
    spans = _by_night(nights, nights, np.arange(len(nights)))
    dark = _by_night(nights, *overlaps(nights, whole.dark.spans(up=False)))
    moonless = _by_night(nights, *overlaps(nights, whole.moon.spans(up=False)))
    foreground_moonlit = _by_night(nights, *_foreground_moonlit(whole))
    windows = _windows(whole)
    for index, row in enumerate(nights.row.tolist()):
        yield (
            row,
            Night(
                name=whole.name(row, index % whole.count),
                span=spans[index][0],
                sun=sun[index],
                civil=civil[index],
                nautical=nautical[index],
                astronomical=astronomical[index],
                moon=moon[index],
                moon_lit=round(lit[index], 4),
                dark=dark[index],
                moonless=moonless[index],
                windows=windows[index],
                wishes=whole.wishes,
                foreground_moonlit=foreground_moonlit[index],
            ),
        )


def _times(at_s: Floats) -> list[datetime]:
    """The aware UTC times nearest to POSIX times, shape (n,), to the whole second."""
    return [utc_from_posix(each) for each in at_s.tolist()]


def _events(whole: SiteNights, crossings: Crossings) -> list[BodyEvents]:
    """What a body does in each of the nights."""
    times = _times(crossings.at_s)
    up, first = crossings.of_rows(whole.first_s[:, None] + np.arange(whole.count + 1) * DAY_S)
    firsts, afters = first[:, :-1].ravel().tolist(), first[:, 1:].ravel().tolist()
    return [
        body_events(is_up, times[first:after])
        for is_up, first, after in zip(up[:, :-1].ravel().tolist(), firsts, afters, strict=True)
    ]


def _by_night(nights: RowSpans, held: RowSpans, night: Ints) -> list[tuple[Span, ...]]:
    """The spans in each of the nights to the second; those that round to nothing are left out.

    night: shape (n_held,), index of the night that each span lies in.
    """
    found: list[tuple[Span, ...]] = [()] * len(nights)
    for index, start, end in zip(night.tolist(), _times(held.start_s), _times(held.end_s), strict=True):
        if start < end:
            found[index] += (Span(start, end),)
    return found


def _foreground_moonlit(whole: SiteNights) -> tuple[RowSpans, Ints]:
    """When the Moon, between sunset and sunrise, shines over the ridges, and the index of the night."""
    held, night = overlaps(whole.nights, whole.sun.spans(up=False))
    held, parent = overlaps(held, whole.moon.spans(up=True))
    pieces, source = moon_over_ridges(whole.sites, whole.ground, whole.table, held)
    return pieces, night[parent][source]


def _windows(whole: SiteNights) -> list[tuple[DarkWindow, ...]]:
    """The dark windows of each of the nights; those of about the same length are worked out together."""
    by_length = np.argsort(whole.windows.end_s - whole.windows.start_s)
    chunks = (by_length[low : low + WINDOWS_AT_ONCE] for low in range(0, len(by_length), WINDOWS_AT_ONCE))
    made = [window for which in chunks for window in _some_windows(whole, which)]
    found: list[tuple[DarkWindow, ...]] = [()] * len(whole.nights)
    nights = whole.windows.row * whole.count + whole.window_night
    for index, place in zip(nights.tolist(), np.argsort(by_length).tolist(), strict=True):
        found[index] += (made[place],)
    return found


def _some_windows(whole: SiteNights, which: Ints) -> Iterator[DarkWindow]:
    rows = whole.windows.row[which]
    start_s, end_s = np.round(whole.windows.start_s[which]), np.round(whole.windows.end_s[which])
    ends = np.stack([start_s, (start_s + end_s) / 2, end_s], axis=1)
    target = whole.wishes.target
    seen = whole.table.fixed(target_direction(target), ends)
    altitude, azimuth = whole.ground.part(rows).altaz(seen, near=False)
    tracks = np.stack([ends, altitude, azimuth], axis=-1).tolist()
    shapes = _shapes(whole, rows, start_s, end_s, ends)
    has_band = target.kind is TargetKind.BAND
    for row, points, shape in zip(rows.tolist(), tracks, shapes, strict=True):
        track = tuple(track_point(*point) for point in points)
        up = whole.longitudes_up_deg(row, points[1][0]) if has_band else ()
        yield DarkWindow(Span(track[0].at, track[-1].at), target, track, shape, up)


def _shapes(
    whole: SiteNights, rows: Ints, start_s: Floats, end_s: Floats, ends: Floats
) -> list[tuple[ShapeSpan, ...]]:
    """The shapes of each window, split at whole minutes, each minute taking that of its middle."""
    first_mark = np.floor(start_s / 60) + 1
    counts = (np.ceil(end_s / 60) - first_mark).astype(np.intp) + 1
    marks = (first_mark[:, None] + np.arange(counts.max())) * 60.0
    edges = np.concatenate([start_s[:, None], np.minimum(marks, end_s[:, None])], axis=1)
    middles = (edges[:, :-1] + edges[:, 1:]) / 2
    return _pieces(_codes(whole, rows, _Drawn.through(whole.table, ends), middles), edges, counts)


def _codes(whole: SiteNights, rows: Ints, sky: _Drawn, middles: Floats) -> Ints:
    """Indices into SHAPES for every minute, shape as `middles`.

    Looked at every MINUTES_APART minutes; those between two looks are looked at only where one of the limits
    lies within what the turning sky can move in that time.
    """
    last = middles.shape[1] - 1
    looks = np.unique(np.append(np.arange(0, last, MINUTES_APART), last))
    ground: Ground = whole.ground.part(rows)
    seen = geometry_of(ground, *sky.core_and_pole(middles[:, looks]))
    codes = np.repeat(shape_codes(seen)[:, :-1], np.diff(looks), axis=1)
    codes = np.concatenate([codes, shape_codes(seen)[:, -1:]], axis=1)
    window, look = np.nonzero(_unsure(seen, np.diff(middles[:, looks], axis=1)))
    if len(window):
        minute = np.minimum(looks[look][:, None] + np.arange(1, MINUTES_APART), last)
        there = sky.part(window).core_and_pole(middles[window[:, None], minute])
        codes[window[:, None], minute] = shape_codes(geometry_of(ground.part(window), *there))
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


def _pieces(codes: Ints, edges: Floats, counts: Ints) -> list[tuple[ShapeSpan, ...]]:
    """The shapes of each window, neighbours differing.

    codes: of each piece of each window; edges: where the pieces begin and end; counts: how many are real.
    """
    begins = np.ones(codes.shape, dtype=np.bool_)
    begins[:, 1:] = codes[:, 1:] != codes[:, :-1]
    begins &= np.arange(codes.shape[1]) < counts[:, None]
    window, piece = np.nonzero(begins)
    last = np.append(window[1:] != window[:-1], True)
    after = np.where(last, counts[window], np.append(piece[1:], 0))
    found: list[tuple[ShapeSpan, ...]] = [()] * len(codes)
    for index, code, start, end in zip(
        window.tolist(),
        codes[window, piece].tolist(),
        _times(edges[window, piece]),
        _times(edges[window, after]),
        strict=True,
    ):
        found[index] += (ShapeSpan(SHAPES[code], Span(start, end)),)
    return found


@dataclass(frozen=True)
class _Drawn:
    """The core and the galactic pole over n windows, drawn through three moments of each.

    ends: shape (n, 3), the moments, POSIX seconds. beyond_mean: sidereal time less what its mean rate makes
    of the time since origin_s, shape (n, 3). of_date: the places of core and pole on the true equator and
    equinox of date at those moments, side by side, shape (n, 3, 6).
    """

    origin_s: float
    ends: Floats
    beyond_mean: Floats
    of_date: Floats

    @classmethod
    def through(cls, table: SkyTable, ends: Floats) -> _Drawn:
        origin_s = float(ends[0, 0])
        beyond_mean = table.sidereal_rad(ends) - SIDEREAL_RATE_RAD_S * (ends - origin_s)
        core, pole = table.of_date(np.stack([CORE, POLE])[:, None, None], ends)
        return cls(origin_s, ends, beyond_mean, np.concatenate([core, pole], axis=-1))

    def part(self, windows: Ints) -> _Drawn:
        """The same for some of the windows, one row for each index."""
        return _Drawn(self.origin_s, self.ends[windows], self.beyond_mean[windows], self.of_date[windows])

    def core_and_pole(self, at_s: Floats) -> tuple[Floats, Floats]:
        """Earth-fixed unit vectors, shape (n, m, 3) each, at times of shape (n, m)."""
        weights = self._weights(at_s)
        places = weights @ self.of_date
        turned = SIDEREAL_RATE_RAD_S * (at_s - self.origin_s)
        sidereal = turned + (weights @ self.beyond_mean[..., None])[..., 0]
        cos, sin = np.cos(sidereal), np.sin(sidereal)
        core, pole = (
            np.stack([cos * x + sin * y, cos * y - sin * x, z], axis=-1)
            for x, y, z in np.moveaxis(places, -1, 0).reshape(2, 3, *at_s.shape)
        )
        return core, pole

    def _weights(self, at_s: Floats) -> Floats:
        """Of the parabola through the three moments, shape (n, m, 3)."""
        start, end = self.ends[:, :1], self.ends[:, 2:]
        u = (at_s - start) / (end - start)
        return np.stack([(1 - u) * (1 - 2 * u), 4 * u * (1 - u), u * (2 * u - 1)], axis=-1)


def body_events(up: bool, times: Sequence[datetime]) -> BodyEvents:
    """A night's crossings as rises and sets. up: whether the body is up at its start."""
    rises, sets = (times[1::2], times[0::2]) if up else (times[0::2], times[1::2])
    never = BodyState.ALWAYS_UP if up else BodyState.ALWAYS_DOWN
    return BodyEvents(tuple(rises), tuple(sets), BodyState.CROSSES if times else never, up)


def night_named(site: Site, name: date, wishes: SkyWishes, ephemeris: Ephemeris) -> Night:
    """The night of that name at a site.

    Raises BadInput where the site's calendar left the date out, OutsideEphemeris for years that the
    kernel doesn't hold.
    """
    return nights(site, name, 1, wishes, ephemeris)[0]


def nights(site: Site, first: date, count: int, wishes: SkyWishes, ephemeris: Ephemeris) -> tuple[Night, ...]:
    """`count` consecutive nights at a site from the night named `first`; errors as `night_named`."""
    whole = nights_for_sites([site], first, count, wishes, ephemeris)
    return tuple(night for _, night in readable_nights(whole))
