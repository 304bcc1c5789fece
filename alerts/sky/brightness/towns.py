"""Places of at least 1,000 people and where they lie: an extract of GeoNames, carried in the package.

The extract is made by data/make_towns.py; data/NOTICE.md names its source and licence (CC BY 4.0).
It is read when first asked for. Positions are true to 0.3 km, populations to 2 per cent.
"""

from __future__ import annotations

import lzma
import math
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.sites.great_circle import EARTH_RADIUS_KM

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

KM_PER_DEG = EARTH_RADIUS_KM * math.pi / 180
SMALLEST_TOWN = 1000
POPULATION_STEP = 1.045
"""Populations are kept as a power of this, so that one byte holds them."""
CELLS_PER_DEG = 256
COLUMNS_FILE, NAMES_FILE = "towns.bin.xz", "town-names.txt.xz"
_FORMAT = b"duskbell towns 1"


@dataclass(frozen=True)
class NearTowns:
    """Towns around a place: population, distance and bearing (from north through east), shape (n,) each.

    row: their rows in the extract, by which `Towns.name` knows them.
    """

    row: Ints
    population: Floats
    distance_km: Floats
    bearing_deg: Floats

    def __len__(self) -> int:
        return len(self.row)


@dataclass(frozen=True)
class Towns:
    """Towns in order of their one-degree cells, arrays of shape (n,).

    cell: (lat + 90) * 360 + lon + 180 of the cell's south-west corner. names: one each, or none.
    """

    cell: Ints
    lat_deg: Floats
    lon_deg: Floats
    population: Floats
    names: tuple[str, ...] | None = None

    def __len__(self) -> int:
        return len(self.cell)

    def name(self, row: int) -> str:
        """The name of a town; for the packaged extract read when first asked for."""
        return (self.names if self.names is not None else _packaged_names())[row]

    def near(self, lat_deg: float, lon_deg: float, within_km: float) -> NearTowns:
        """The towns within a great-circle distance of a place."""
        row = self._rows_around(lat_deg, lon_deg, within_km / KM_PER_DEG)
        distance, bearing = _way(lat_deg, lon_deg, self.lat_deg[row], self.lon_deg[row])
        inside = distance <= within_km
        row = row[inside]
        return NearTowns(row, self.population[row], distance[inside], bearing[inside])

    def _rows_around(self, lat_deg: float, lon_deg: float, reach_deg: float) -> Ints:
        """Rows in all cells that come within reach, each once."""
        south = max(math.floor(lat_deg - reach_deg), -90)
        north = min(math.floor(lat_deg + reach_deg), 89)
        lats = np.arange(south, north + 1)
        west, columns = _columns(lat_deg, lon_deg, reach_deg)
        first = west % 360
        starts, ends = [(first, min(first + columns, 360))], (0, first + columns - 360)
        pieces = [*starts, ends] if ends[1] > 0 else starts
        found = [np.zeros(0, dtype=np.intp)]
        for low, high in pieces:
            bounds = np.searchsorted(self.cell, (lats + 90)[:, None] * 360 + np.array([low, high]))
            found += [np.arange(a, b) for a, b in bounds]
        return np.concatenate(found)


def _columns(lat_deg: float, lon_deg: float, reach_deg: float) -> tuple[int, int]:
    """First cell column (counted from 180 west) and number of columns that come within reach."""
    if abs(lat_deg) + reach_deg >= 90:
        return 0, 360
    half = math.degrees(
        math.asin(min(math.sin(math.radians(reach_deg)) / math.cos(math.radians(lat_deg)), 1))
    )
    west = math.floor(lon_deg - half) + 180
    return west, min(math.floor(lon_deg + half) + 180 - west + 1, 360)


