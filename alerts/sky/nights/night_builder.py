"""Nights from sky arithmetic: everything that happens in each, for many sites at once, in arrays and values.

Crossings are kept unrounded in the arrays and rounded in the `Night` values: to the second, 0.001 degrees and
0.0001 of the Moon, so that the same night comes out the same alone or among thousands. The tracks and shapes
of all windows are worked out together: for the shapes what turns slowly (precession, nutation, aberration) is
taken at both ends of each window and straight between, the Earth's rotation is added exactly. Over a night
that is right to a thousandth of an arcsecond; tests hold the nights equal to those made one by one.
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
from alerts.sky.band_shapes import SHAPES_BY_CODE, standing
from alerts.sky.brightness.total import loss_spans, site_sky
from alerts.sky.crossings import SUNRISE_DEG, Crossings, moon_crossings, sun_crossings
from alerts.sky.ephemeris import SIDEREAL_RATE_RAD_S, Ephemeris, SkyTable, posix_s, utc_from_posix
from alerts.sky.milky_way import GALACTIC_AXES, axes_in, epoch_of, longitudes_up_deg
from alerts.sky.night import (
    DAY_S,
    BodyEvents,
    BodyState,
    DarknessWish,
    DarkWindow,
    Night,
    Shape,
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
        ephemeris.require_nights(first, first)
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
    ephemeris.require_nights(first, first)
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
    """The shapes of each window, split at whole minutes, each minute taking those of its middle.

    moments_s: start, middle and end of each, shape (n, 3).
    """
    start_s, end_s = moments_s[:, 0], moments_s[:, 2]
    first_mark = np.floor(start_s / 60) + 1
    counts = (np.ceil(end_s / 60) - first_mark).astype(np.intp) + 1
    marks = (first_mark[:, None] + np.arange(counts.max())) * 60.0
    edges = np.concatenate([start_s[:, None], np.minimum(marks, end_s[:, None])], axis=1)
    zeniths = _Zeniths.of(whole, rows, moments_s)
    codes = _codes(zeniths, (edges[:, :-1] + edges[:, 1:]) / 2, whole.wishes.target.arc_l_deg)
    # neighbours that differ; counts tells how many minutes of each window are real
    begins = np.ones(codes.shape, dtype=np.bool_)
    begins[:, 1:] = codes[:, 1:] != codes[:, :-1]
    begins &= np.arange(codes.shape[1]) < counts[:, None]
    window, piece = np.nonzero(begins)
    last = np.append(window[1:] != window[:-1], True)
    after = np.where(last, counts[window], np.append(piece[1:], 0))
    code, from_s, to_s = codes[window, piece], edges[window, piece], edges[window, after]
    apex_deg = np.round(zeniths.part(window).lowest_apex_deg(from_s, to_s)).astype(np.intp)
    found: list[tuple[ShapeSpan, ...]] = [()] * len(codes)
    columns = (window, code, from_s, to_s, apex_deg)
    for index, stands, begin_s, until_s, top_deg in zip(*(each.tolist() for each in columns), strict=True):
        shape, *also = shapes = SHAPES_BY_CODE[stands]
        span = Span(utc_from_posix(begin_s), utc_from_posix(until_s))
        found[index] += (ShapeSpan(shape, span, tuple(also), top_deg if Shape.ARCH in shapes else None),)
    return found


def _codes(zeniths: _Zeniths, middles_s: Floats, arc_l_deg: tuple[float, float] | None) -> Ints:
    """Indices into SHAPES_BY_CODE for every minute, shape as `middles_s`: looked at every MINUTES_APART
    minutes, and each minute between two looks only where a limit may be reached there."""
    last = middles_s.shape[1] - 1
    looks = np.append(np.arange(0, last, MINUTES_APART), last)
    seen = standing(zeniths.at(middles_s[:, looks]), arc_l_deg)
    codes = np.append(np.repeat(seen.codes[:, :-1], np.diff(looks), axis=1), seen.codes[:, -1:], axis=1)
    window, look = np.nonzero(seen.may_change(TURN_DEG_S * np.diff(middles_s[:, looks], axis=1)))
    if len(window):
        minute = np.minimum(looks[look][:, None] + np.arange(1, MINUTES_APART), last)
        there = zeniths.part(window).at(middles_s[window[:, None], minute])
        codes[window[:, None], minute] = standing(there, arc_l_deg).codes
    return codes


@dataclass(frozen=True)
class _Zeniths:
    """The zenith through each of n windows.

    start_s, length_s: POSIX seconds, turned: the Earth's angle at the start and gained: what it turns through
    the window beyond its mean rate, radians, shape (n, 1). axes: the galactic ones on the true equator and
    equinox of date, each component times the zenith's there, and drift: their change through the window,
    shape (3, 3, n, 1), axis by component.
    """

    start_s: Floats
    length_s: Floats
    turned: Floats
    gained: Floats
    axes: Floats
    drift: Floats

    @classmethod
    def of(cls, whole: SiteNights, rows: Ints, moments_s: Floats) -> _Zeniths:
        """Of windows at some rows; moments_s: start, middle and end of each, shape (n, 3)."""
        ends_s, ground = moments_s[:, ::2], whole.ground.part(rows)
        beyond = whole.table.sidereal_rad(ends_s) - SIDEREAL_RATE_RAD_S * (ends_s - ends_s[:, :1])
        lat, lon = np.radians(ground.lat_deg), np.radians(ground.lon_deg)
        axes = whole.table.of_date(GALACTIC_AXES[:, None, None], ends_s)
        parts = np.stack([np.cos(lat), np.cos(lat), np.sin(lat)], axis=-1)
        scaled = np.moveaxis(axes * parts[:, None], -1, 1)[..., None, :]
        return cls(
            start_s=ends_s[:, :1],
            length_s=np.diff(ends_s, axis=1),
            turned=beyond[:, :1] + lon[:, None],
            gained=np.diff(beyond, axis=1),
            axes=scaled[..., 0],
            drift=scaled[..., 1] - scaled[..., 0],
        )

    def part(self, which: Ints) -> _Zeniths:
        start_s, length_s, turned, gained = (
            each[which] for each in (self.start_s, self.length_s, self.turned, self.gained)
        )
        return _Zeniths(start_s, length_s, turned, gained, self.axes[:, :, which], self.drift[:, :, which])

    def at(self, at_s: Floats) -> Floats:
        """Unit vectors in galactic axes, shape (3, n, m), at times of shape (n, m)."""
        since_s = at_s - self.start_s
        share = since_s / self.length_s
        turned = self.turned + SIDEREAL_RATE_RAD_S * since_s + self.gained * share
        cos, sin = np.cos(turned), np.sin(turned)
        zenith = np.empty((3, *at_s.shape))
        for axis, (x, y, z), (dx, dy, dz) in zip(zenith, self.axes, self.drift, strict=True):
            axis[:] = cos * (x + dx * share) + sin * (y + dy * share) + (z + dz * share)
        return zenith

    def lowest_apex_deg(self, from_s: Floats, to_s: Floats) -> Floats:
        """The least altitude of the band's apex in a span of each window, shape (n,): at one of its ends, or
        where the galactic pole stands in the meridian."""
        pole = np.arctan2(self.axes[2, 1], self.axes[2, 0])
        culminates_s = self.start_s + ((pole - self.turned) % math.pi) / SIDEREAL_RATE_RAD_S
        later_s = culminates_s + math.pi / SIDEREAL_RATE_RAD_S * np.arange(3)
        looks = np.clip(later_s, from_s[:, None], to_s[:, None])
        at_s = np.concatenate([from_s[:, None], to_s[:, None], looks], axis=1)
        return np.asarray(90 - np.degrees(np.arcsin(np.abs(self.at(at_s)[2]).max(axis=1))))


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
