"""What a cycle costs with 10,000 sites and 50,000 subscriptions, on invented weather and SQLite.

    python tests/bench/cycle.py [--quick] [--json] [--sites N] [--days-later N]

An empty installation with that many sites, five subscriptions each, of people who watch five sites. Sites
are somebody's own, so a well-known viewpoint is many sites: ten sites stand at about four places to 0.01
degrees, some at one and some at a dozen, a few hundred metres apart; they share the forecasts and nothing
else. A tenth lie behind a ridge. Six people in ten leave the wishes as they come, the others change one (a
surer chance, a longer window, the core higher up, less cold and wind); all have their own drive, between half
an hour and four. The weather is invented: forty skies of three models over six days, played as answers of the
feeds; nothing is asked of a network. A new run moves the hours of the one before by up to 15 points of cloud.
Measured are the stages up to telling, as `run_cycle` runs them (delivery has a bench of its own; in its place
each message is taken to be sent):

first_cycle_s      from an empty store: every night worked out, every place asked about, all judged and told
second_cycle_s     half an hour later: some nights are looked at once more by their own time, further ones are
                   worked out
unchanged_cycle_s  an hour after that: the feeds have been asked again and said the same
changed_cycle_s    half an hour later, with new runs of all models
growth_ratio       the first cycle's time with all the sites over that with a tenth of them
first_cpu_s        processor time of the first cycle in all processes: what to compare on a busy machine
peak_mb            of this process and, where others share the work, of as many of the largest of them
db_mb_per_day      growth of the store by a whole day after the first cycle: 48 cycles, of which 24 ask the
                   feeds and four get new runs; measured with some dozen sites and given for all
"""

# ruff: noqa: E402 - the number of threads must be set before numpy is loaded

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from sqlalchemy import insert, text, update

from alerts.common.span import Span
from alerts.sites.model import HorizonLine, Site
from alerts.sky.night import SkyWishes
from alerts.weather.forecast import Forecast, LayerScheme, Place, Source
from alerts.weather.hours import HourlyWeather, Hours
from alerts.wishes.model import Wishes
from service.app import Duskbell
from service.feeds.shared.model import Gathered
from service.pipeline import run_cycle as cycle_run
from service.pipeline.judging.process_pool import usual_processes
from service.settings import Settings
from service.store.json_values import to_json
from service.store.repositories.messages import Status
from service.store.repositories.nights import sky_key
from service.store.schema.core_tables import (
    AddressRow,
    MessageRow,
    PersonRow,
    SiteRevisionRow,
    SiteRow,
    SubscriptionRow,
)

START = datetime(2027, 7, 1, 10, 7, tzinfo=UTC)
"""Three days before a new Moon: almost every night has a window, which is the most there can be to do."""
MODELS = (
    ("bench", "Invented Weather Office", "invented-lark", "lark"),
    ("bench", "Invented Weather Office", "invented-plover", "plover"),
    ("bench", "Made-up Met Bureau", "invented-curlew", "curlew"),
)
CYCLES_MIN = {"first": 0, "second": 30, "asked": 60, "unchanged": 90, "changed": 120}
"""Minutes after the start. Every place is asked about once an hour, with nothing to fetch in between; at
the first hour the feeds say the same again."""
SELF, CHILDREN = resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN
SKIES = 40
HOURS = 180
SUBSCRIPTIONS_A_SITE = 5
NEW_RUNS_A_DAY = 4
CYCLES_A_DAY = 48
DRIVES_MIN = (30, 45, 60, 60, 75, 90, 90, 90, 120, 150, 180, 240)
EXTRA = (
    {},
    {},
    {},
    {},
    {},
    {},
    {"chance_go_pct": 80},
    {"shortest_window": timedelta(hours=1)},
    {"coldest_c": 0.0, "wind_limit_ms": 7.0},
    {"sky": SkyWishes(lowest_altitude_deg=10.0)},
)


@dataclass
class Weather:
    """Skies played as the feeds' answers. moved: how many new runs there have been. start: of the first."""

    run_at: datetime
    moved: int = 0
    start: datetime = START

    def __post_init__(self) -> None:
        self._skies: dict[tuple[int, int, int], Hours] = {}

    def gather(self, places: Sequence[Place], hours: Span) -> Gathered:
        if places and places[0].is_aside:
            return Gathered()
        return Gathered(
            forecasts=tuple(self._forecast(place, k) for place in places for k in range(len(MODELS)))
        )

    def _forecast(self, place: Place, model: int) -> Forecast:
        feed, provider, lineage, name = MODELS[model]
        source = Source(
            feed, provider, lineage, name, f"Invented weather of {name}", "", self.run_at, self.run_at
        )
        sky = hash((place.lat_deg, place.lon_deg)) % SKIES
        return Forecast(
            source,
            place.lat_deg,
            place.lon_deg,
            place.elevation_m,
            LayerScheme.NONE,
            self._sky(sky, model),
            place=place,
        )

    def _sky(self, sky: int, model: int) -> Hours:
        key = (sky, model, self.moved)
        if key not in self._skies:
            dice, news = random.Random(1000 * sky + model), random.Random(repr(key))
            first = self.start.replace(minute=0) - timedelta(hours=3)
            mood, hours = dice.uniform(0, 100), []
            for k in range(HOURS):
                mood = min(100.0, max(0.0, mood + dice.uniform(-12, 12)))
                cloud = mood + (news.uniform(-15, 15) if self.moved else 0.0)
                hours.append(_hour(first + timedelta(hours=k), min(100.0, max(0.0, cloud)), dice))
            self._skies[key] = Hours.of(hours)
        return self._skies[key]


