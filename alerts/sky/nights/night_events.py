"""Nights from sky arithmetic: everything that happens in each, for many sites at once.

Crossings are kept unrounded in the arrays and rounded in the `Night` values: to the second, 0.001 degrees and
0.0001 of the Moon, so that the same night comes out the same alone or among thousands.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property

import numpy as np
import numpy.typing as npt

from alerts.common.phrases import phrase
from alerts.sites.model import Site
from alerts.sky import milky_way_band
from alerts.sky.brightness.loss import loss_spans
from alerts.sky.brightness.total import site_sky
from alerts.sky.crossings import SUNRISE_DEG, Crossings, moon_crossings, sun_crossings
from alerts.sky.ephemeris import Ephemeris, SkyTable, posix_s
from alerts.sky.night import (
    DarknessWish,
    SkyWishes,
    Target,
)
from alerts.sky.night_calendar import DAY_S, name_of, night_start_s, number_at, number_named
from alerts.sky.observers import Ground
from alerts.sky.span_arrays import RowSpans, overlaps
from alerts.sky.target_visibility import default_lowest_deg, target_direction, target_spans

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG, NEAR_DEG = -6.0, -12.0, -18.0, -15.0
"""Sun's centre, airless: USNO's twilights, and the less dark wish."""
SITES_AT_ONCE = 500
NIGHTS_AT_ONCE = 64
"""Of one site: a year in one piece takes up to 35 MB where a loss of darkness is accepted, two months 12."""


@dataclass(frozen=True)
class SiteNights:
    """Every night from one number on, at many sites, as flat arrays; `readable_nights` (night_builder.py)
    makes Night values of them.

    first_number: shape (n,), each site's first night; count: nights at each site.
    windows: all dark windows, row = site; window_night: shape (n_windows,), 0..count - 1.
    """

    sites: Sequence[Site]
    wishes: SkyWishes
    first_number: Ints
    count: int
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

    @cached_property
    def first_s(self) -> Floats:
        """Start of each site's first night, POSIX seconds."""
        starts = [night_start_s(s, int(k)) for s, k in zip(self.sites, self.first_number, strict=True)]
        return np.array(starts, dtype=np.float64)

    @cached_property
    def nights(self) -> RowSpans:
        """All nights, site by site."""
        return _nights_of(self.first_s, self.count)

    @property
    def window_minutes(self) -> Floats:
        """Minutes of dark window in each night, shape (n_sites, count)."""
        total = np.zeros((len(self.sites), self.count))
        minutes = (self.windows.end_s - self.windows.start_s) / 60
        np.add.at(total, (self.windows.row, self.window_night), minutes)
        return total

    def name(self, row: int, night: int) -> date:
        return name_of(self.sites[row], int(self.first_number[row]) + night)

    def longitudes_up_deg(self, row: int, at_s: float) -> tuple[tuple[float, float], ...]:
        """The stretches of galactic longitude that one site sees up at a time, for the target `band`."""
        site = self.sites[row]
        sidereal = float(self.table.sidereal_rad(at_s)) + math.radians(site.lon_deg)
        axes = milky_way_band.axes_in(float(milky_way_band.epoch_of(at_s)))
        arc = self.wishes.target.arc_l_deg
        return milky_way_band.longitudes_up_deg(site.lat_deg, sidereal, site.horizon, axes, arc)


def build_nights(
    sites: Sequence[Site], first_number: Sequence[int], count: int, wishes: SkyWishes, ephemeris: Ephemeris
) -> SiteNights:
    """`count` nights at each site from its own first number on.

    Raises OutsideEphemeris for years the kernel doesn't hold, ValueError without a site or a night.
    """
    if not sites or count < 1:
        raise ValueError(phrase("sky.nights-need-sites", count=len(sites), count_2=count))
    starts = np.array([float(night_start_s(s, k)) for s, k in zip(sites, first_number, strict=True)])
    table = ephemeris.table(float(starts.min()), float(starts.max()) + count * DAY_S)
    ground = Ground.of(sites)
    near = wishes.darkness is DarknessWish.NEAR
    levels = (SUNRISE_DEG, CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG, *((NEAR_DEG,) if near else ()))
    sun = sun_crossings(ground, table, levels)
    moon = moon_crossings(ground, table)
    conditions = _conditions(sites, ground, table, wishes, sun[-1], moon)
    windows, night = _windows(_nights_of(starts, count), conditions)
    if not wishes.moonless and wishes.most_loss_mag is not None:
        windows, night = _dark_enough(sites, table, wishes.target, wishes.most_loss_mag, windows, night)
    return SiteNights(
        sites=sites,
        wishes=wishes,
        first_number=np.asarray(first_number, dtype=np.intp),
        count=count,
        table=table,
        ground=ground,
        sun=sun[0],
        civil=sun[1],
        nautical=sun[2],
        astronomical=sun[3],
        dark=sun[-1],
        moon=moon,
        windows=windows,
        window_night=night % count,
    )


