"""The published laws of a sky's brightness: its units, what the air takes, the sky's own light, twilight,
moonlight.

Sums are made in nanolamberts (1 nL = 1e-5 / pi cd/m²), since magnitudes don't add: V mag per square
arcsecond are for people. Two airmasses are in use and don't mix: Kasten & Young's for light that comes
straight from beyond the air (the Milky Way), Krisciunas & Schaefer's for light scattered in it
(moonlight, the night sky's own growth toward the horizon).

Moonlight is Krisciunas & Schaefer 1991, PASP 103, 1033-1039, V band, whose stated accuracy is 8 to 23 per
cent. Three joints are ours: the two aureole formulae are changed over where they meet (8.5 degrees) and not
at 10, where they differ by 28 per cent; moonlight fades out between 2 degrees and moonset, of which the paper
says nothing; and smoke never darkens it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.sky.crossings import REFRACTION_AT_HORIZON_DEG
from alerts.sky.observers import MOON_RADIUS_KM
from alerts.sky.refraction import refraction_deg

Floats = npt.NDArray[np.float64]

_NL_AT_ZERO_EXPONENT, _EXPONENT_MAG, _PER_MAG = 34.08, 20.7233, 0.92104
MAG_PER_DEPTH = 1.086
"""Magnitudes per unit of optical depth: 2.5 log10(e)."""
GAS_MAG, GAS_SCALE_M = 0.1451, 8000.0
"""Molecular scattering in V at sea level, per airmass; Green 1992, ICQ 14, 55."""
OZONE_MAG = 0.016
"""Ozone in V, per airmass; the same source."""
DEFAULT_AOD, AEROSOL_SCALE_M = 0.11, 1500.0
"""Aerosol optical depth at sea level taken where the weather gives none: the average 0.12 mag of the
same source. It thins out with height."""
MOST_AOD = 20.0
"""More than the thickest smoke measured; beyond it a number is a mistake."""
NATURAL_ZENITH_MAG = 21.8
"""Assumed where nothing is measured: the middle of 21.6 (solar maximum; Patat 2003, A&A 400, 1183) and
22.0 (Falchi et al. 2016, Sci. Adv. 2, e1600377)."""
DARKEST_NATURAL_MAG = 22.1
"""Darkest natural zenith measured (Patat 2003, Table 4; 22.13: Grauer & Grauer 2021, Sci. Rep. 11, 23893)."""
GROWTH_MAG = 0.172
"""Extinction in V at Mauna Kea, for which the growth toward the horizon is published."""
ENDS_DEG = 16.0
"""Depression of the Sun at which the measured sky reaches its night level (15 to 16 degrees)."""
_BASE_MAG, _SLOPE_MAG, _CURVE_MAG = 11.84, 1.518, -0.057
_FROM_DEG = 5.0
_BRIGHT_DEPRESSION_DEG, _BRIGHT_MAG = (0.0, 3.0, _FROM_DEG), (7.74, 10.0, _BASE_MAG)


def nl_from_mag(mag_arcsec2: npt.ArrayLike) -> Floats:
    """Nanolamberts of V mag/arcsec²; Krisciunas & Schaefer 1991, PASP 103, 1033, eq. 1 (Garstang)."""
    mag = np.asarray(mag_arcsec2, dtype=np.float64)
    return np.asarray(_NL_AT_ZERO_EXPONENT * np.exp(_EXPONENT_MAG - _PER_MAG * mag))


def mag_from_nl(brightness_nl: npt.ArrayLike) -> Floats:
    """V mag/arcsec² of nanolamberts above zero; the inverse of `nl_from_mag`."""
    brightness = np.asarray(brightness_nl, dtype=np.float64)
    return np.asarray((_EXPONENT_MAG - np.log(brightness / _NL_AT_ZERO_EXPONENT)) / _PER_MAG)


def brighter_mag(bright_nl: npt.ArrayLike, dark_nl: npt.ArrayLike) -> Floats:
    """By how many magnitudes one brightness exceeds another, both in nL and above zero."""
    ratio = np.asarray(bright_nl, dtype=np.float64) / np.asarray(dark_nl, dtype=np.float64)
    return np.asarray(2.5 * np.log10(ratio))


def known_or_default_aod(aod: npt.ArrayLike | None, elevation_m: float) -> Floats:
    """Aerosol optical depths at 550 nm above a place, any shape; None and NaN become the default.

    Raises BadInput for values outside 0..20.
    """
    usual = np.asarray(DEFAULT_AOD * np.exp(-elevation_m / AEROSOL_SCALE_M))
    if aod is None:
        return usual
    given = np.asarray(aod, dtype=np.float64)
    wrong = given[~np.isnan(given) & ~((given >= 0) & (given <= MOST_AOD))]
    if wrong.size:
        raise BadInput(phrase("sky.aerosol-range", most_aod=MOST_AOD, aod=wrong.flat[0]))
    return np.where(np.isnan(given), usual, given)


def gas_mag(elevation_m: npt.ArrayLike) -> Floats:
    """Extinction by air and ozone above a place, V mag per airmass."""
    thinner = np.exp(-np.asarray(elevation_m, dtype=np.float64) / GAS_SCALE_M)
    return np.asarray(GAS_MAG * thinner + OZONE_MAG)


def airmass(apparent_altitude_deg: npt.ArrayLike) -> Floats:
    """Relative optical airmass at apparent (refracted) altitudes; below 0 degrees that of 0.

    Kasten & Young 1989, Appl. Opt. 28, 4735.
    """
    altitude = np.clip(np.asarray(apparent_altitude_deg, dtype=np.float64), 0.0, 90.0)
    return np.asarray(1 / (np.sin(np.radians(altitude)) + 0.50572 * (altitude + 6.07995) ** -1.6364))


def scattering_airmass(altitude_deg: npt.ArrayLike) -> Floats:
    """Airmass for scattered light, 1 at the zenith to 5 at the horizon; below it that of the horizon.

    Krisciunas & Schaefer 1991, PASP 103, 1033, eq. 3.
    """
    altitude = np.clip(np.asarray(altitude_deg, dtype=np.float64), 0.0, 90.0)
    return np.asarray((1 - 0.96 * np.cos(np.radians(altitude)) ** 2) ** -0.5)


def dimming_mag(
    altitude_deg: npt.ArrayLike, elevation_m: float, aod: npt.ArrayLike | None = None
) -> tuple[Floats, Floats]:
    """Magnitudes that what shines from beyond loses at airless altitudes: to air, ozone and aerosol together,
    and of it what haze or smoke takes beyond the default air, never below zero.

    aod: as in `known_or_default_aod`, and its errors. Haze or smoke takes 1.086 AOD an airmass.
    """
    seen = np.asarray(altitude_deg, dtype=np.float64)
    through = airmass(seen + refraction_deg(seen))
    known, usual = known_or_default_aod(aod, elevation_m), known_or_default_aod(None, elevation_m)
    whole = (gas_mag(elevation_m) + MAG_PER_DEPTH * known) * through
    return np.asarray(whole), np.asarray(MAG_PER_DEPTH * np.maximum(known - usual, 0) * through)


def growth(altitude_deg: npt.ArrayLike, extinction_mag: float = GROWTH_MAG) -> Floats:
    """How much brighter the dark sky is at altitudes than at the zenith: 1 to about 2.7.

    Krisciunas & Schaefer 1991, PASP 103, 1033, eq. 2. Smoke isn't put in: what it takes from the
    night sky's light in one direction it scatters in from the others.
    """
    mass = scattering_airmass(altitude_deg)
    return np.asarray(mass * 10 ** (-0.4 * extinction_mag * (mass - 1)))


def twilight_zenith_mag(sun_altitude_deg: npt.ArrayLike) -> Floats:
    """V mag/arcsec² of the zenith in twilight, night sky included, for Sun altitudes (airless) below 0.

    From 5 to 15 degrees of depression Patat et al. 2006, A&A 455, 385, Table 1 (Paranal, 2600 m,
    scatter 0.18 mag), run on to 16; nearer to sunset through Koomen et al. 1952, JOSA 42, 353 (2800 m).
    Outside that the nearest value.
    """
    depression = np.clip(-np.asarray(sun_altitude_deg, dtype=np.float64), 0.0, ENDS_DEG)
    beyond = depression - _FROM_DEG
    measured = _BASE_MAG + _SLOPE_MAG * beyond + _CURVE_MAG * beyond**2
    bright = np.interp(depression, _BRIGHT_DEPRESSION_DEG, _BRIGHT_MAG)
    return np.where(depression >= _FROM_DEG, measured, bright)


def twilight_nl(altitude_deg: npt.ArrayLike, sun_altitude_deg: npt.ArrayLike) -> Floats:
    """Twilight alone, in nL, at airless altitudes; shapes broadcast. Zero beyond 16 degrees of depression.

    The zenith's law less its own night level, growing toward the horizon as the night sky does. The
    glow's lean toward the Sun is left out: there, low down, it is brighter than this. A Sun above
    the horizon counts as one on it.
    """
    left = nl_from_mag(twilight_zenith_mag(sun_altitude_deg)) - nl_from_mag(twilight_zenith_mag(-ENDS_DEG))
    return np.asarray(left * growth(altitude_deg))


MEAN_DISTANCE_KM = 384_400.0
FADES_FROM_DEG = 2.0
_SURGE_WITHIN_DEG, _SURGE = 7.0, 0.35
_AUREOLE_DEG = 10.0
_NEAREST_DEG = 0.25
"""The Moon's own radius in the sky."""
_LN_PER_MAG = 0.4 * np.log(10)


