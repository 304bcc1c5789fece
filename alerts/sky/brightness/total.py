"""How bright the sky is in a direction at a time: night sky, twilight, moonlight and towns as one sum.

What the sum leaves out: the Milky Way itself, zodiacal light by direction, auroras, clouds, snow.

Loss is how much brighter the sky at the target is than at this site's best. The target takes the same way
over the sky every day, so its best is known for each place of that way: the same place on a night without
Moon and twilight. Against that the loss is counted. What never changes (towns, the growth of the sky's light
toward the horizon) isn't in it. A ridge before the Moon changes nothing: it darkens the ground, not the sky.
Counted against the best moment of the year, southern sites would lose moonless hours to a low core.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.brightness.laws import (
    DARKEST_NATURAL_MAG,
    MAG_PER_DEPTH,
    NATURAL_ZENITH_MAG,
    MoonPlaces,
    brighter_mag,
    dimming_mag,
    faded_nl,
    gas_mag,
    growth,
    known_or_default_aod,
    mag_from_nl,
    moonlit_sky_nl,
    nl_from_mag,
    twilight_nl,
)
from alerts.sky.brightness.light_domes import Dome, TownGlow, is_over
from alerts.sky.brightness.towns import Towns
from alerts.sky.ephemeris import Body, Ephemeris, SkyTable, posix_s, utc_from_posix
from alerts.sky.milky_way import galactic_direction, geometry
from alerts.sky.night import Target, TargetKind, require_loss_wish
from alerts.sky.observers import Ground
from alerts.sky.span_arrays import RowSpans, minute_marks, where_held
from alerts.sky.target_visibility import target_direction

Floats = npt.NDArray[np.float64]

MINOR_SHARE = 0.1
"""A part of a light that isn't named beside the rest."""
LEAST_TOWNS, MOST_TOWNS = 0.1, 10.0
"""How far a reading at the zenith may turn the towns' estimate down or up: twice (in magnitudes) what it was
most wrong by at the published places."""
LOW_DEG = 45.0
"""Below it the sky is said to be as dark as it gets "this low"."""
AS_DARK_MAG = 0.05
"""A difference nobody sees."""


@dataclass(frozen=True)
class SkyParts:
    """A sky brightness as the parts it is made of, in nanolamberts, and where: arrays of one shape.

    dark_nl: what stays when Sun and Moon are gone, the site's best at the same place in the sky. total_nl:
    all of it. loss_mag: by how much Sun and Moon brighten this place of the sky, never below zero.
    """

    altitude_deg: Floats
    azimuth_deg: Floats
    natural_nl: Floats
    twilight_nl: Floats
    moon_nl: Floats
    towns_nl: Floats
    dark_nl: Floats
    total_nl: Floats
    loss_mag: Floats


@dataclass(frozen=True)
class SiteSky:
    """What is the same at a site on every night: its dark zenith, its towns.

    natural_zenith_nl: without towns. even_zenith_nl: light that a reading found and no known town
    explains, laid over the whole sky as the night sky's own is.
    """

    site: Site
    natural_zenith_nl: float
    even_zenith_nl: float
    towns: TownGlow


def site_sky(site: Site, towns: Towns | None = None) -> SiteSky:
    """The dark sky of a site: an estimate from towns and the usual natural sky, over which a reading wins.

    A reading at the zenith is met exactly. Light beyond the natural sky's goes to the towns, whose estimate
    it corrects in all directions by one share, from a tenth to ten times, and what is left to no direction;
    a reading darker than that makes the natural sky darker. towns: the packaged extract by default.
    """
    estimate = TownGlow.around(site.lat_deg, site.lon_deg, site.elevation_m, towns)
    natural, zenith = float(nl_from_mag(NATURAL_ZENITH_MAG)), estimate.zenith_nl
    if site.darkness is None:
        return SiteSky(site, natural, 0.0, estimate)
    reading = float(nl_from_mag(site.darkness.sqm_mag_arcsec2))
    factor = 0.0
    if zenith > 0:
        factor = min(max((reading - natural) / zenith, LEAST_TOWNS), MOST_TOWNS)
        # the natural sky must stay a possible one
        factor = min(factor, max((reading - float(nl_from_mag(DARKEST_NATURAL_MAG))) / zenith, 0.0))
    scaled = TownGlow(estimate.map_nl * factor)
    left = reading - scaled.zenith_nl
    return SiteSky(site, min(natural, left), max(left - natural, 0.0), scaled)


