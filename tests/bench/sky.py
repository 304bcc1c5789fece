"""What a night's sky costs, against skyfield's search, skyfield's vectors cut by numpy, and PyEphem on
the same job in the same run.

    python tests/bench/sky.py [--quick] [--json]

The job: for each site and night the crossings of the Sun through -0.83, -6, -12 and -18 degrees and
of the Moon through its rising altitude. `windows` adds the core above 10 degrees and above a ridge of
36 points, and cuts the dark windows of every night. One core; the places of Sun and Moon through the
year are computed once and given apart (`table_s`). Sites lie between 50 south and 50 north, where the
others need no special care. What is measured is told on standard error as it comes; the last line on
standard output is one JSON object.
"""

# ruff: noqa: E402 - the number of threads must be set before numpy is loaded

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import ephem
import numpy as np
import numpy.typing as npt

from alerts.sites.model import HorizonLine, Site
from alerts.sky.crossings import SUNRISE_DEG, moon_crossings, sun_crossings
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes
from alerts.sky.nights.night_builder import (
    ASTRONOMICAL_DEG,
    CIVIL_DEG,
    NAUTICAL_DEG,
    nights_for_sites,
)
from alerts.sky.observers import MOON_RADIUS_KM, Ground

Floats = npt.NDArray[np.float64]
Vectors = tuple[Floats, Floats]

LEVELS_DEG = (SUNRISE_DEG, CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG)
FIRST = date(2026, 1, 1)
FIRST_S = datetime(2026, 1, 1, tzinfo=UTC).timestamp()
DAY_S = 86_400
SEASON = (
    "from datetime import date\n"
    "from alerts.sky.night import SkyWishes\n"
    "from alerts.sky.nights.season import season\n"
    "from alerts.sites.model import Site\n"
    "from alerts.sky.ephemeris import Ephemeris\n"
    "s = season(Site('There', 45, 7), date(2027, 1, 1), date(2027, 12, 31), SkyWishes(), Ephemeris.open())\n"
    "print(len(s.nights))\n"
)


def make_sites(count: int) -> list[Site]:
    random = np.random.default_rng(20260715)
    azimuths = tuple(float(azimuth) for azimuth in range(0, 360, 10))
    return [
        Site(
            f"site {k}",
            float(random.uniform(-50, 50)),
            float(random.uniform(-180, 180)),
            float(random.uniform(0, 3000)),
            horizon=HorizonLine(azimuths, tuple(random.uniform(0, 12, 36).tolist())),
        )
        for k in range(count)
    ]


def timed(job: Callable[[], object]) -> float:
    start = time.perf_counter()
    job()
    return time.perf_counter() - start


def best_of(times: int, job: Callable[[], object]) -> float:
    return min(timed(job) for _ in range(times))


def sun_and_moon(sites: Sequence[Site], nights: int, ephemeris: Ephemeris) -> None:
    table = ephemeris.table(FIRST_S, FIRST_S + nights * DAY_S)
    for low in range(0, len(sites), 500):
        ground = Ground.of(sites[low : low + 500])
        sun_crossings(ground, table, LEVELS_DEG)
        moon_crossings(ground, table)


def windows(sites: Sequence[Site], nights: int, ephemeris: Ephemeris) -> None:
    for low in range(0, len(sites), 500):
        nights_for_sites(sites[low : low + 500], FIRST, nights, SkyWishes(), ephemeris)


def by_skyfield(sites: Sequence[Site], nights: int, ephemeris: Ephemeris) -> None:
    from skyfield import almanac
    from skyfield.api import load, load_file, wgs84

    scale = load.timescale(builtin=True)
    t0, t1 = scale.utc(2026, 1, 1), scale.utc(2026, 1, 1 + nights)
    with closing(load_file(str(ephemeris.path))) as kernel:
        for site in sites:
            place = wgs84.latlon(site.lat_deg, site.lon_deg, elevation_m=site.elevation_m)
            observer = kernel["earth"] + place
            for search in (almanac.find_risings, almanac.find_settings):
                for level_deg in LEVELS_DEG:
                    search(observer, kernel["sun"], t0, t1, horizon_degrees=level_deg)
                search(observer, kernel["moon"], t0, t1)


