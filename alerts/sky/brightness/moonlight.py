"""Scattered moonlight: Krisciunas & Schaefer 1991, PASP 103, 1033-1039, V band.

Its stated accuracy is 8 to 23 per cent. Three joints are ours: the two aureole formulae are changed
over where they meet (8.5 degrees) and not at 10, where they differ by 28 per cent; moonlight fades
out between 2 degrees and moonset, of which the paper says nothing; and smoke never darkens it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.sky.brightness.laws import scattering_airmass
from alerts.sky.crossings import REFRACTION_AT_HORIZON_DEG
from alerts.sky.observers import MOON_RADIUS_KM

Floats = npt.NDArray[np.float64]

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