def sky_brightness(
    sky: SiteSky,
    aim: tuple[npt.ArrayLike, npt.ArrayLike],
    sun_altitude_deg: npt.ArrayLike,
    moon: MoonPlaces,
    aod: npt.ArrayLike | None = None,
) -> SkyParts:
    """The sum in directions (airless altitude and azimuth in degrees) with Sun and Moon in given places.

    All shapes must broadcast to the Moon's. aod: aerosol optical depth at 550 nm; None or NaN where unknown,
    then the default for the site's height. Directions below the horizon count as on it.
    Raises BadInput for an optical depth outside 0..20.
    """
    elevation_m = sky.site.elevation_m
    gas = float(gas_mag(elevation_m))
    extinction = gas + MAG_PER_DEPTH * known_or_default_aod(aod, elevation_m)
    toward_horizon = growth(aim[0])
    natural = sky.natural_zenith_nl * toward_horizon
    twilight = twilight_nl(aim[0], sun_altitude_deg)
    towns = sky.towns.nl(*aim) + sky.even_zenith_nl * toward_horizon
    moonlight = moonlit_sky_nl(*aim, moon, extinction, gas)
    moon_nl = faded_nl(moonlight, natural + twilight + towns, moon)
    dark = natural + towns
    total = dark + twilight + moon_nl
    parts = natural, twilight, moon_nl, towns, dark, total, brighter_mag(total, dark)
    return SkyParts(*np.broadcast_arrays(*aim, *parts))


def sky_at(
    sky: SiteSky, target: Target, at_s: Floats, table: SkyTable, aod: npt.ArrayLike | None = None
) -> SkyParts:
    """The sum at a target (see `aim_deg`) at POSIX times of shape (n,); errors as `sky_brightness`."""
    sun_altitude, moon = sun_and_moon(sky.site, at_s, table)
    return sky_brightness(sky, aim_deg(sky.site, target, at_s, table), sun_altitude, moon, aod)


def sun_and_moon(site: Site, at_s: Floats, table: SkyTable) -> tuple[Floats, MoonPlaces]:
    """Airless topocentric altitude of the Sun, and the Moon's places, at POSIX times of shape (n,).

    The phase angle is geocentric: it differs by up to one degree from place to place.
    """
    ground = Ground.of([site])
    sun_altitude, _ = ground.altaz(table.body_km(Body.SUN, at_s)[None], near=True)
    moon_km = table.body_km(Body.MOON, at_s)
    altitude, azimuth = ground.altaz(moon_km[None], near=True)
    phase = np.degrees(np.arccos(np.clip(2 * table.moon_lit(at_s) - 1, -1, 1)))
    return sun_altitude[0], MoonPlaces(altitude[0], azimuth[0], phase, np.linalg.norm(moon_km, axis=-1))


def aim_deg(site: Site, target: Target, at_s: Floats, table: SkyTable) -> tuple[Floats, Floats]:
    """Where a target's sky is judged: airless altitude and azimuth at POSIX times of shape (n,).

    The core or the place named; for the band its highest point, or the middle of the wished arc; with
    no target the zenith.
    """
    ground = Ground.of([site])
    if target.kind is TargetKind.NONE:
        return np.full(at_s.shape, 90.0), np.zeros(at_s.shape)
    if target.kind is TargetKind.BAND and target.arc_l_deg is None:
        band = geometry(ground, table, at_s)
        return band.apex_altitude_deg[0], band.apex_azimuth_deg[0]
    if target.kind is TargetKind.BAND and target.arc_l_deg is not None:
        start, end = target.arc_l_deg
        icrs = galactic_direction(start + (end - start) % 360 / 2, 0.0)
    else:
        icrs = target_direction(target)
    altitude, azimuth = ground.altaz(table.fixed(icrs, at_s)[None], near=False)
    return altitude[0], azimuth[0]


