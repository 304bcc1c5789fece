"""What the brightness of the sky costs: a minute at a site, a season with loss windows, the towns.

    python tests/bench/glow.py [--quick] [--json]

`us_per_site_minute`: the whole sum at the core, with the places of Sun, Moon and core, for the minutes
of a year's dark windows, Moon or not. `season_s`: one site's year with loss windows in a new process
that has read nothing yet: towns, kernel, nights, loss; the median of three. `extract_kb`: the packaged
towns with their names. `load_ms`: reading them in a new process, names included. All in processor time:
what else runs on the machine doesn't count. What is measured is told on standard error as it comes; the
last line on standard output is one JSON object.
"""

# ruff: noqa: E402 - the number of threads must be set before numpy is loaded

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from datetime import date
from pathlib import Path
from statistics import median

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np

from alerts.sites.model import Site
from alerts.sky.brightness.total import site_sky, sky_at
from alerts.sky.brightness.towns import COLUMNS_FILE, NAMES_FILE
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes, Target
from alerts.sky.nights.night_builder import nights_for_sites

DATA = ROOT / "alerts" / "sky" / "brightness" / "data"
PLACES = ((44.3, 5.9), (30.1, -5.8), (-31.3, 149.1), (46.9, 8.9), (0.3, 36.0))
SEASON = """
import time
began = time.process_time()
from datetime import date
from alerts.sky.night import SkyWishes, Target
from alerts.sky.nights.night_builder import nights_for_sites
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.brightness.total import loss_spans, site_sky
site = Site("There", 44.3, 5.9, 1000.0)
nights = nights_for_sites([site], date(2027, 1, 1), 365, SkyWishes(moonless=False), Ephemeris.open())
found, _ = loss_spans([site_sky(site)], nights.table, Target(), 0.3, nights.windows)
assert len(found) > 100
print(time.process_time() - began)
"""
LOAD = """
import time
import alerts.sky.brightness.towns as towns
began = time.process_time()
towns.packaged_towns().names[0]
print((time.process_time() - began) * 1000)
"""


def in_new_process(script: str, repeats: int) -> float:
    """The median of what a script prints about itself."""
    command = [sys.executable, "-c", script]
    runs = (
        subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True) for _ in range(repeats)
    )
    return median(float(run.stdout) for run in runs)


def us_per_site_minute(n_sites: int) -> float:
    sites = [Site(f"Site {k}", lat, lon, 800.0) for k, (lat, lon) in enumerate(PLACES[:n_sites])]
    skies = [site_sky(site) for site in sites]
    nights = nights_for_sites(sites, date(2027, 1, 1), 365, SkyWishes(moonless=False), Ephemeris.open())
    spent_s, minutes = 0.0, 0
    for row, sky in enumerate(skies):
        own = nights.windows.pick(nights.windows.row == row)
        pieces = [np.arange(a, b, 60.0) for a, b in zip(own.start_s, own.end_s, strict=True)]
        at_s = np.concatenate(pieces)
        began = time.process_time()
        sky_at(sky, Target(), at_s, nights.table)
        spent_s += time.process_time() - began
        minutes += len(at_s)
    return spent_s / minutes * 1e6


def tell(name: str, value: float) -> float:
    print(f"{name}: {value:.4g}", file=sys.stderr)
    return round(value, 4)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="one site, one run of each")
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line (always so)")
    asked = parser.parse_args()
    repeats = 1 if asked.quick else 3
    extract = sum((DATA / name).stat().st_size for name in (COLUMNS_FILE, NAMES_FILE)) / 1024
    figures = {
        "us_per_site_minute": tell(
            "us_per_site_minute", us_per_site_minute(1 if asked.quick else len(PLACES))
        ),
        "season_s": tell("season_s", in_new_process(SEASON, repeats)),
        "extract_kb": tell("extract_kb", extract),
        "load_ms": tell("load_ms", in_new_process(LOAD, repeats)),
    }
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
