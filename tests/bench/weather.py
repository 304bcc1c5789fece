"""What a night's weather costs: answers read and judged, and what a cycle asks of the feeds.

    python tests/bench/weather.py [--quick] [--json]

Reading and judging: for each site-night five recorded answers are read from their bytes (two single runs of
Open-Meteo with layers, its 21-member ensemble, MET Norway's complete answer, an NWS gridpoint), put together
along a line of sight of five places, and made into one outlook. The answers are moved to one night. One core,
in processor time: what else runs on the machine doesn't count.

Asking: 10,000 sites strewn about 400 regions, a window tonight at each, the default models, ensembles and air
quality, and MET Norway. Counted without a network: the requests of one whole cycle with nothing in the cache,
as they are sent and as they would be for each place by itself (Open-Meteo's models still one request each),
and their weight by Open-Meteo's own rule. The last line on standard output is one JSON object.
"""

# ruff: noqa: E402 - found beside the repository when run as a script

from __future__ import annotations

import argparse
import json
import random
import re
import resource
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from alerts.common.span import Span
from alerts.weather.chance import look_at_cloud
from alerts.weather.clouds import look_along
from alerts.weather.forecast import Forecast, LayerScheme, Place
from alerts.weather.line_of_sight import SightView, places_to_ask
from alerts.weather.models import AIR_ROW, OPEN_METEO, ModelRow, find_model
from alerts.weather.source_chance import EventQuery
from service.feeds.met_norway import parse as met_norway_parse
from service.feeds.met_norway.client import forecast_key
from service.feeds.nws import parse as nws_parse
from service.feeds.open_meteo import parse as open_meteo_parse
from service.feeds.open_meteo.place_batches import batches, product_of, request_weight, share
from service.settings import Settings

FILES = ROOT / "tests/data/feeds"
NIGHT = datetime(2026, 7, 15, tzinfo=UTC)
WINDOW = Span(NIGHT + timedelta(hours=22), NIGHT + timedelta(hours=26))
NOW = NIGHT + timedelta(hours=15)
SITE = Place(45.87, 11.80, 1700.0)
ISO = re.compile(rb"\d{4}-\d\d-\d\dT\d\d:\d\d(?::\d\d)?")
DAYS_ASKED = 6.0
"""From now to the last night that somebody with the default wishes wants to hear of."""


@dataclass(frozen=True)
class Night:
    """One site-night's answers, as bytes."""

    runs: tuple[tuple[str, bytes], ...]
    ensemble: bytes
    metno: bytes
    nws: bytes


def moved(name: str, first: str) -> bytes:
    """A recorded answer with all its times moved so that `first` falls on the bench's night."""
    body, by = (FILES / name).read_bytes(), NIGHT - datetime.fromisoformat(first).replace(tzinfo=UTC)

    def move(found: re.Match[bytes]) -> bytes:
        at = datetime.fromisoformat(found[0].decode()) + by
        return f"{at:%Y-%m-%dT%H:%M:%S}"[: len(found[0])].encode()

    if b"unixtime" in body:
        answer = json.loads(body)
        answer["hourly"]["time"] = [int(at + by.total_seconds()) for at in answer["hourly"]["time"]]
        return json.dumps(answer).encode()
    return ISO.sub(move, body)


def night() -> Night:
    melbourne = moved("open-meteo-forecast-melbourne-unixtime-layers-2024-01-16.json", "2024-01-15T15:00")
    return Night(
        runs=(("icon_seamless", melbourne), ("gfs_seamless", melbourne)),
        ensemble=moved("open-meteo-ensemble-cloud-geps-whistler-2025-12-15.json", "2025-12-15T12:00"),
        metno=moved("metno-complete-59n10e-2022-05-18.json", "2022-05-18T00:00"),
        nws=moved("nws-gridpoint-box-70-82-reanchored-2026-07-15.json", "2026-07-15T00:00"),
    )


def read(answers: Night) -> list[Forecast]:
    """The forecasts of all five answers."""
    found = [
        forecast
        for model, body in answers.runs
        for forecast in open_meteo_parse.parse(body, fetched_at=NOW, model=model).forecasts
    ]
    found += open_meteo_parse.parse(answers.ensemble, fetched_at=NOW, model="gem_global_ensemble").forecasts
    found += met_norway_parse.parse(answers.metno, fetched_at=NOW).forecasts
    found += nws_parse.parse(answers.nws, fetched_at=NOW).forecasts
    return [_dated(forecast) for forecast in found]


def _dated(forecast: Forecast) -> Forecast:
    return replace(forecast, source=replace(forecast.source, issued_at=NOW - timedelta(hours=2)), place=SITE)


