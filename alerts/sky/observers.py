"""Where observers stand: vectors of many sites at once, and altitudes and azimuths from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from alerts.sites.model import Site

Floats = npt.NDArray[np.float64]

EARTH_RADIUS_KM = 6378.137
EARTH_FLATTENING = 1 / 298.257_223_563  # WGS84
MOON_RADIUS_KM = 1737.4


@dataclass(frozen=True)
class Ground:
    """Observers as arrays of length n: geodetic degrees (WGS84), Earth-fixed vectors.

    elevation_m: height over the sea. up, north, east: unit vectors, shape (n, 3); place_km: geocentric,
    shape (n, 3).
    """

    lat_deg: Floats
    lon_deg: Floats
    elevation_m: Floats
    up: Floats
    north: Floats
    east: Floats
    place_km: Floats

    @classmethod
    def of(cls, sites: Sequence[Site]) -> Ground:
        """From geodetic latitude and longitude in degrees and height in metres."""
        lat_deg = np.array([site.lat_deg for site in sites], dtype=np.float64)
        lon_deg = np.array([site.lon_deg for site in sites], dtype=np.float64)
        elevation_m = np.array([site.elevation_m for site in sites], dtype=np.float64)
        height_km = elevation_m / 1000
        lat, lon = np.radians(lat_deg), np.radians(lon_deg)
        cos_lat, sin_lat, zero = np.cos(lat), np.sin(lat), np.zeros_like(lat)
        cos_lon, sin_lon = np.cos(lon), np.sin(lon)
        squash = (1 - EARTH_FLATTENING) ** 2
        curve_km = EARTH_RADIUS_KM / np.sqrt(cos_lat**2 + squash * sin_lat**2)
        flat_km = (curve_km + height_km) * cos_lat
        return cls(
            lat_deg,
            lon_deg,
            elevation_m,
            up=np.stack([cos_lat * cos_lon, cos_lat * sin_lon, sin_lat], axis=-1),
            north=np.stack([-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat], axis=-1),
            east=np.stack([-sin_lon, cos_lon, zero], axis=-1),
            place_km=np.stack(
                [flat_km * cos_lon, flat_km * sin_lon, (squash * curve_km + height_km) * sin_lat], axis=-1
            ),
        )

    def __len__(self) -> int:
        return len(self.lat_deg)

    def part(self, rows: slice | npt.NDArray[np.intp]) -> Ground:
        """Some of the observers."""
        return Ground(*(getattr(self, each.name)[rows] for each in fields(self)))

    def altaz(self, vectors: Floats, *, near: bool) -> tuple[Floats, Floats]:
        """Airless altitude and azimuth (from north through east, 0..360) in degrees.

        vectors: Earth-fixed, shape (n, m, 3) or broadcastable to it; result shape (n, m).
        near: the vectors are geocentric km and parallax is taken off; else they are directions.
        """
        seen = vectors - self.place_km[:, None, :] if near else vectors
        up, north, east = (along(seen, axis) for axis in (self.up, self.north, self.east))
        altitude = np.degrees(np.arctan2(up, np.hypot(north, east)))
        return altitude, np.degrees(np.arctan2(east, north)) % 360


def along(vectors: Floats, axis: Floats) -> Floats:
    """How far vectors, shape (n, m, 3) or broadcastable to it, reach along observers' axes, shape (n, 3).

    Column by column: numpy is slow at sums of three.
    """
    x, y, z = (axis[:, None, k] for k in range(3))
    return np.asarray(vectors[..., 0] * x + vectors[..., 1] * y + vectors[..., 2] * z)
