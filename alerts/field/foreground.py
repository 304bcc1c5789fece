"""The land under the stars: when the Moon lights it, by how much, and the exposure for it.

An estimate: the land's own colour, snow, water and the shadows of hills aren't known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from alerts.common.span import Span, intersect
from alerts.field.exposure import SHUTTERS, aperture_thirds, true_shutter_s
from alerts.sites.model import Site
from alerts.sky.brightness.laws import MEAN_DISTANCE_KM, MoonPlaces, dimming_mag, moon_illuminance
from alerts.sky.brightness.total import SiteSky, site_sky, sun_and_moon
from alerts.sky.ephemeris import Ephemeris, posix_s, utc_from_posix
from alerts.sky.night import Night

Floats = npt.NDArray[np.float64]

LUX_PER_FOOT_CANDLE = 10.763910
"""1 / 0.3048²: a lumen per square foot."""
LUX_PER_NL = 1e-5
"""Of a sky of that brightness everywhere, on level ground: π · luminance; a nanolambert is 1e-5 / π cd/m²."""
METER_LUX_S = 250.0
"""C of N² / t = E S / C (ISO 2720), for a flat receptor; the value that meters are set to."""
MOONLIT_STOPS, DARK_STOPS = 1.0, 2.0
"""By how much darker than a meter asks the land should come out, so that it still looks like night. Moonlit:
by that the exposures of ANSI PH2.7 for moonlit land are met within half a stop; dark: common practice."""
HARDLY_STOPS = 0.5
"""Moonlight that makes the land brighter by less is not worth waiting for."""
ISOS_FOR_LAND = (800, 1600, 3200, 6400)
MARKED_LIMIT_S, LONGEST_S = 30.0, 300.0
"""The longest time on a camera's dial, and by a remote release (common practice: warm pixels grow beyond)."""
STEP_S, REMOTE_STEP_S = 300.0, 30.0


@dataclass(frozen=True, slots=True)
class ForegroundPlan:
    """How to take the land for itself.

    lit: when the Moon lights it while one is there and the sky is dark (Sun 12 degrees down), ascending;
    best_at: when it does most, None where it never does or hardly; brighter_stops: by how much then, beyond
    what the night sky gives. shutter_s: as marked, or beyond 30 s by a remote release. dark_stops: by how
    much darker than it should the picture comes out all the same.
    """

    lit: tuple[Span, ...]
    best_at: datetime | None
    brighter_stops: float
    shutter_s: float
    f_number: float
    iso: int
    dark_stops: float = 0.0


def plan_foreground(
    site: Site, night: Night, stay: Span, f_number: float, ephemeris: Ephemeris
) -> ForegroundPlan:
    """The exposure for the land by the Moon where it lights it during `stay`, else by the night sky alone.

    f_number: that of the frames of the sky, so that both fit each other.
    """
    lit = intersect(night.moonlit, (stay,))  # before and after, twilight is brighter than any Moon
    sky_lux = dark_sky_lux(site_sky(site))
    if lit:
        at_s = np.concatenate([_marks(span) for span in lit])
        table = ephemeris.table(float(at_s[0]), float(at_s[-1]))
        moon_lux = moonlit_lux(sun_and_moon(site, at_s, table)[1], site.elevation_m)
        best = int(np.argmax(moon_lux))
        lux = float(moon_lux[best]) + sky_lux
        brighter = math.log2(lux / sky_lux)
        if brighter >= HARDLY_STOPS:
            settings = expose(lux, f_number, MOONLIT_STOPS)
            return ForegroundPlan(lit, utc_from_posix(float(at_s[best])), round(brighter, 2), *settings)
    return ForegroundPlan((), None, 0.0, *expose(sky_lux, f_number, DARK_STOPS))


def _marks(span: Span) -> Floats:
    start_s, end_s = posix_s(span.start), posix_s(span.end)
    return np.linspace(start_s, end_s, 2 + int((end_s - start_s) / STEP_S))


def moonlit_lux(moon: MoonPlaces, elevation_m: float) -> Floats:
    """What the Moon gives to land, in lux, at its places: 0 while it is down.

    Krisciunas & Schaefer 1991, PASP 103, 1033, eq. 20 by distance, less what air and usual haze take. Land
    is neither level nor upright: the mean of level ground and of a face turned to the Moon.
    """
    altitude = np.radians(np.maximum(moon.altitude_deg, 0))
    outside = moon_illuminance(moon.phase_angle_deg) * (MEAN_DISTANCE_KM / moon.distance_km) ** 2
    through = 10 ** (-0.4 * dimming_mag(moon.altitude_deg, elevation_m)[0])
    falls_on = (np.sin(altitude) + np.cos(altitude)) / 2
    return np.where(moon.altitude_deg > 0, LUX_PER_FOOT_CANDLE * outside * through * falls_on, 0.0)


def dark_sky_lux(sky: SiteSky) -> float:
    """What a site's night sky gives to level ground without a Moon, in lux: as if it were everywhere as
    bright as at the zenith."""
    return LUX_PER_NL * (sky.natural_zenith_nl + sky.even_zenith_nl + sky.towns.zenith_nl)


def exposure_s(lux: float, f_number: float, iso: int, under_stops: float) -> float:
    """The time that N² / t = E S / C (ISO 2720) asks for, less so many stops; N by its true value."""
    true_f = 2 ** (aperture_thirds(f_number) / 6)
    return float(METER_LUX_S * true_f**2 / (lux * iso) / 2**under_stops)


def expose(lux: float, f_number: float, under_stops: float) -> tuple[float, float, int, float]:
    """Shutter time, f-number, ISO, and stops that are missing: the lowest ISO with which a time on the dial
    is enough, else one by a remote release."""
    times = [(iso, exposure_s(lux, f_number, iso, under_stops)) for iso in ISOS_FOR_LAND]
    for iso, needed_s in times:
        if needed_s <= true_shutter_s(MARKED_LIMIT_S):
            return nearest_marked_s(needed_s), f_number, iso, 0.0
    for iso, needed_s in times:
        if needed_s <= LONGEST_S:
            return max(round(needed_s / REMOTE_STEP_S), 1) * REMOTE_STEP_S, f_number, iso, 0.0
    iso, needed_s = times[-1]
    return LONGEST_S, f_number, iso, round(math.log2(needed_s / LONGEST_S), 2)


def nearest_marked_s(needed_s: float) -> float:
    """The marked time whose true one is nearest, in stops."""
    thirds = 3 * math.log2(needed_s)
    nearest: Sequence[float] = min(SHUTTERS, key=lambda entry: abs(entry[1] - thirds))
    return nearest[0]