def judge(forecasts: Sequence[Forecast], view: SightView, places: Sequence[Place]) -> int | None:
    """The chance of one site-night, with the line of sight put together for its layered runs."""
    seen = []
    for forecast in forecasts:
        if forecast.layer_scheme is not LayerScheme.NONE and not forecast.members:
            sight = look_along(forecast, dict.fromkeys(places, forecast), view, WINDOW)
            seen.append(replace(forecast, sights=(sight,) if sight else ()))
        else:
            seen.append(forecast)
    query = EventQuery(WINDOW, timedelta(minutes=30), NOW, is_night_of=True, view=view)
    return look_at_cloud(query, seen).on_trip().chance_pct


def time_judging(count: int) -> dict[str, float]:
    answers, view = night(), SightView(190.0, 15.0)
    places = places_to_ask(SITE, view, [LayerScheme.OPEN_METEO, LayerScheme.MET_NORWAY], nearest_km=9.0)
    read_s = judged_s = 0.0
    for _ in range(count):
        start = time.process_time()
        forecasts = read(answers)
        between = time.process_time()
        assert judge(forecasts, view, places) is not None
        read_s += between - start
        judged_s += time.process_time() - between
    return {
        "site_nights_per_s": round(count / (read_s + judged_s), 1),
        "read_ms": round(1000 * read_s / count, 2),
        "judge_ms": round(1000 * judged_s / count, 2),
    }


def make_sites(count: int) -> list[Place]:
    """Sites strewn about 400 regions, 15 km to each side as a rule."""
    dice = random.Random(20260715)
    regions = [(dice.uniform(-45, 65), dice.uniform(-180, 180)) for _ in range(400)]
    sites = []
    for _ in range(count):
        lat_deg, lon_deg = dice.choice(regions)
        lat, lon = lat_deg + dice.gauss(0, 0.14), lon_deg + dice.gauss(0, 0.18)
        sites.append(Place(round(lat, 4), round((lon + 180) % 360 - 180, 4), round(dice.uniform(0, 2500))))
    return sites


def look_aside(sites: Iterable[Place]) -> list[Place]:
    """The places along the line of sight of each site's window tonight."""
    schemes = [LayerScheme.OPEN_METEO, LayerScheme.MET_NORWAY]
    return [
        place
        for site in sites
        for place in places_to_ask(
            site, SightView(180.0 if site.lat_deg > 0 else 0.0), schemes, nearest_km=9.0
        )
    ]


def models(settings: Settings) -> list[ModelRow]:
    names = (*settings.open_meteo_models, *settings.open_meteo_ensembles)
    rows = [find_model(OPEN_METEO, name) for name in names]
    return [*(row for row in rows if row is not None), AIR_ROW]


def count_asking(count: int) -> dict[str, float]:
    """Requests and weight of one cycle with an empty cache, shared and each by itself."""
    sites = make_sites(count)
    aside = look_aside(sites)
    totals = {"requests": 0.0, "alone": 0.0, "weight": 0.0, "weight_alone": 0.0}
    for row in models(Settings(data_dir=Path("/nowhere"))):
        _count(row, sites, DAYS_ASKED, totals, aside=False)
        if row.members == 1 and not row.is_air:
            _count(row, aside, 1.0, totals, aside=True)
    totals["requests"] += len({forecast_key(place) for place in (*sites, *aside)})
    totals["alone"] += len(sites) + len(aside)
    return {
        "requests_per_cycle": round(totals["requests"]),
        "requests_without_sharing": round(totals["alone"]),
        "quota_weight": round(totals["weight"]),
        "quota_weight_without_sharing": round(totals["weight_alone"]),
        "places_along_the_view": len(aside),
    }


def _count(
    row: ModelRow, places: Sequence[Place], days: float, totals: dict[str, float], *, aside: bool
) -> None:
    product = product_of(row, aside=aside)
    sent = list(batches(row, product, share(row, product, places), days))
    totals["requests"] += len(sent)
    totals["weight"] += sum(batch.weight for batch in sent)
    totals["alone"] += len(places)
    totals["weight_alone"] += request_weight(len(product.variables), len(places), days, members=row.members)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="500 site-nights and 1,000 sites")
    parser.add_argument("--json", action="store_true", help="the JSON line alone")
    options = parser.parse_args()
    nights, sites = (500, 1_000) if options.quick else (10_000, 10_000)
    figures: dict[str, float] = {"site_nights": nights, "sites": sites}
    figures |= time_judging(nights)
    figures |= count_asking(sites)
    figures["peak_mb"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)
    if not options.json:
        for name, value in figures.items():
            print(f"{name:>30}  {value:,}", file=sys.stderr)
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