def by_numpy(sites: Sequence[Site], nights: int, vectors: Vectors) -> list[Floats]:
    """The same crossings as a short script has them: each site's half-hourly altitudes, cut on the cubic
    through four samples by three steps of Newton's. The days of year of each level's crossings, a list a site
    and level."""
    found, at_day = [], np.arange(nights * 48 + 1) / 48
    for site in sites:
        ground = Ground.of([site])
        for body_km, levels_deg in zip(vectors, (LEVELS_DEG, (-34 / 60,)), strict=True):
            seen = body_km - ground.place_km[0]
            distance_km = np.sqrt((seen * seen).sum(axis=1))
            altitude = np.arcsin(seen @ ground.up[0] / distance_km)
            if len(levels_deg) == 1:
                altitude = altitude + np.arcsin(MOON_RADIUS_KM / distance_km)
            for level_deg in levels_deg:
                above = altitude - np.radians(level_deg)
                at = np.flatnonzero((above[1:] > 0) != (above[:-1] > 0))
                at = at[(at > 0) & (at < len(above) - 2)]
                a, b, c, d = (above[at + k] for k in (-1, 0, 1, 2))
                one, two, three = c - a / 3 - b / 2 - d / 6, (a + c) / 2 - b, (d - a) / 6 + (b - c) / 2
                share = b / (b - c)
                for _ in range(3):
                    value = b + share * (one + share * (two + share * three))
                    share = share - value / (one + share * (2 * two + share * 3 * three))
                found.append(at_day[at] + share / 48)
    return found


def read_vectors(nights: int, ephemeris: Ephemeris) -> Vectors:
    """Sun and Moon every half hour, Earth-fixed km, shape (n, 3) each, once from skyfield."""
    from skyfield.api import load, load_file
    from skyfield.framelib import itrs

    t = load.timescale(builtin=True).utc(2026, 1, 1, 0, np.arange(nights * 48 + 1) * 30)
    with closing(load_file(str(ephemeris.path))) as kernel:
        seen = kernel["earth"].at(t)
        sun, moon = (seen.observe(kernel[body]).apparent() for body in ("sun", "moon"))
        return sun.frame_xyz(itrs).km.T, moon.frame_xyz(itrs).km.T


def worst_apart_s(sites: Sequence[Site], nights: int, ephemeris: Ephemeris, found: list[Floats]) -> float:
    """By how much the script's crossings and the product's are apart, so that both do the same job.

    Where a path grazes the level (an hour or less between two crossings) either may miss a pair."""
    table, ground, worst = ephemeris.table(FIRST_S, FIRST_S + nights * DAY_S), Ground.of(sites), 0.0
    ours = [*sun_crossings(ground, table, LEVELS_DEG), moon_crossings(ground, table)]
    for number, days in enumerate(found):
        row, level = divmod(number, len(ours))
        whole = ours[level].at_s[ours[level].bounds[row] : ours[level].bounds[row + 1]]
        steep = np.flatnonzero(np.minimum(np.diff(whole, prepend=0), np.diff(whole, append=np.inf)) > 3600)
        steep_s = whole[steep][
            (whole[steep] > FIRST_S + 3600) & (whole[steep] < FIRST_S + nights * DAY_S - 7200)
        ]
        worst = max(worst, float(np.abs(steep_s[:, None] - (FIRST_S + days * DAY_S)[None]).min(axis=1).max()))
    return worst


def by_ephem(sites: Sequence[Site], nights: int) -> None:
    sun, moon = ephem.Sun(), ephem.Moon()
    for site in sites:
        observer = ephem.Observer()
        observer.lat, observer.lon = np.radians(site.lat_deg), np.radians(site.lon_deg)
        observer.elevation, observer.pressure = site.elevation_m, 0
        start = ephem.Date("2026/1/1")
        for night in range(nights):
            for level_deg in LEVELS_DEG:
                observer.horizon = np.radians(level_deg)
                ephem_pair(observer, sun, start + night, use_center=True)
            observer.horizon = np.radians(-34 / 60)
            ephem_pair(observer, moon, start + night, use_center=False)


def ephem_pair(observer: ephem.Observer, body: ephem.Body, at: float, *, use_center: bool) -> None:
    for search in (observer.next_setting, observer.next_rising):
        observer.date = at
        try:
            search(body, use_center=use_center)
        except ephem.CircumpolarError:
            continue  # the Sun stays above -18 degrees in June at 50 degrees


