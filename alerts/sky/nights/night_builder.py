"""Nights from sky arithmetic: everything that happens in each, for many sites at once, in arrays and values.

Crossings are kept unrounded in the arrays and rounded in the `Night` values: to the second, 0.001 degrees and
0.0001 of the Moon, so that the same night comes out the same alone or among thousands. The tracks and shapes
of all windows are worked out together: what turns slowly (precession, nutation, aberration) is taken at three
moments of each window and drawn through them, the Earth's rotation is added exactly. Over a night that is
right to a millionth of an arcsecond; tests hold the nights equal to those made one by one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import numpy.typing as npt

from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.brightness.total import loss_spans, site_sky
from alerts.sky.crossings import SUNRISE_DEG, Crossings, moon_crossings, sun_crossings
from alerts.sky.ephemeris import SIDEREAL_RATE_RAD_S, Ephemeris, SkyTable, posix_s, utc_from_posix
from alerts.sky.milky_way import (
    ARCH_BELOW_DEG,
    COLUMN_BELOW_DEG,
    COLUMN_TILT_DEG,
    CORE,
    OVERHEAD_ABOVE_DEG,
    POLE,
    SHAPES,
    axes_in,
    epoch_of,
    geometry_of,
    longitudes_up_deg,
    shape_codes,
)
from alerts.sky.night import (
    DAY_S,
    BodyEvents,
    BodyState,
    DarknessWish,
    DarkWindow,
    Night,
    ShapeSpan,
    SkyWishes,
    TargetKind,
    name_of,
    night_start_s,
    number_at,
    number_named,
)
from alerts.sky.observers import Ground
from alerts.sky.span_arrays import RowSpans, overlaps
from alerts.sky.target_visibility import (
    lowest_altitudes_deg,
    shortest_window_s,
    target_direction,
    target_spans,
)
from alerts.sky.tracks import moon_over_ridges, track_point

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG, NEAR_DEG = -6.0, -12.0, -18.0, -15.0
"""Sun's centre, airless: USNO's twilights, and the less dark wish."""
NIGHTS_AT_ONCE = 64
"""Of one site: a year in one piece takes up to 35 MB where a loss of darkness is accepted, two months 12."""
WINDOWS_AT_ONCE = 256
MINUTES_APART = 8
TURN_DEG_S = 15.1 / 3600
"""A little more than the Earth turns, for the slow motions on top."""


@dataclass(frozen=True)
class SiteNights:
    """Every night from one number on, at many sites, as flat arrays; `readable_nights` makes Night values.

    first_number: shape (n,), each site's first night; count: nights at each site; nights: all of them, site
    by site; windows: all dark windows, row = site; window_night: shape (n_windows,), 0..count - 1.
    """

    sites: Sequence[Site]
    wishes: SkyWishes
    first_number: Ints
    count: int
    nights: RowSpans
    table: SkyTable
    ground: Ground
    sun: Crossings
    civil: Crossings
    nautical: Crossings
    astronomical: Crossings
    dark: Crossings
    moon: Crossings
    windows: RowSpans
    window_night: Ints

    def name(self, row: int, night: int) -> date:
        return name_of(self.sites[row], int(self.first_number[row]) + night)


def nights_for_sites(
    sites: Sequence[Site], first: date | int, count: int, wishes: SkyWishes, ephemeris: Ephemeris
) -> SiteNights:
    """`count` nights from the one of that name, or number, at each of many sites, in one vectorised pass.

    The answer holds arrays; `readable_nights` makes Night values of them. More than about a thousand sites
    and a year are better asked for in parts, so that memory stays small. Raises BadInput where a calendar
    left the date out, OutsideEphemeris for years the kernel doesn't hold, ValueError without a site or a
    night.
    """
    if not sites or count < 1:
        raise ValueError(phrase("sky.nights-need-sites", sites=len(sites), nights=count))
    if isinstance(first, date):
        ephemeris.require_dates(first, first)
        first_number = [number_named(site, first) for site in sites]
    else:
        first_number = [first] * len(sites)
    first_s = np.array([float(night_start_s(s, k)) for s, k in zip(sites, first_number, strict=True)])
    table = ephemeris.table(float(first_s.min()), float(first_s.max()) + count * DAY_S)
    ground = Ground.of(sites)
    near = wishes.darkness is DarknessWish.NEAR
    levels = (SUNRISE_DEG, CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG, *((NEAR_DEG,) if near else ()))
    sun = sun_crossings(ground, table, levels)
    moon = moon_crossings(ground, table)
    start_s = (first_s[:, None] + np.arange(count) * float(DAY_S)).ravel()
    nights = RowSpans(np.repeat(np.arange(len(sites)), count), start_s, start_s + DAY_S)

    # a dark window: the time in one night on which all conditions hold
    windows, night = overlaps(nights, sun[-1].spans(up=False))
    if wishes.moonless:
        windows, parent = overlaps(windows, moon.spans(up=False))
        night = night[parent]
    lowest, horizons = lowest_altitudes_deg(sites, wishes), [site.horizon for site in sites]
    windows, parent = overlaps(windows, target_spans(ground, horizons, table, wishes.target, lowest))
    night = night[parent]
    if not wishes.moonless and wishes.most_loss_mag is not None:
        # a thin Moon low in the sky may stay: looked at only where all else holds already
        skies = [site_sky(site) for site in sites]
        windows, parent = loss_spans(skies, table, wishes.target, wishes.most_loss_mag, windows)
        night = night[parent]
    length_s = np.round(windows.end_s) - np.round(windows.start_s)
    real = (length_s > 0) & (length_s >= shortest_window_s(wishes))
    return SiteNights(
        sites=sites,
        wishes=wishes,
        first_number=np.asarray(first_number, dtype=np.intp),
        count=count,
        nights=nights,
        table=table,
        ground=ground,
        sun=sun[0],
        civil=sun[1],
        nautical=sun[2],
        astronomical=sun[3],
        dark=sun[-1],
        moon=moon,
        windows=windows.pick(real),
        window_night=night[real] % count,
    )


def site_in_blocks(
    site: Site, first: date, count: int, wishes: SkyWishes, ephemeris: Ephemeris
) -> Iterator[SiteNights]:
    """As `nights_for_sites` of one site, some two months at a time, so that memory stays small."""
    ephemeris.require_dates(first, first)
    number = number_named(site, first)
    for low in range(0, count, NIGHTS_AT_ONCE):
        yield nights_for_sites([site], number + low, min(NIGHTS_AT_ONCE, count - low), wishes, ephemeris)


def tonight_name(site: Site, at: datetime, ephemeris: Ephemeris) -> date:
    """The name of the night now running, until its sunrise; after that of the coming night.

    Where the Sun doesn't rise in it, of the night that contains the time.
    """
    number = number_at(site, at)
    start_s = float(night_start_s(site, number))
    table = ephemeris.table(start_s, start_s + DAY_S)
    sun = sun_crossings(Ground.of([site]), table, [SUNRISE_DEG])[0]
    rises = sun.at_s[1::2] if sun.up_at_first[0] else sun.at_s[0::2]
    is_past_sunrise = len(rises) > 0 and posix_s(at) >= rises[-1]
    return name_of(site, number + is_past_sunrise)


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
    # the ground is lit where the Moon, between sunset and sunrise, shines over the ridges
    sunless, night = overlaps(nights, whole.sun.spans(up=False))
    moonlit, parent = overlaps(sunless, whole.moon.spans(up=True))
    pieces, source = moon_over_ridges(whole.sites, whole.ground, whole.table, moonlit)
    foreground_moonlit = _by_night(nights, pieces, night[parent][source])
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


def _events(whole: SiteNights, crossings: Crossings) -> list[BodyEvents]:
    """What a body does in each of the nights: its crossings as rises and sets."""
    times = [utc_from_posix(at_s) for at_s in crossings.at_s.tolist()]
    # index of the first crossing that lies not before each night's start, and the last night's end
    bounds = crossings.bounds
    edges_s = whole.nights.start_s.reshape(-1, whole.count)
    edges_s = np.append(edges_s, edges_s[:, -1:] + DAY_S, axis=1)
    sites = zip(bounds[:-1], bounds[1:], edges_s, strict=True)
    first = np.array([low + np.searchsorted(crossings.at_s[low:high], at) for low, high, at in sites])
    starts_up = crossings.up_at_first[:, None] ^ ((first - bounds[:-1, None]) % 2 == 1)
    found = []
    columns = (starts_up[:, :-1], first[:, :-1], first[:, 1:])
    for is_up, start, end in zip(*(column.ravel().tolist() for column in columns), strict=True):
        own = tuple(times[start:end])
        rises, sets = (own[1::2], own[0::2]) if is_up else (own[0::2], own[1::2])
        never = BodyState.ALWAYS_UP if is_up else BodyState.ALWAYS_DOWN
        found.append(BodyEvents(rises, sets, BodyState.CROSSES if own else never, is_up))
    return found


def _by_night(nights: RowSpans, held: RowSpans, night: Ints) -> list[tuple[Span, ...]]:
    """The spans in each of the nights to the second; those that round to nothing are left out.

    night: shape (n_held,), index of the night that each span lies in.
    """
    found: list[tuple[Span, ...]] = [()] * len(nights)
    for index, start_s, end_s in zip(night.tolist(), held.start_s.tolist(), held.end_s.tolist(), strict=True):
        start, end = utc_from_posix(start_s), utc_from_posix(end_s)
        if start < end:
            found[index] += (Span(start, end),)
    return found


def _windows(whole: SiteNights) -> list[tuple[DarkWindow, ...]]:
    """The dark windows of each of the nights; those of about the same length are worked out together."""
    windows, target = whole.windows, whole.wishes.target
    by_length = np.argsort(windows.end_s - windows.start_s)
    made: dict[int, DarkWindow] = {}
    for low in range(0, len(by_length), WINDOWS_AT_ONCE):
        which = by_length[low : low + WINDOWS_AT_ONCE]
        rows = windows.row[which]
        start_s, end_s = np.round(windows.start_s[which]), np.round(windows.end_s[which])
        moments_s = np.stack([start_s, (start_s + end_s) / 2, end_s], axis=1)
        seen = whole.table.fixed(target_direction(target), moments_s)
        altitude, azimuth = whole.ground.part(rows).altaz(seen, near=False)
        tracks = np.stack([moments_s, altitude, azimuth], axis=-1).tolist()
        shapes = _shapes(whole, rows, moments_s)
        for window, row, points, shape in zip(which.tolist(), rows.tolist(), tracks, shapes, strict=True):
            track = tuple(track_point(*point) for point in points)
            up: tuple[tuple[float, float], ...] = ()
            if target.kind is TargetKind.BAND:
                middle_s, site = points[1][0], whole.sites[row]
                sidereal = float(whole.table.sidereal_rad(middle_s)) + math.radians(site.lon_deg)
                axes = axes_in(float(epoch_of(middle_s)))
                up = longitudes_up_deg(site, sidereal, axes, target.arc_l_deg)
            made[window] = DarkWindow(Span(track[0].at, track[-1].at), target, track, shape, up)
    found: list[tuple[DarkWindow, ...]] = [()] * len(whole.nights)
    for window, night in enumerate((windows.row * whole.count + whole.window_night).tolist()):
        found[night] += (made[window],)
    return found


def _shapes(whole: SiteNights, rows: Ints, moments_s: Floats) -> list[tuple[ShapeSpan, ...]]:
    """The shapes of each window, split at whole minutes, each minute taking that of its middle.

    moments_s: start, middle and end of each, shape (n, 3).
    """
    start_s, end_s = moments_s[:, 0], moments_s[:, 2]
    first_mark = np.floor(start_s / 60) + 1
    counts = (np.ceil(end_s / 60) - first_mark).astype(np.intp) + 1
    marks = (first_mark[:, None] + np.arange(counts.max())) * 60.0
    edges = np.concatenate([start_s[:, None], np.minimum(marks, end_s[:, None])], axis=1)
    codes = _codes(whole, rows, moments_s, (edges[:, :-1] + edges[:, 1:]) / 2)
    # neighbours that differ; counts tells how many minutes of each window are real
    begins = np.ones(codes.shape, dtype=np.bool_)
    begins[:, 1:] = codes[:, 1:] != codes[:, :-1]
    begins &= np.arange(codes.shape[1]) < counts[:, None]
    window, piece = np.nonzero(begins)
    last = np.append(window[1:] != window[:-1], True)
    after = np.where(last, counts[window], np.append(piece[1:], 0))
    found: list[tuple[ShapeSpan, ...]] = [()] * len(codes)
    columns = window, codes[window, piece], edges[window, piece], edges[window, after]
    for index, code, from_s, to_s in zip(*(column.tolist() for column in columns), strict=True):
        found[index] += (ShapeSpan(SHAPES[code], Span(utc_from_posix(from_s), utc_from_posix(to_s))),)
    return found


def _codes(whole: SiteNights, rows: Ints, moments_s: Floats, middles_s: Floats) -> Ints:
    """Indices into SHAPES for every minute, shape as `middles_s`.

    Looked at every MINUTES_APART minutes; those between two looks are looked at only where one of the limits
    lies within what the turning sky can move in that time: between them a height moves by at most the Earth's
    turn, and the tilt of a core below 45 degrees by at most that over the cosine of its height, so with both
    ends further from a limit together, it isn't reached.
    """
    core, pole = whole.table.of_date(np.stack([CORE, POLE])[:, None, None], moments_s)
    beyond_mean = whole.table.sidereal_rad(moments_s) - SIDEREAL_RATE_RAD_S * (moments_s - moments_s[:, :1])
    slow = np.concatenate([beyond_mean[..., None], core, pole], axis=-1)
    ground: Ground = whole.ground.part(rows)
    last = middles_s.shape[1] - 1
    looks = np.unique(np.append(np.arange(0, last, MINUTES_APART), last))
    seen = geometry_of(ground, *_core_and_pole(moments_s, slow, middles_s[:, looks]))
    codes = shape_codes(seen)
    codes = np.append(np.repeat(codes[:, :-1], np.diff(looks), axis=1), codes[:, -1:], axis=1)

    can_turn = TURN_DEG_S * np.diff(middles_s[:, looks], axis=1)
    altitude, tilt = seen.core_altitude_deg, np.nan_to_num(seen.tilt_deg)
    limits = (OVERHEAD_ABOVE_DEG, COLUMN_BELOW_DEG, 0.0)
    beyond = [*(altitude - limit for limit in limits), seen.apex_altitude_deg - ARCH_BELOW_DEG]
    nearest = [np.abs(each[:, :-1]) + np.abs(each[:, 1:]) for each in (*beyond, tilt - COLUMN_TILT_DEG)]
    low = np.minimum(altitude[:, :-1], altitude[:, 1:]) < COLUMN_BELOW_DEG + can_turn
    can_tilt = can_turn / np.cos(np.radians(np.minimum(COLUMN_BELOW_DEG + can_turn, 80.0)))
    is_unsure = (low & (nearest[-1] <= can_tilt)) | (np.min(nearest[:-1], axis=0) <= can_turn)
    window, look = np.nonzero(is_unsure)
    if len(window):
        minute = np.minimum(looks[look][:, None] + np.arange(1, MINUTES_APART), last)
        there = _core_and_pole(moments_s[window], slow[window], middles_s[window[:, None], minute])
        codes[window[:, None], minute] = shape_codes(geometry_of(ground.part(window), *there))
    return codes


def _core_and_pole(moments_s: Floats, slow: Floats, at_s: Floats) -> tuple[Floats, Floats]:
    """Earth-fixed unit vectors of core and galactic pole, shape (n, m, 3) each, at times of shape (n, m).

    slow: at three moments of each of n windows, shape (n, 3, 7): sidereal time less what its mean rate makes
    of the time since the first one, then core and pole on the true equator and equinox of date.
    """
    start_s, end_s = moments_s[:, :1], moments_s[:, 2:]
    u = (at_s - start_s) / (end_s - start_s)
    through_three = np.stack([(1 - u) * (1 - 2 * u), 4 * u * (1 - u), u * (2 * u - 1)], axis=-1)
    beyond_mean, *places = np.moveaxis(through_three @ slow, -1, 0)
    sidereal = SIDEREAL_RATE_RAD_S * (at_s - start_s) + beyond_mean
    cos, sin = np.cos(sidereal), np.sin(sidereal)
    core, pole = (
        np.stack([cos * x + sin * y, cos * y - sin * x, z], axis=-1) for x, y, z in (places[:3], places[3:])
    )
    return core, pole


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