@dataclass(frozen=True)
class MoonPlaces:
    """The Moon at times of one shape: topocentric airless altitude and azimuth of its centre,
    phase angle (0 full, 180 new), geocentric distance."""

    altitude_deg: Floats
    azimuth_deg: Floats
    phase_angle_deg: Floats
    distance_km: Floats


def separation_deg(
    altitude_deg: npt.ArrayLike,
    azimuth_deg: npt.ArrayLike,
    moon_altitude_deg: Floats,
    moon_azimuth_deg: Floats,
) -> Floats:
    """Angle between two directions given by altitude and azimuth; shapes broadcast."""
    one, other = np.radians(altitude_deg), np.radians(moon_altitude_deg)
    turn = np.radians(np.asarray(azimuth_deg) - moon_azimuth_deg)
    half = np.sin((one - other) / 2) ** 2 + np.cos(one) * np.cos(other) * np.sin(turn / 2) ** 2
    return np.asarray(np.degrees(2 * np.arcsin(np.sqrt(np.clip(half, 0, 1)))))


def moon_illuminance(phase_angle_deg: npt.ArrayLike) -> Floats:
    """The Moon's light outside the air in foot-candles, without the opposition surge; eq. 20."""
    phase = np.abs(np.asarray(phase_angle_deg, dtype=np.float64))
    return np.asarray(10 ** (-0.4 * (3.84 + 0.026 * phase + 4e-9 * phase**4)))


