"""Zones of map tiles that lie in one zone as a whole: most places, without loading all borders.

The tiles are those of tzfpy's own index, by which it answers before it looks at borders; `make_tiles.py`
wrote them down. They speak for the version of tzfpy that they were taken from, and for no other.
"""

from __future__ import annotations

import math
import zlib
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

TILES_FILE = "tiles.zz"
ZOOMS = range(5, 10)
EDGE = 1e-5
"""Of a tile's width: so near an edge the borders are asked."""


class ZoneTiles(NamedTuple):
    """made_from: the version of tzfpy. names: zones. key: `tile_key`s, ascending, shape (n,). zone: indices
    of names, (n,)."""

    made_from: str
    names: tuple[str, ...]
    key: npt.NDArray[np.uint32]
    zone: npt.NDArray[np.uint16]


def tile_key(zoom: int, x: int, y: int) -> int:
    """One number for a tile of the web map; x from 180° W eastwards, y from 85.05° N southwards."""
    return (zoom << 20) | (x << 10) | y


def tzfpy_version() -> str:
    return version("tzfpy")


def find_zone(lat_deg: float, lon_deg: float) -> str | None:
    """The zone of the tile that a place lies in; None where no tile lies in one zone alone."""
    tiles = packaged_tiles()
    if tiles.made_from != tzfpy_version() or not (abs(lat_deg) < 85 and abs(lon_deg) < 180):
        return None
    east = (lon_deg + 180) / 360
    south = (1 - math.asinh(math.tan(math.radians(lat_deg))) / math.pi) / 2
    for zoom in ZOOMS:
        (x_part, x), (y_part, y) = math.modf(east * 2**zoom), math.modf(south * 2**zoom)
        key = tile_key(zoom, int(x), int(y))
        row = int(np.searchsorted(tiles.key, key))
        if row < len(tiles.key) and tiles.key[row] == key:
            is_inside = min(x_part, y_part) > EDGE and max(x_part, y_part) < 1 - EDGE
            return tiles.names[tiles.zone[row]] if is_inside else None
    return None


@cache
def packaged_tiles() -> ZoneTiles:
    return unpack_tiles((files("service.common.zone_tiles") / TILES_FILE).read_bytes())


def pack_tiles(tiles: ZoneTiles) -> bytes:
    """A heading with version and names, then how far each key lies from the one before, then zones."""
    heading = "\t".join([tiles.made_from, *tiles.names]).encode() + b"\n"
    steps = np.diff(tiles.key, prepend=np.uint32(0)).astype("<u4")
    return zlib.compress(heading + steps.tobytes() + tiles.zone.astype("<u2").tobytes(), 9)


def unpack_tiles(packed: bytes) -> ZoneTiles:
    heading, _, body = zlib.decompress(packed).partition(b"\n")
    made_from, *names = heading.decode().split("\t")
    n = len(body) // 6
    key = np.cumsum(np.frombuffer(body, "<u4", n), dtype=np.uint32)
    return ZoneTiles(made_from, tuple(names), key, np.frombuffer(body, "<u2", n, offset=4 * n))
