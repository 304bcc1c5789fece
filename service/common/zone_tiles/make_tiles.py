"""Write the tiles of one zone down anew from the installed tzfpy, after it was renewed.

python -m service.common.zone_tiles.make_tiles
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from pathlib import Path

import numpy as np
import tzfpy

from service.common.zone_tiles.tiles import TILES_FILE, ZOOMS, ZoneTiles, pack_tiles, tile_key, tzfpy_version

Tile = tuple[int, int, int]


def read_index() -> dict[Tile, set[str]]:
    """The zones of each tile (zoom, x, y) in tzfpy's index."""
    found: dict[Tile, set[str]] = defaultdict(set)
    for name in tzfpy.timezonenames():
        try:
            index = json.loads(tzfpy.get_tz_index_geojson(name))
        except ValueError:  # a zone that fills no tile
            continue
        for feature in index["features"]:
            for (ring,) in feature["geometry"]["coordinates"]:
                west, east = min(lon for lon, _ in ring), max(lon for lon, _ in ring)
                north = math.radians(max(lat for _, lat in ring))
                zoom = round(math.log2(360 / (east - west)))
                south = (1 - math.asinh(math.tan(north)) / math.pi) / 2
                found[zoom, round((west + 180) / 360 * 2**zoom), round(south * 2**zoom)].add(name)
    return found


def of_one_zone(index: dict[Tile, set[str]]) -> dict[Tile, str]:
    """Tiles that no other zone has, nor a part of them, nor what they are a part of."""
    shared: set[Tile] = set()
    for (zoom, x, y), zones in index.items():
        for up in range(zoom - min(ZOOMS) + 1):
            above = (zoom - up, x >> up, y >> up)
            if len(index.get(above, zones) | zones) > 1:
                shared |= {above, (zoom, x, y)}
    return {tile: min(zones) for tile, zones in index.items() if tile not in shared and tile[0] in ZOOMS}


def main() -> None:
    tiles = sorted((tile_key(*tile), zone) for tile, zone in of_one_zone(read_index()).items())
    names = tuple(sorted({zone for _, zone in tiles}))
    place = {name: number for number, name in enumerate(names)}
    keys = np.array([key for key, _ in tiles], dtype=np.uint32)
    zones = np.array([place[zone] for _, zone in tiles], dtype=np.uint16)
    (Path(__file__).parent / TILES_FILE).write_bytes(
        pack_tiles(ZoneTiles(tzfpy_version(), names, keys, zones))
    )


if __name__ == "__main__":
    main()
