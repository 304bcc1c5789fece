"""Published values, invented skies, and settings that the tests of sky brightness share."""

from __future__ import annotations

import csv
import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st

from alerts.sites.model import Darkness, Site
from alerts.sky.brightness.laws import MoonPlaces
from alerts.sky.brightness.total import SiteSky, site_sky
from alerts.sky.brightness.towns import Towns, towns_at

DATA = Path(__file__).parents[4] / "data" / "glow"
NO_TOWNS = towns_at([], [], [], ())
UNHURRIED = settings(deadline=None, max_examples=60)

altitudes = st.floats(0, 90)
azimuths = st.floats(0, 360)
phases = st.floats(0, 180)
optical_depths = st.floats(0, 20)


@cache
def published(name: str) -> dict[str, Any]:
    values: dict[str, Any] = json.loads((DATA / name).read_text())
    return values


@cache
def airmass_rows() -> list[dict[str, str]]:
    with (DATA / "kasten-young-1989.csv").open() as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def moon_at(
    altitude_deg: Any, azimuth_deg: Any = 0.0, phase_deg: Any = 90.0, distance_km: float = 384_400.0
) -> MoonPlaces:
    arrays = np.broadcast_arrays(altitude_deg, azimuth_deg, phase_deg, distance_km)
    return MoonPlaces(*(np.asarray(array, dtype=np.float64) for array in arrays))


def towns_of(*towns: tuple[float, float, float]) -> Towns:
    """Towns from (latitude, longitude, population)."""
    if not towns:
        return NO_TOWNS
    lats, lons, people = zip(*towns, strict=True)
    return towns_at(lats, lons, people, tuple(f"Town {k}" for k in range(len(towns))))


def zenith_nl(sky: SiteSky) -> float:
    """The moonless zenith, as a meter would read it."""
    return sky.natural_zenith_nl + sky.even_zenith_nl + sky.towns.zenith_nl


def sky_of(towns: Towns = NO_TOWNS, reading_mag: float | None = None, elevation_m: float = 0.0) -> SiteSky:
    darkness = None if reading_mag is None else Darkness(reading_mag)
    return site_sky(Site("Here", 0.0, 0.0, elevation_m, darkness=darkness), towns)