def _hour(at: datetime, cloud: float, dice: random.Random) -> HourlyWeather:
    wind = dice.uniform(0, 8)
    return HourlyWeather(
        at,
        at + timedelta(hours=1),
        cloud_total_pct=round(cloud, 1),
        fog_pct=0.0,
        visibility_m=float(dice.randrange(8_000, 40_000, 100)),
        temperature_c=round(dice.uniform(5, 20), 1),
        dew_point_c=round(dice.uniform(-2, 6), 1),
        relative_humidity_pct=float(dice.randrange(30, 90)),
        wind_ms=round(wind, 1),
        gust_ms=round(wind * 1.6, 1),
        precipitation_probability_pct=float(dice.choice((0, 0, 0, 5, 10, 40))),
        precipitation_mm=0.0,
        thunder_probability_pct=0.0,
    )


def make_sites(count: int) -> list[Site]:
    dice = random.Random(20270701)
    ridge = HorizonLine(
        tuple(float(a) for a in range(0, 360, 10)), tuple(dice.uniform(0, 9) for _ in range(36))
    )
    places = [
        (round(dice.uniform(34, 48), 2), round(dice.uniform(-8, 20), 2), float(dice.randrange(0, 2500)))
        for _ in range(max(1, sites_to_places(count)))
    ]
    made = []
    for k in range(count):
        lat_deg, lon_deg, elevation_m = places[int(len(places) * dice.random() ** 2)]
        lat_deg, lon_deg = (round(each + dice.uniform(-0.004, 0.004), 4) for each in (lat_deg, lon_deg))
        horizon = ridge if k % 10 == 0 else HorizonLine()
        made.append(Site(f"Field {k}", lat_deg, lon_deg, elevation_m, "Europe/Madrid", horizon=horizon))
    return made


def sites_to_places(count: int) -> int:
    """How many places to draw from, the first ones oftener: so that about four in ten are really used."""
    return count * 6 // 10


def make_wishes() -> list[Wishes]:
    usual = Wishes(sky=SkyWishes(lowest_altitude_deg=None), clock_zone="Europe/Madrid")
    return [
        replace(usual, drive=timedelta(minutes=drive), **extra)  # type: ignore[arg-type]
        for drive in DRIVES_MIN
        for extra in EXTRA
    ]


def settle(duskbell: Duskbell, sites: int) -> None:
    """Rows of people, sites and subscriptions, written in bulk."""
    dice = random.Random(7)
    wishes = [(to_json(each), sky_key(each.sky)) for each in make_wishes()]
    people = sites // SUBSCRIPTIONS_A_SITE * SUBSCRIPTIONS_A_SITE or SUBSCRIPTIONS_A_SITE
    when = {"created_at": START}
    with duskbell.sessions.begin() as session:
        session.execute(
            insert(PersonRow),
            [
                {"id": k + 1, "name": "", "zone": "Europe/Madrid", "is_operator": k == 0, **when}
                for k in range(people)
            ],
        )
        session.execute(
            insert(AddressRow),
            [
                {"id": k + 1, "person_id": k + 1, "channel": "email",
                 "target": f"p{k}@example.org", "secrets": [],
                 "confirmed_at": START, **when}
                for k in range(people)
            ],
        )  # fmt: skip
        made = make_sites(sites)
        session.execute(
            insert(SiteRow),
            [
                {
                    "id": k + 1,
                    "owner_id": 1,
                    "name": each.name,
                    "folded_name": each.name.casefold(),
                    "is_shared": False,
                    **when,
                }
                for k, each in enumerate(made)
            ],
        )
        session.execute(
            insert(SiteRevisionRow),
            [
                {"id": k + 1, "site_id": k + 1, "revision": 1,
                 "lat_deg": each.lat_deg, "lon_deg": each.lon_deg,
                 "zone": each.zone, "facts": {"site": to_json(each), "elevation_known": True}, **when}
                for k, each in enumerate(made)
            ],
        )  # fmt: skip
        rows = []
        for person in range(people):
            chosen, key = wishes[dice.randrange(len(wishes))]
            first = person // SUBSCRIPTIONS_A_SITE * SUBSCRIPTIONS_A_SITE
            for k in range(SUBSCRIPTIONS_A_SITE):
                rows.append(
                    {"person_id": person + 1, "address_id": person + 1, "site_id": (first + k) % sites + 1,
                     "wishes": chosen, "sky_key": key, **when}
                )  # fmt: skip
        session.execute(insert(SubscriptionRow), rows)