def scattering(separation: npt.ArrayLike) -> Floats:
    """The scattering function f at an angle from the Moon in degrees; eqs. 18, 19, 21."""
    angle = np.maximum(np.asarray(separation, dtype=np.float64), _NEAREST_DEG)
    air = 10**5.36 * (1.06 + np.cos(np.radians(angle)) ** 2)
    haze, near = 10 ** (6.15 - angle / 40), 6.2e7 / angle**2
    return np.asarray(air + np.where(angle < _AUREOLE_DEG, np.maximum(haze, near), haze))


def moonlight_nl(
    phase_angle_deg: npt.ArrayLike,
    moon_altitude_deg: npt.ArrayLike,
    altitude_deg: npt.ArrayLike,
    separation: npt.ArrayLike,
    extinction_mag: npt.ArrayLike,
) -> Floats:
    """The paper's eq. 15 as it stands: moonlight in nL at a sky altitude, for a Moon above the horizon.

    All angles in degrees, extinction in V mag per airmass; shapes broadcast.
    """
    extinction = np.asarray(extinction_mag, dtype=np.float64)
    through = 10 ** (-0.4 * extinction * scattering_airmass(moon_altitude_deg))
    scattered = 1 - 10 ** (-0.4 * extinction * scattering_airmass(altitude_deg))
    return np.asarray(scattering(separation) * moon_illuminance(phase_angle_deg) * through * scattered)


def moonlit_sky_nl(
    altitude_deg: npt.ArrayLike,
    azimuth_deg: npt.ArrayLike,
    moon: MoonPlaces,
    extinction_mag: npt.ArrayLike,
    gas: float,
) -> Floats:
    """Moonlight in nL in a direction, with opposition surge and true distance, before it fades at moonset.

    altitude_deg, azimuth_deg: airless, of the Moon's shape or broadcastable. extinction_mag: V mag per
    airmass, of which `gas` is the part of clean air. A ridge before the Moon doesn't darken the sky.
    """
    apart = separation_deg(altitude_deg, azimuth_deg, moon.altitude_deg, moon.azimuth_deg)
    # Eq. 15 counts light scattered once and takes away what is scattered again, so beyond some extinction it
    # falls. That light isn't lost from the sky: the highest value on the way from clean air is held.
    sky_mass = scattering_airmass(altitude_deg)
    turn = np.log1p(sky_mass / scattering_airmass(moon.altitude_deg)) / (_LN_PER_MAG * sky_mass)
    extinction = np.minimum(extinction_mag, np.maximum(turn, gas))
    light = moonlight_nl(moon.phase_angle_deg, moon.altitude_deg, altitude_deg, apart, extinction)
    # within 7 degrees of full the Moon outshines the phase law by a factor up to 1.35, as the paper says
    surge = 1 + _SURGE * np.clip(1 - np.abs(moon.phase_angle_deg) / _SURGE_WITHIN_DEG, 0, 1)
    nearer = (MEAN_DISTANCE_KM / moon.distance_km) ** 2
    return np.asarray(light * surge * nearer)


def faded_nl(light_nl: npt.ArrayLike, rest_nl: npt.ArrayLike, moon: MoonPlaces) -> Floats:
    """Moonlight in nL of which all counts above 2 degrees and nothing after moonset, the magnitude changing
    evenly between.

    rest_nl: the rest of the sky, above zero. From 2 degrees to moonset the Moon takes 11 minutes or more:
    what costs half a magnitude at 2 degrees fades by less than 0.05 mag a minute, a full Moon, as it
    must, by more: up to 0.15 over most of the sky, 0.4 close to the Moon.
    """
    # at moonset the Moon's centre stands 34' and its semidiameter below the horizon, airless
    down = -REFRACTION_AT_HORIZON_DEG - np.degrees(np.arcsin(MOON_RADIUS_KM / moon.distance_km))
    share = np.clip((moon.altitude_deg - down) / (FADES_FROM_DEG - down), 0, 1)
    rest = np.asarray(rest_nl, dtype=np.float64)
    return np.asarray(rest * np.expm1(share * np.log1p(np.asarray(light_nl) / rest)))
