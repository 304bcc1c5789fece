"""Nights from sky arithmetic: everything that happens in each, for many sites at once.

Crossings are kept unrounded in the arrays and rounded in the `Night` values: to the second, 0.001 degrees and
0.0001 of the Moon, so that the same night comes out the same alone or among thousands.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import numpy.typing as npt

from alerts.common.phrases import phrase
from alerts.sites.model import Site
from alerts.sky.brightness.total import loss_spans, site_sky
from alerts.sky.crossings import SUNRISE_DEG, Crossings, moon_crossings, sun_crossings
from alerts.sky.ephemeris import Ephemeris, SkyTable, posix_s
from alerts.sky.night import DarknessWish, SkyWishes
from alerts.sky.night_calendar import DAY_S, name_of, night_start_s, number_at, number_named
from alerts.sky.observers import Ground
from alerts.sky.span_arrays import RowSpans, overlaps
from alerts.sky.target_visibility import lowest_altitudes_deg, target_spans

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG, NEAR_DEG = -6.0, -12.0, -18.0, -15.0
"""Sun's centre, airless: USNO's twilights, and the less dark wish."""
NIGHTS_AT_ONCE = 64
"""Of one site: a year in one piece takes up to 35 MB where a loss of darkness is accepted, two months 12."""


@dataclass(frozen=True)
class SiteNights:
    """Every night from one number on, at many sites, as flat arrays; `readable_nights` (night_builder.py)
    makes Night values of them.

    first_number: shape (n,), each site's first night; count: nights at each site; nights: all of them, site
    by site.
    windows: all dark windows, row = site; window_night: shape (n_windows,), 0..count - 1.
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


def build_nights(
    sites: Sequence[Site], first_number: Sequence[int], count: int, wishes: SkyWishes, ephemeris: Ephemeris
) -> SiteNights:
    """`count` nights at each site from its own first number on.

    Raises OutsideEphemeris for years the kernel doesn't hold, ValueError without a site or a night.
    """
    if not sites or count < 1:
        raise ValueError(phrase("sky.nights-need-sites", sites=len(sites), nights=count))
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
    real = np.round(windows.end_s) > np.round(windows.start_s)
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
        yield build_nights([site], [number + low], min(NIGHTS_AT_ONCE, count - low), wishes, ephemeris)


def nights_for_sites(
    sites: Sequence[Site], first: date, count: int, wishes: SkyWishes, ephemeris: Ephemeris
) -> SiteNights:
    """`count` nights from the one named `first` at each of many sites, in one vectorised pass.

    The answer holds arrays; `readable_nights` (night_builder.py) makes Night values of them. More than about
    a thousand sites and a year are better asked for in parts, so that memory stays small.
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
    rises = sun.at_s[1::2] if sun.up_at_first[0] else sun.at_s[0::2]
    is_past_sunrise = len(rises) > 0 and posix_s(at) >= rises[-1]
    return name_of(site, number + is_past_sunrise)