def open_installation(folder: Path, weather: Weather) -> Duskbell:
    settings = Settings(
        data_dir=folder, database_url=f"sqlite:///{folder / 'bench.sqlite3'}", contact="bench@example.org"
    )
    return Duskbell(settings, invented_weather=weather.gather)


def think(duskbell: Duskbell, now: datetime) -> tuple[float, dict[str, int]]:
    """One cycle up to telling: seconds, and what it did."""
    began = time.perf_counter()
    counts = cycle_run.think(duskbell, now)
    took = time.perf_counter() - began
    with duskbell.sessions.begin() as session:
        session.execute(update(MessageRow).values(status=Status.SENT, settled_at=now))
    return took, counts


def store_mb(duskbell: Duskbell) -> float:
    with duskbell.engine.connect() as connection:
        pages = connection.execute(text("PRAGMA page_count")).scalar_one()
        size = connection.execute(text("PRAGMA page_size")).scalar_one()
    return float(pages * size) / 1e6


def peak_mb() -> float:
    own, largest = (resource.getrusage(who).ru_maxrss / 1024 for who in (SELF, CHILDREN))
    return own + usual_processes() * largest


def cpu_s() -> float:
    """Processor time so far, of this process and those that have ended."""
    used = [resource.getrusage(who) for who in (SELF, CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used)


def say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


@contextmanager
def installation(sites: int, start: datetime) -> Iterator[tuple[Duskbell, Weather]]:
    """One of that size in which nothing has been thought yet."""
    with tempfile.TemporaryDirectory(prefix="duskbell-bench-") as folder:
        weather = Weather(start - timedelta(hours=3, minutes=7), start=start)
        duskbell = open_installation(Path(folder), weather)
        settle(duskbell, sites)
        _ = duskbell.ephemeris.table(start.timestamp(), start.timestamp() + 20 * 86_400)
        yield duskbell, weather
        duskbell.engine.dispose()


def measure(sites: int, *, whole: bool, start: datetime = START) -> dict[str, float]:
    """The cycles of one installation; the first alone, or all of them."""
    found: dict[str, float] = {}
    with installation(sites, start) as (duskbell, weather):
        for name in CYCLES_MIN if whole else ("first",):
            if name == "changed":
                weather.run_at, weather.moved = start - timedelta(minutes=7), 1
            size_mb, used_s = store_mb(duskbell), cpu_s()
            took_s, counts = think(duskbell, start + timedelta(minutes=CYCLES_MIN[name]))
            found |= {f"{name}_s": took_s, f"{name}_cpu_s": cpu_s() - used_s}
            found[f"{name}_mb"] = store_mb(duskbell) - size_mb
            say(f"  {sites:>6} sites  {name:10} {took_s:7.2f} s  {_said(counts)}")
    return found


def measure_day(sites: int, start: datetime = START) -> float:
    """By how many megabytes the store grows in the day after its first cycle."""
    with installation(sites, start) as (duskbell, weather):
        think(duskbell, start)
        size_mb = store_mb(duskbell)
        for number in range(1, CYCLES_A_DAY + 1):
            now = start + number * timedelta(minutes=30)
            if number % (CYCLES_A_DAY // NEW_RUNS_A_DAY) == 0:
                weather.run_at, weather.moved = now - timedelta(minutes=7), weather.moved + 1
            think(duskbell, now)
        grew_mb = store_mb(duskbell) - size_mb
    say(f"  {sites:>6} sites  a day      {grew_mb:7.2f} MB")
    return grew_mb


def _said(counts: dict[str, int]) -> str:
    return ", ".join(f"{count} {name}" for name, count in counts.items())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of it, under 50 seconds")
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line (always so)")
    parser.add_argument("--sites", type=int, default=None, help="other than 10000 (or 1000)")
    parser.add_argument(
        "--days-later", type=int, default=0, help="begin so many days later: 14 is near a full Moon"
    )
    given = parser.parse_args()
    start = START + timedelta(days=given.days_later)
    sites = given.sites or (1_000 if given.quick else 10_000)
    day_sites = 10 if given.quick else 50
    day_mb = measure_day(day_sites, start)
    few, every = measure(sites // 10, whole=False, start=start), measure(sites, whole=True, start=start)
    print(
        json.dumps(
            {
                "sites": sites,
                "subscriptions": sites * SUBSCRIPTIONS_A_SITE,
                "first_cycle_s": round(every["first_s"], 2),
                "second_cycle_s": round(every["second_s"], 2),
                "unchanged_cycle_s": round(every["unchanged_s"], 2),
                "changed_cycle_s": round(every["changed_s"], 2),
                "growth_ratio": round(every["first_s"] / few["first_s"], 2),
                "peak_mb": round(peak_mb(), 1),
                "db_mb_per_day": round(day_mb / day_sites * sites, 1),
                "db_mb_first": round(every["first_mb"], 1),
                "first_cpu_s": round(every["first_cpu_s"], 2),
                "unchanged_cpu_s": round(every["unchanged_cpu_s"], 2),
                "growth_ratio_cpu": round(every["first_cpu_s"] / few["first_cpu_s"], 2),
            }
        )
    )


if __name__ == "__main__":
    main()