def _way(lat_deg: float, lon_deg: float, lats_deg: Floats, lons_deg: Floats) -> tuple[Floats, Floats]:
    """Great-circle distance in km and bearing in degrees from one place to others, on a sphere."""
    here, there = math.radians(lat_deg), np.radians(lats_deg)
    turn = np.radians(lons_deg - lon_deg)
    half = np.sin((there - here) / 2) ** 2 + math.cos(here) * np.cos(there) * np.sin(turn / 2) ** 2
    east = np.sin(turn) * np.cos(there)
    north = math.cos(here) * np.sin(there) - math.sin(here) * np.cos(there) * np.cos(turn)
    return EARTH_RADIUS_KM * 2 * np.arcsin(np.sqrt(half)), np.degrees(np.arctan2(east, north)) % 360


def towns_at(
    lat_deg: npt.ArrayLike, lon_deg: npt.ArrayLike, population: npt.ArrayLike, names: tuple[str, ...]
) -> Towns:
    """Towns from plain lists of the same length, in any order; longitudes -180..180."""
    lat, lon = np.asarray(lat_deg, dtype=np.float64), np.asarray(lon_deg, dtype=np.float64)
    cell = cell_of(lat, lon)
    order = np.argsort(cell, kind="stable")
    ordered = tuple(names[row] for row in order)
    people = np.asarray(population, dtype=np.float64)
    return Towns(cell[order], lat[order], lon[order], people[order], ordered)


def cell_of(lat_deg: Floats, lon_deg: Floats) -> Ints:
    """The one-degree cell of each place, as in `Towns`."""
    row = np.minimum(np.floor(lat_deg).astype(np.intp), 89) + 90
    return row * 360 + (np.floor(lon_deg).astype(np.intp) + 180) % 360


NO_TOWNS = Towns(
    np.zeros(0, dtype=np.intp),
    np.zeros(0, dtype=float),
    np.zeros(0, dtype=float),
    np.zeros(0, dtype=float),
    (),
)


@lru_cache(maxsize=1)
def packaged_towns() -> Towns:
    """The packaged extract, read once. Raises BadInput when its file isn't one of ours."""
    return unpack_towns(_unpacked(COLUMNS_FILE))


def pack_towns(cell: Ints, lat_deg: Floats, lon_deg: Floats, population: Floats) -> bytes:
    """The bytes that `unpack_towns` reads; rows in order of their cells."""
    columns = (
        np.diff(cell, prepend=0).astype("<u2"),
        np.floor((lat_deg - np.floor(lat_deg)) * CELLS_PER_DEG).astype("u1"),
        np.floor((lon_deg - np.floor(lon_deg)) * CELLS_PER_DEG).astype("u1"),
        np.round(np.log(population / SMALLEST_TOWN) / math.log(POPULATION_STEP)).astype("u1"),
    )
    return b"%s %d\n" % (_FORMAT, len(cell)) + b"".join(column.tobytes() for column in columns)


def unpack_towns(packed: bytes) -> Towns:
    """Towns from an unpacked extract: a heading with their number, then four columns."""
    heading, _, body = packed.partition(b"\n")
    if heading.rpartition(b" ")[0] != _FORMAT or len(body) != 5 * int(heading.rpartition(b" ")[2]):
        raise BadInput(phrase("sky.towns-damaged"))
    n = len(body) // 5
    cell = np.cumsum(np.frombuffer(body, "<u2", n).astype(np.intp))
    lat, lon, size = (np.frombuffer(body, "u1", n, offset=(2 + k) * n).astype(np.float64) for k in range(3))
    return Towns(
        cell,
        cell // 360 - 90 + (lat + 0.5) / CELLS_PER_DEG,
        cell % 360 - 180 + (lon + 0.5) / CELLS_PER_DEG,
        SMALLEST_TOWN * POPULATION_STEP**size,
    )


@lru_cache(maxsize=1)
def _packaged_names() -> tuple[str, ...]:
    return tuple(_unpacked(NAMES_FILE).decode().split("\n"))


def _unpacked(name: str) -> bytes:
    return lzma.decompress((files("alerts.sky.brightness") / "data" / name).read_bytes())
