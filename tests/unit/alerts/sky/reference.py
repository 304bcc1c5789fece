"""Reference values from tests/data/sky, and short ways to make values for tests."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import astropy_iers_data
import numpy as np
from ephem import _libastro
from skyfield.data import iers
from skyfield.timelib import Timescale

from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris, SkyTable
from alerts.sky.observers import Ground

DATA = Path(__file__).parents[3] / "data" / "sky"
DAY_S = 86_400


def read_json(name: str) -> Any:
    return json.loads((DATA / name).read_text(encoding="utf-8"))


def read_rows(name: str) -> list[dict[str, str]]:
    """The rows of a CSV file whose head is made of # lines."""
    with (DATA / name).open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def utc_s(text: str) -> float:
    """POSIX seconds of an ISO time; without a zone it is UTC."""
    at = datetime.fromisoformat(text)
    return (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp()


def one_place(lat_deg: float, lon_deg: float, elevation_m: float = 0.0) -> Ground:
    return Ground.of([Site("There", lat_deg, lon_deg, elevation_m)])


def table_at(ephemeris: Ephemeris, at_s: float) -> SkyTable:
    return ephemeris.table(at_s - 1, at_s + 1)


def airless_deg(apparent_deg: float, pressure_hpa: float, temperature_c: float) -> float:
    """The airless altitude of what is seen at an apparent one, by PyEphem's own refraction."""
    return math.degrees(_libastro.unrefract(pressure_hpa, temperature_c, math.radians(apparent_deg)))


def angle_deg(text: str) -> float:
    """Degrees from `13h10m46.3s`, `-5d16m13.1s` or a plain number."""
    hours = "h" in text
    parts = [
        float(part)
        for part in text.strip("s+-").replace("h", " ").replace("d", " ").replace("m", " ").split()
    ]
    value = sum(part / 60**k for k, part in enumerate(parts)) * (15 if hours else 1)
    return -value if text.startswith("-") else value


def separation_deg(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Angle between two (altitude, azimuth) or (declination, right ascension) pairs in degrees."""
    vectors = [
        np.array([np.cos(y) * np.cos(x), np.cos(y) * np.sin(x), np.sin(y)])
        for y, x in (np.radians(pair) for pair in (a, b))
    ]
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(*vectors)), vectors[0] @ vectors[1])))


def skyfield_scale() -> Timescale:
    """skyfield's time with the same IERS table as ours, by its own reader, polar motion included."""
    with Path(astropy_iers_data.IERS_A_FILE).open("rb") as file:
        finals = iers.parse_x_y_dut1_from_finals_all(file)
    tt_jd, delta_t, leap_dates, leap_offsets = iers.build_timescale_arrays(finals["utc_mjd"], finals["dut1"])
    scale = Timescale((tt_jd, delta_t), leap_dates, leap_offsets)
    iers.install_polar_motion_table(scale, finals)
    return scale


def ids(cases: Iterable[dict[str, Any]], *keys: str) -> list[str]:
    return ["-".join(str(case[key]) for key in keys) for case in cases]