def _nights_of(starts: Floats, count: int) -> RowSpans:
    start_s = (starts[:, None] + np.arange(count) * DAY_S).ravel()
    return RowSpans(np.repeat(np.arange(len(starts)), count), start_s, start_s + DAY_S)


def _conditions(
    sites: Sequence[Site],
    ground: Ground,
    table: SkyTable,
    wishes: SkyWishes,
    dark: Crossings,
    moon: Crossings,
) -> Iterator[RowSpans]:
    yield dark.spans(up=False)
    if wishes.moonless:
        yield moon.spans(up=False)
    lowest = lowest_altitudes_deg(sites, wishes)
    yield target_spans(ground, [site.horizon for site in sites], table, wishes.target, lowest)


def lowest_altitudes_deg(sites: Sequence[Site], wishes: SkyWishes) -> Floats:
    """The altitude each site asks of the target: the wish, or the default rule where there is none."""
    if wishes.lowest_altitude_deg is not None:
        return np.full(len(sites), float(wishes.lowest_altitude_deg))
    dec_deg = float(np.degrees(np.arcsin(target_direction(wishes.target)[2])))
    return default_lowest_deg([site.lat_deg for site in sites], dec_deg)


def is_target_ever_up(site: Site, first: date, count: int, wishes: SkyWishes, ephemeris: Ephemeris) -> bool:
    """Whether the target is up at any time of `count` nights, by day or night, Moon or not."""
    start_s = night_start_s(site, number_named(site, first))
    table = ephemeris.table(start_s, start_s + count * DAY_S)
    lowest = lowest_altitudes_deg([site], wishes)
    return len(target_spans(Ground.of([site]), [site.horizon], table, wishes.target, lowest)) > 0


def _windows(nights: RowSpans, conditions: Iterator[RowSpans]) -> tuple[RowSpans, Ints]:
    """The time in each night on which all conditions hold, and the index of that night."""
    held, source = nights, np.arange(len(nights))
    for condition in conditions:
        held, parent = overlaps(held, condition)
        source = source[parent]
    real = np.round(held.end_s) > np.round(held.start_s)
    return held.pick(real), source[real]


def _dark_enough(
    sites: Sequence[Site],
    table: SkyTable,
    target: Target,
    most_loss_mag: float,
    windows: RowSpans,
    night: Ints,
) -> tuple[RowSpans, Ints]:
    """What the accepted loss leaves of the windows: a thin Moon low in the sky may stay."""
    kept = loss_spans(sites, [site_sky(site) for site in sites], table, target, most_loss_mag, windows)
    held, parent = overlaps(windows, kept)
    real = np.round(held.end_s) > np.round(held.start_s)
    return held.pick(real), night[parent][real]


def nights_in_blocks(
    sites: Sequence[Site], first: date, count: int, wishes: SkyWishes, ephemeris: Ephemeris
) -> Iterator[SiteNights]:
    """As `nights_for_sites`, some hundred sites at a time, so that memory stays small."""
    ephemeris.require_dates(first, first)
    for low in range(0, len(sites), SITES_AT_ONCE):
        part = sites[low : low + SITES_AT_ONCE]
        yield build_nights(part, [number_named(site, first) for site in part], count, wishes, ephemeris)


def site_in_blocks(
    site: Site, first: date, count: int, wishes: SkyWishes, ephemeris: Ephemeris
) -> Iterator[SiteNights]:
    """As `nights_for_sites` of one site, some two months at a time, so that memory stays small."""
    ephemeris.require_dates(first, first)
    number = number_named(site, first)
    for low in range(0, count, NIGHTS_AT_ONCE):
        yield build_nights([site], [number + low], min(NIGHTS_AT_ONCE, count - low), wishes, ephemeris)


def nights_for_sites(
    sites: Sequence[Site], first: date, count: int, wishes: SkyWishes, ephemeris: Ephemeris
) -> SiteNights:
    """`count` nights from the one named `first` at each of many sites, in one vectorised pass.

    The answer holds arrays; `readable_nights` (night_builder.py) makes Night values of them. For more than
    about a thousand sites and a year use `alerts.sky.nights.night_events.nights_in_blocks`.
    """
    ephemeris.require_dates(first, first)
    return build_nights(sites, [number_named(site, first) for site in sites], count, wishes, ephemeris)


def tonight_name(site: Site, at: datetime, ephemeris: Ephemeris) -> date:
    """The name of the night now running, until its sunrise; after that of the coming night.

    Where the Sun doesn't rise in it, of the night that contains the time.
    """
    number = number_at(site, at)
    start_s = float(night_start_s(site, number))
    table = ephemeris.table(start_s, start_s + DAY_S)
    sun = sun_crossings(Ground.of([site]), table, [SUNRISE_DEG])[0]
    up, times = sun.of_row(0, start_s, start_s + DAY_S)
    rises = times[1::2] if up else times[0::2]
    is_past_sunrise = len(rises) > 0 and posix_s(at) >= rises[-1]
    return name_of(site, number + is_past_sunrise)
