"""The shapes of the Milky Way found by looking at points along the band: places by astropy and ERFA, each
part of the definition asked of the points. It shares no code and no formula with what is tested.

    python tests/unit/alerts/sky/band_by_points.py

writes tests/data/sky/band-shapes-by-month.csv: the share of dark time in which each shape stands, by month
and latitude.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import erfa
import numpy as np
import numpy.typing as npt
from astropy import units
from astropy.coordinates import SkyCoord

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

TABLE = Path(__file__).parents[3] / "data" / "sky" / "band-shapes-by-month.csv"
LATITUDES_DEG = tuple(range(-45, 61, 5))
YEAR, DAYS, STEP_S, DAY_S = 2026, (5, 15, 25), 180, 86_400
STEP_L_DEG = 0.25
UNIX_JD = 2_440_587.5
TT_AHEAD_S = 69.184
"""Of UTC since 2017: 37 leap seconds and 32.184 s."""


@dataclass(frozen=True)
class Seen:
    """What points along the band show, shape (n,) each."""

    core_deg: Floats
    apex_deg: Floats
    apex_azimuth_deg: Floats
    overhead: Flags
    column: Flags
    arch: Flags
    leaning: Flags


def earth_fixed(at_s: Floats) -> Floats:
    """Matrices from ICRS to the turning Earth, shape (n, 3, 3), since 2017; UT1 is taken as UTC."""
    day = np.floor(at_s / DAY_S)
    utc = UNIX_JD + day, at_s / DAY_S - day
    return np.asarray(erfa.c2t06a(utc[0], utc[1] + TT_AHEAD_S / DAY_S, *utc, 0.0, 0.0))


def points_seen(
    lat_deg: float,
    lon_deg: float,
    at_s: Floats,
    first_l_deg: float = 235.0,
    last_l_deg: float = 120.0,
    step_l_deg: float = STEP_L_DEG,
) -> Seen:
    """At one place and some POSIX times, with frames filled by the band from one longitude to another."""
    longitudes = np.arange(0, 360, step_l_deg)
    n_points = len(longitudes)
    band = SkyCoord(l=longitudes * units.deg, b=0 * units.deg, frame="galactic").icrs.cartesian.xyz.value
    lat, lon = np.radians(lat_deg), np.radians(lon_deg)
    axes = np.array(
        [
            [np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)],
            [-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)],
            [-np.sin(lon), np.cos(lon), 0.0],
        ]
    )
    up, north, east = np.moveaxis(axes @ earth_fixed(at_s) @ band, 1, 0)
    altitude, azimuth = np.degrees(np.arcsin(up)), np.degrees(np.arctan2(east, north))
    core, bright = altitude[:, 0], (longitudes - first_l_deg) % 360 <= (last_l_deg - first_l_deg) % 360

    # the apex in the middle, then the points of growing and of falling longitude from it on
    apex = np.argmax(altitude, axis=1)
    steps = np.arange(n_points // 2 + 1)
    top, top_azimuth = altitude.max(axis=1), np.take_along_axis(azimuth, apex[:, None], 1)
    frames, feet, columns = [], [], []
    for way in (1, -1):
        which = (apex[:, None] + way * steps) % n_points
        high = np.take_along_axis(altitude, which, 1)
        aside = np.abs((np.take_along_axis(azimuth, which, 1) - top_azimuth + 180) % 360 - 180)
        is_bright = bright[which]
        in_frame = (aside <= np.degrees(np.arctan(36 / 2 / 24))) & (high > 0)
        frames.append(np.all(~in_frame | (high >= 10), axis=1) & is_bright[:, 0])
        reached = np.where(np.logical_and.accumulate(is_bright, axis=1), high, 90.0).min(axis=1)
        feet.append(reached <= np.degrees(np.arctan(24 / 2 / 24)))
        # what an upright frame of 24 mm sees, 7 degrees of it land
        highest = 2 * np.degrees(np.arctan(36 / 2 / 24)) - 7
        seen = (high >= 10) & (high <= highest)
        middle = np.argmin(np.abs(high - (10 + highest) / 2), axis=1)[:, None]
        middle = np.clip(middle, 1, len(steps) - 2)
        (h1, z1), (h2, z2) = (
            (np.take_along_axis(high, middle + k, 1)[:, 0], np.take_along_axis(aside, middle + k, 1)[:, 0])
            for k in (-1, 1)
        )
        rise, across = np.abs(h2 - h1), np.abs((z2 - z1 + 180) % 360 - 180)
        angle = np.degrees(np.arctan2(rise, across * np.cos(np.radians((h1 + h2) / 2))))
        columns.append(np.all(~seen | is_bright, axis=1) & (top > highest) & (angle >= 70))
    overhead, column = core > 65, columns[0] | columns[1]
    # 24 mm upright sees 73.7 degrees of height, 18 mm 90: 7 of land and 10 of sky are left over for an apex
    spans = frames[0] & frames[1]
    low = spans & (top <= 2 * np.degrees(np.arctan(36 / 2 / 24)) - 17)
    arch = low | (spans & (top <= 73) & feet[0] & feet[1])
    leaning = ~(overhead | column | low)
    return Seen(core, top, top_azimuth[:, 0] % 360, overhead, column, arch, leaning)


def dark_times(lat_deg: float, day: datetime) -> Floats:
    """Every third minute of the night that begins that day at noon, longitude 0, with the Sun below -18."""
    at_s = day.timestamp() + DAY_S / 2 + np.arange(0, DAY_S, STEP_S, dtype=np.float64)
    sun = -erfa.epv00(UNIX_JD, at_s / DAY_S)[0]["p"]
    sun = sun / np.linalg.norm(sun, axis=-1, keepdims=True)
    up = np.array([np.cos(np.radians(lat_deg)), 0.0, np.sin(np.radians(lat_deg))])
    height = np.einsum("i,nij,nj->n", up, earth_fixed(at_s), sun)
    return at_s[height < np.sin(np.radians(-18))]


def write_table() -> None:
    lines = [
        "# Share of dark time (Sun below -18 degrees, Moon or not) in which each shape of the Milky Way",
        "# stands, in per cent, and dark hours a night: means of the nights of the 5th, 15th and 25th of",
        "# each month of 2026 at longitude 0, a sample each 3 minutes; shapes may stand together. COMPUTED",
        "# with astropy 8.0.2 and pyerfa 2.0.1.5 by tests/unit/alerts/sky/band_by_points.py.",
        "lat_deg,month,dark_h,arch,column,leaning,overhead",
    ]
    for lat_deg in LATITUDES_DEG:
        for month in range(1, 13):
            at_s = np.concatenate(
                [dark_times(lat_deg, datetime(YEAR, month, day, tzinfo=UTC)) for day in DAYS]
            )
            hours = len(at_s) * STEP_S / 3600 / len(DAYS)
            shares = ["", "", "", ""]
            if len(at_s):
                seen = points_seen(lat_deg, 0.0, at_s)
                parts = (seen.arch, seen.column, seen.leaning, seen.overhead)
                shares = [f"{100 * part.mean():.1f}" for part in parts]
            lines.append(",".join([str(lat_deg), str(month), f"{hours:.2f}", *shares]))
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    write_table()