def growth(ephemeris: Ephemeris) -> list[dict[str, float]]:
    """Microseconds a site-night for more and more sites and nights: level when the cost is linear."""
    rows = []
    for nights in (14, 60, 365):
        for count in (100, 1000, 10_000):
            sites = make_sites(count)
            spent = timed(lambda sites=sites, nights=nights: windows(sites, nights, ephemeris))
            rows.append({"sites": count, "nights": nights, "seconds": round(spent, 3),
                         "us_per_site_night": round(spent / count / nights * 1e6, 2)})  # fmt: skip
            say(f"  {count:>6} sites x {nights:>3} nights  {spent:7.2f} s  "
                f"{rows[-1]['us_per_site_night']:5.2f} us a site-night")  # fmt: skip
    return rows


def season_cold_s() -> float:
    def run() -> None:
        subprocess.run([sys.executable, "-c", SEASON], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)

    return best_of(2, run)


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def measure(quick: bool) -> dict[str, object]:
    ephemeris, sites, nights = Ephemeris.open(), make_sites(1000), 365
    site_nights = len(sites) * nights
    table_s = timed(lambda: ephemeris.table(FIRST_S - 2 * DAY_S, FIRST_S + 370 * DAY_S))
    say(f"places of Sun and Moon through a year, once: {table_s:.2f} s")
    rounds = 2 if quick else 4
    sun_moon_us = best_of(rounds, lambda: sun_and_moon(sites, nights, ephemeris)) / site_nights * 1e6
    say(f"Sun and Moon, {len(sites)} sites x {nights} nights: {sun_moon_us:.2f} us a site-night")
    windows_us = best_of(rounds, lambda: windows(sites, nights, ephemeris)) / site_nights * 1e6
    say(f"whole windows with core and ridge: {windows_us:.2f} us a site-night")
    whole = nights_for_sites(sites, FIRST, nights, SkyWishes(), ephemeris)
    peak = peak_mb()
    say(f"all {site_nights} nights held at once, {len(whole.windows)} windows: peak {peak:.0f} MB")
    few = sites[:1] if quick else sites[:4]
    skyfield_us = timed(lambda: by_skyfield(few, nights, ephemeris)) / len(few) / nights * 1e6
    ephem_us = timed(lambda: by_ephem(few, nights)) / len(few) / nights * 1e6
    say(f"skyfield's search {skyfield_us:.0f} us, PyEphem {ephem_us:.0f} us a site-night")
    vectors_s = timed(lambda: read_vectors(nights, ephemeris))
    vectors, some = read_vectors(nights, ephemeris), sites[:40]
    numpy_us = best_of(rounds, lambda: by_numpy(some, nights, vectors)) / len(some) / nights * 1e6
    apart_s = worst_apart_s(some, nights, ephemeris, by_numpy(some, nights, vectors))
    say(f"skyfield's vectors ({vectors_s:.2f} s, once), cut by numpy a site: {numpy_us:.2f} us a site-night; "
        f"at most {apart_s:.2f} s from ours")  # fmt: skip
    season_s = season_cold_s()
    say(f"a season at one site, cold: {season_s:.2f} s")
    return {
        "sun_moon_us_per_site_night": round(sun_moon_us, 3),
        "windows_us_per_site_night": round(windows_us, 3),
        "times_faster_than_skyfield": round(skyfield_us / sun_moon_us),
        "times_faster_than_pyephem": round(ephem_us / sun_moon_us),
        "peak_mb": round(peak, 1),
        "table_s": round(table_s, 3),
        "season_cold_s": round(season_s, 2),
        "skyfield_us_per_site_night": round(skyfield_us),
        "pyephem_us_per_site_night": round(ephem_us),
        "numpy_us_per_site_night": round(numpy_us, 2),
        "numpy_vectors_s": round(vectors_s, 2),
        "times_faster_than_numpy": round(numpy_us / sun_moon_us, 1),
        "numpy_apart_s": round(apart_s, 3),
        "growth": [] if quick else growth(ephemeris),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="under 50 seconds")
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line (always so)")
    print(json.dumps(measure(parser.parse_args().quick)))


if __name__ == "__main__":
    main()