def domes_stood_over(
    site: Site, target: Target, span: Span, ephemeris: Ephemeris, found: Sequence[Dome]
) -> tuple[Dome, ...]:
    """Those domes over which the target stands at any minute of a span."""
    start_s, end_s = posix_s(span.start), posix_s(span.end)
    at_s = np.append(np.arange(start_s, end_s, 60.0), end_s)
    altitude, azimuth = aim_deg(site, target, at_s, ephemeris.table(start_s, end_s))
    return tuple(dome for dome in found if is_over(dome, altitude, azimuth).any())


@dataclass(frozen=True, slots=True)
class SkyPoint:
    """The sum at one moment of a window, as plain numbers.

    altitude_deg, azimuth_deg: where it is taken, airless. loss_mag: brightening by Sun and Moon; dimmed_mag:
    what all air takes from the Milky Way there; smoke_mag: the part of it beyond the default haze.
    aod_assumed: no optical depth was given, the default was taken.
    """

    at: datetime
    aod_assumed: bool
    altitude_deg: float
    azimuth_deg: float
    natural_nl: float
    twilight_nl: float
    moon_nl: float
    towns_nl: float
    mag_arcsec2: float
    loss_mag: float
    dimmed_mag: float
    smoke_mag: float

    @property
    def brightened_by(self) -> str:
        """What most of the loss comes from: `moon`, `twilight`, or `both`."""
        if self.twilight_nl < MINOR_SHARE * self.moon_nl:
            return "moon"
        return "twilight" if self.moon_nl < MINOR_SHARE * self.twilight_nl else "both"

    @property
    def above_darkest_mag(self) -> float:
        """By how much the sky there is brighter than the darkest possible at that altitude: the natural one,
        with its growth toward the horizon, without Moon, twilight and towns."""
        return max(float(brighter_mag(nl_from_mag(self.mag_arcsec2), self.natural_nl)), 0.0)

    @property
    def is_low(self) -> bool:
        """Whether the place is so low that even a natural sky is clearly brighter than at the zenith."""
        return self.altitude_deg < LOW_DEG

    @property
    def towns_mag(self) -> float:
        """By how much towns brighten this place of the sky beyond the natural one; an estimate."""
        return float(brighter_mag(self.natural_nl + self.towns_nl, self.natural_nl))


def against_darkest(above_darkest_mag: float, *, is_low: bool) -> Phrase:
    """`0.4 mag from as dark as it gets this low`: a sky's brightness against the darkest possible there."""
    if above_darkest_mag < AS_DARK_MAG:
        return phrase("sky.as-dark", is_low=is_low)
    return phrase("sky.from-darkest", above_darkest_mag=above_darkest_mag, is_low=is_low)


def sky_points(
    sky: SiteSky, target: Target, span: Span, ephemeris: Ephemeris, aod: float | None = None
) -> tuple[SkyPoint, SkyPoint, SkyPoint]:
    """The sum at a window's start, middle and end; errors as `sky_brightness`."""
    start_s, end_s = posix_s(span.start), posix_s(span.end)
    at_s = np.array([start_s, (start_s + end_s) / 2, end_s])
    parts = sky_at(sky, target, at_s, ephemeris.table(start_s, end_s), aod)
    columns = (
        *(parts.altitude_deg, parts.azimuth_deg),
        *(parts.natural_nl, parts.twilight_nl, parts.moon_nl, parts.towns_nl),
        *(mag_from_nl(parts.total_nl), parts.loss_mag),
        *dimming_mag(parts.altitude_deg, sky.site.elevation_m, aod),
    )
    first, middle, last = (
        SkyPoint(utc_from_posix(at_s[k]), aod is None, *(float(column[k]) for column in columns))
        for k in range(3)
    )
    return first, middle, last


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
    for row in sorted(set(within.row.tolist())):
        own = np.flatnonzero(within.row == row)
        at_s, span_of = minute_marks(within.pick(own))
        left_mag = limit - sky_at(skies[row], target, at_s, table).loss_mag
        start_s, end_s, source = where_held(at_s, span_of, left_mag)
        starts.append(start_s)
        ends.append(end_s)
        sources.append(own[source])
    source = np.concatenate(sources)
    return RowSpans(within.row[source], np.concatenate(starts), np.concatenate(ends)), source
