"""Places of at least 1,000 people and where they lie: an extract of GeoNames, carried in the package.

The extract is made by data/make_towns.py; data/NOTICE.md names its source and licence (CC BY 4.0).
It is read when first asked for. Packed by zlib: by LZMA it would be a tenth smaller, and take six times as
long to read. Positions are true to 0.3 km, populations to 2 per cent.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib.resources import files
from typing import overload

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
COLUMNS_FILE, NAMES_FILE = "towns.bin.zz", "town-names.txt.zz"
_FORMAT = b"duskbell towns 3"
USUAL, SPARING, LAVISH = range(3)
"""How much light a town's people make, by the customs of their country (see `light_domes`)."""
_DATA = files("alerts.sky.brightness") / "data"


class _Lines(Sequence[str]):
    """Lines of UTF-8, made into text one by one: of all names an answer has some ten."""

    def __init__(self, text: bytes) -> None:
        self._text = text + b"\n"
        self._end = np.flatnonzero(np.frombuffer(self._text, dtype=np.uint8) == ord("\n"))

    def __len__(self) -> int:
        return len(self._end)

    @overload
    def __getitem__(self, index: int) -> str: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[str, ...]: ...
    def __getitem__(self, index: int | slice) -> str | tuple[str, ...]:
        if isinstance(index, slice):
            return tuple(self[each] for each in range(*index.indices(len(self))))
        row = range(len(self))[index]
        return self._text[self._end[row - 1] + 1 if row else 0 : self._end[row]].decode()


@dataclass(frozen=True)
class Towns:
    """Towns in order of their one-degree cells, arrays of shape (n,).

    cell: (lat + 90) * 360 + lon + 180 of the cell's south-west corner. lamps: USUAL, SPARING or
    LAVISH. own_names: one each; without them the packaged
    extract's.
    """

    cell: Ints
    lat_deg: Floats
    lon_deg: Floats
    population: Floats
    lamps: Ints
    own_names: tuple[str, ...] | None = None

    def __len__(self) -> int:
        return len(self.cell)

    @cached_property
    def names(self) -> Sequence[str]:
        """The towns' names; for the packaged extract read when first asked for."""
        if self.own_names is not None:
            return self.own_names
        return _Lines(zlib.decompress((_DATA / NAMES_FILE).read_bytes()))

    def near(self, lat_deg: float, lon_deg: float, within_km: float) -> tuple[Ints, Floats, Floats]:
        """Rows of the towns within a great-circle distance of a place, on a sphere, with the distance in km
        and the bearing in degrees (from north through east) of each."""
        reach_deg = within_km / KM_PER_DEG
        # the rows of all one-degree cells that come within reach; columns are counted from 180 west
        south, north = max(math.floor(lat_deg - reach_deg), -90), min(math.floor(lat_deg + reach_deg), 89)
        first, columns = 0, 360
        if abs(lat_deg) + reach_deg < 90:
            sine = math.sin(math.radians(reach_deg)) / math.cos(math.radians(lat_deg))
            half_deg = math.degrees(math.asin(min(sine, 1)))
            west, east = math.floor(lon_deg - half_deg) + 180, math.floor(lon_deg + half_deg) + 180
            first, columns = west % 360, min(east - west + 1, 360)
        pieces = [(first, min(first + columns, 360)), (0, first + columns - 360)]
        found = [np.zeros(0, dtype=np.intp)]
        for low, high in pieces if pieces[1][1] > 0 else pieces[:1]:
            cells = (np.arange(south, north + 1) + 90)[:, None] * 360 + np.array([low, high])
            found += [np.arange(a, b) for a, b in np.searchsorted(self.cell, cells)]
        row = np.concatenate(found)

        here, there = math.radians(lat_deg), np.radians(self.lat_deg[row])
        turn = np.radians(self.lon_deg[row] - lon_deg)
        half = np.sin((there - here) / 2) ** 2 + math.cos(here) * np.cos(there) * np.sin(turn / 2) ** 2
        distance_km = EARTH_RADIUS_KM * 2 * np.arcsin(np.sqrt(half))
        inside = distance_km <= within_km
        row, there, turn = row[inside], there[inside], turn[inside]
        eastward = np.sin(turn) * np.cos(there)
        northward = math.cos(here) * np.sin(there) - math.sin(here) * np.cos(there) * np.cos(turn)
        bearing_deg = np.degrees(np.arctan2(eastward, northward)) % 360
        return row, distance_km[inside], bearing_deg


def towns_at(
    lat_deg: npt.ArrayLike,
    lon_deg: npt.ArrayLike,
    population: npt.ArrayLike,
    names: tuple[str, ...],
    lamps: npt.ArrayLike | None = None,
) -> Towns:
    """Towns from plain lists of the same length, in any order; longitudes -180..180. lamps: USUAL,
    unless given."""
    lat, lon = np.asarray(lat_deg, dtype=np.float64), np.asarray(lon_deg, dtype=np.float64)
    cell = (np.minimum(np.floor(lat).astype(np.intp), 89) + 90) * 360
    cell += (np.floor(lon).astype(np.intp) + 180) % 360
    order = np.argsort(cell, kind="stable")
    ordered = tuple(names[row] for row in order)
    people = np.asarray(population, dtype=np.float64)
    kinds = np.full(len(lat), USUAL) if lamps is None else np.asarray(lamps, dtype=np.intp)
    return Towns(cell[order], lat[order], lon[order], people[order], kinds[order], ordered)


@lru_cache(maxsize=1)
def packaged_towns() -> Towns:
    """The packaged extract, read once. Raises BadInput when its file isn't one of ours."""
    return unpack_towns(zlib.decompress((_DATA / COLUMNS_FILE).read_bytes()))


def pack_towns(towns: Towns) -> bytes:
    """The bytes that `unpack_towns` reads; names are kept beside them."""
    lat, lon = towns.lat_deg, towns.lon_deg
    columns = (
        np.diff(towns.cell, prepend=0).astype("<u2"),
        np.floor((lat - np.floor(lat)) * CELLS_PER_DEG).astype("u1"),
        np.floor((lon - np.floor(lon)) * CELLS_PER_DEG).astype("u1"),
        np.round(np.log(towns.population / SMALLEST_TOWN) / math.log(POPULATION_STEP)).astype("u1"),
        towns.lamps.astype("u1"),
    )
    return b"%s %d\n" % (_FORMAT, len(towns)) + b"".join(column.tobytes() for column in columns)


def unpack_towns(packed: bytes) -> Towns:
    """Towns from an unpacked extract: a heading with their number, then five columns."""
    heading, _, body = packed.partition(b"\n")
    if heading.rpartition(b" ")[0] != _FORMAT or len(body) != 6 * int(heading.rpartition(b" ")[2]):
        raise BadInput(phrase("sky.towns-damaged"))
    n = len(body) // 6
    cell = np.cumsum(np.frombuffer(body, "<u2", n).astype(np.intp))
    bytes_ = [np.frombuffer(body, "u1", n, offset=(2 + k) * n) for k in range(4)]
    lat, lon, size = (column.astype(np.float64) for column in bytes_[:3])
    return Towns(
        cell,
        cell // 360 - 90 + (lat + 0.5) / CELLS_PER_DEG,
        cell % 360 - 180 + (lon + 0.5) / CELLS_PER_DEG,
        SMALLEST_TOWN * POPULATION_STEP**size,
        bytes_[3].astype(np.intp),
    )
