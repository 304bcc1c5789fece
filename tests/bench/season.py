"""How a season goes: simulated years of nights through the real judging and telling, and what came of the
drives.

    python tests/bench/season.py [--sites 4] [--limit 70] [--take-back 50] [--climate mid] [--json] [--quick]

The generator (invented, fixed seeds; the chances were fitted on other, real pairs):

- Three climates by their share of clear night hours: cloudy .27, mid .45, dry .70. An hour's sky is a latent
  normal number: a night's weather, which hangs together with the night before by .22 (36 stations in
  Australia, lag 1), and hours within it, as steady as measured (tests/bench/measured.py); clear below the
  climate's quantile. Its cloud is U-shaped: of the clear hours 60 % have less than 5 %, of the others 25 %
  more than 95 % (five places, April 2024).
- Three model families from two providers, each a run every six hours with 20 members. A run is the truth seen
  through noise, the more of it the further ahead: hour by hour it is right as often as real runs were (share
  of hours that came clear when forecast clear and not, by day: .78/.13, .74/.19, .73/.20, .75/.19, .73/.25,
  .70/.28). How the noise lasts from hour to hour and from run to run is measured too. Half of the noise is
  common to all families, and members share two thirds of their run's noise: both are guesses. Members spread
  only .7 of what they should.
- A station 30 km away reports every hour and is heard from nine hours before the window on. It sees another
  side of "clear" as often as two stations so far apart (daytime, Australia), nothing above 12,000 ft (on 12 %
  of nights all cloud), and is silent in 10 % of clear hours and 2 % of others.
- Looks are had every twelve hours up to five days ahead, from noon of the day before every three hours, on
  the day every hour and within the window every half hour.

A drive is made when a go stands at the time to leave. It is wasted when the event didn't come in the window
that was told; a night is missed when the event came and no drive was made.

What limits it: tests/bench/season_bound.py says how good anybody could be who knew the generator. A drive
stands until the chance falls under the limit to take back, so 3 to 7 % of drives leave below the limit of the
go, two in five of these in vain. The hit rates are those over five places together; within one the newest
runs are right less often (tests/bench/measured.py).
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from statistics import NormalDist, fmean

import numpy as np
from numpy.typing import NDArray

from alerts.common.span import Span
from alerts.field.trip_plan import FieldPlan, plan_trip
from alerts.judging.assess import JudgingInputs, assess
from alerts.notifying.model import AlertKind, NotificationInput, PastAlert
from alerts.notifying.policy import build_seen, what_to_tell
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night, SkyWishes
from alerts.sky.nights.night_builder import nights
from alerts.weather.forecast import Forecast, LayerScheme, Source
from alerts.weather.hours import HourlyWeather, Hours
from alerts.weather.sky_now import Says, StationSky
from alerts.wishes.model import Wishes

Floats = NDArray[np.float64]
NORMAL = NormalDist()
HOUR = timedelta(hours=1)
CLIMATES = {"cloudy": 0.27, "mid": 0.45, "dry": 0.70}
HIT_RATES = ((0.78, 0.13), (0.74, 0.19), (0.73, 0.20), (0.75, 0.19), (0.73, 0.25), (0.70, 0.28), (0.65, 0.31))
FAMILIES = (("ecmwf", "MET Norway"), ("icon", "Open-Meteo"), ("gfs", "Open-Meteo"))
MEMBERS = 20
NIGHT_TO_NIGHT = 0.22
OF_THE_NIGHT = 0.5
"""Of an hour's variance."""
HOUR_TO_HOUR = 0.86
COMMON = 0.5
ERROR_HOUR_TO_HOUR = 0.95
RUN_TO_RUN = 0.935
MEMBERS_SHARE = 2 / 3
MEMBER_SPREAD = 0.7
RUN_EVERY = timedelta(hours=6)
HOURS_A_NIGHT = 24
DAYS_AHEAD = 5
STATION_KM, STATION_RATES = 30.0, (0.84, 0.11)
"""Share of hours that are clear where it is clear there and where it isn't."""
CEILOMETER_FT = 12_000
HIGH_ALONE = 0.12
SILENT_WHEN_CLEAR, SILENT_WHEN_CLOUDY = 0.10, 0.02
STATIONS_ASKED = timedelta(hours=9)


def correlation(clear: float, not_clear: float) -> float:
    """Of two normal numbers, by which the lower one's share of clear hours comes out as measured."""
    base = not_clear / (1 - clear + not_clear)
    limit = NORMAL.inv_cdf(base)
    x = np.random.default_rng(1).standard_normal((2, 200_000))
    low, high = 0.0, 1.0
    for _ in range(20):
        middle = (low + high) / 2
        other = middle * x[0] + np.sqrt(1 - middle**2) * x[1]
        hits = np.mean(x[0][other < limit] < limit)
        low, high = (middle, high) if hits < clear else (low, middle)
    return (low + high) / 2


KEPT = [correlation(*rates) for rates in HIT_RATES]
STATION_KEPT = correlation(*STATION_RATES)


def kept_at(lead_days: float) -> float:
    return float(np.interp(lead_days, range(len(KEPT)), KEPT))


def cloud_pct(latent: Floats, share: float) -> Floats:
    """% of cloud of latent hours in a climate with that share of clear ones."""
    at = np.interp(latent, _X, _BELOW)
    return np.interp(at, [0, 0.6 * share, share, share + 0.75 * (1 - share), 1], [0, 5, 30, 95, 100])


_X = np.linspace(-6, 6, 4001)
_BELOW = np.array([NORMAL.cdf(x) for x in _X.tolist()])


def chain(rng: np.random.Generator, shape: tuple[int, ...], kept: float) -> Floats:
    """Normal numbers that hang together along the last axis."""
    made = rng.standard_normal(shape)
    for at in range(1, shape[-1]):
        made[..., at] = kept * made[..., at - 1] + np.sqrt(1 - kept**2) * made[..., at]
    return made


@dataclass
class Weather:
    """One night's truth and what is forecast of it. hours: 24 from noon, by their start."""

    share: float
    latent: Floats
    noise: dict[int, tuple[Floats, Floats]] = field(default_factory=dict)
    rng: np.random.Generator = field(default_factory=np.random.default_rng)
    spread_of: int = -1
    spread: Floats = field(default_factory=lambda: np.zeros(0))
    reports: list[Says | None] = field(default_factory=list)

    def stations(self, noon: datetime, now: datetime, window: Span) -> tuple[StationSky, ...]:
        """The newest report, from when the service begins to ask; none where the last hour's is missing."""
        at = int((now - noon) / HOUR)
        if not self.reports:
            self.reports = self._reports()
        if now < window.start - STATIONS_ASKED or (says := self.reports[min(at, HOURS_A_NIGHT - 1)]) is None:
            return ()
        return (StationSky("simulated", says, noon + at * HOUR, STATION_KM, 0.0, 0.0, CEILOMETER_FT),)

    def _reports(self) -> list[Says | None]:
        aside = chain(self.rng, (HOURS_A_NIGHT,), HOUR_TO_HOUR)
        there = STATION_KEPT * self.latent + np.sqrt(1 - STATION_KEPT**2) * aside
        is_high = self.rng.random() < HIGH_ALONE
        silent = self.rng.random(HOURS_A_NIGHT)
        found: list[Says | None] = []
        for cloud, chance in zip(cloud_pct(there, self.share), silent, strict=True):
            is_clear = cloud <= 31.25
            if chance < (SILENT_WHEN_CLEAR if is_clear else SILENT_WHEN_CLOUDY):
                found.append(None)
            elif is_clear or is_high:
                found.append(Says.CLEAR)
            else:
                found.append(Says.CLOUD if cloud > 56.25 else Says.PARTLY)
        return found

    @property
    def truth_pct(self) -> Floats:
        return cloud_pct(self.latent, self.share)

    def run(self, number: int) -> tuple[Floats, Floats]:
        """The noise of that run: common (hours,), and each family's own (families, hours)."""
        if number not in self.noise:
            fresh = (
                chain(self.rng, (HOURS_A_NIGHT,), ERROR_HOUR_TO_HOUR),
                chain(self.rng, (len(FAMILIES), HOURS_A_NIGHT), ERROR_HOUR_TO_HOUR),
            )
            before = self.noise.get(number - 1)
            if before is not None:
                kept, new = RUN_TO_RUN, np.sqrt(1 - RUN_TO_RUN**2)
                fresh = (kept * before[0] + new * fresh[0], kept * before[1] + new * fresh[1])
            self.noise[number] = fresh
        return self.noise[number]

    def forecasts(self, noon: datetime, now: datetime) -> list[Forecast]:
        issued = datetime.fromtimestamp(
            now.timestamp() // RUN_EVERY.total_seconds() * RUN_EVERY.total_seconds(), UTC
        )
        number = int((issued - (noon - timedelta(days=DAYS_AHEAD + 1))) / RUN_EVERY)
        for earlier in range(max(self.noise, default=number - 1) + 1, number):
            self.run(earlier)
        common, own = self.run(number)
        if self.spread_of != number:
            shape = (len(FAMILIES), MEMBERS, HOURS_A_NIGHT)
            self.spread_of, self.spread = number, chain(self.rng, shape, ERROR_HOUR_TO_HOUR)
        starts = [noon + k * HOUR for k in range(HOURS_A_NIGHT)]
        leads = [max(0.0, (start - issued) / timedelta(days=1)) for start in starts]
        kept = np.array([kept_at(lead) for lead in leads])
        found = []
        for (lineage, provider), mine, spread in zip(FAMILIES, own, self.spread, strict=True):
            noise = np.sqrt(COMMON) * common + np.sqrt(1 - COMMON) * mine
            centre = kept * self.latent + np.sqrt(1 - kept**2) * noise
            around = np.sqrt(MEMBERS_SHARE) * noise + MEMBER_SPREAD * np.sqrt(1 - MEMBERS_SHARE) * spread
            members = kept * self.latent + np.sqrt(1 - kept**2) * around
            source = Source("simulated", provider, lineage, lineage, "", "", issued_at=issued, fetched_at=now)
            hours = Hours.of(
                HourlyWeather(
                    start, start + HOUR, cloud_total_pct=float(cloud), wind_ms=2.0, gust_ms=4.0,
                    precipitation_mm=0.0, precipitation_probability_pct=0.0,
                )
                for start, cloud in zip(starts, cloud_pct(centre, self.share), strict=True)
            )  # fmt: skip
            run = Forecast(source, 40.0, 0.0, None, LayerScheme.NONE, hours)
            rows = tuple(tuple(row) for row in cloud_pct(members, self.share).tolist())
            found += [run, Forecast(source, 40.0, 0.0, None, LayerScheme.NONE, hours, rows)]
        return found


@dataclass
class Fate:
    """What became of one night: told, driven, come, and the chance at the time to leave."""

    came: bool
    driven: bool = False
    heads_up: bool = False
    go: bool = False
    drive_came: bool = False
    stood_down_in_window: bool = False
    chance: float | None = None
    told_came: bool = False


def looks(night: Night, plan: FieldPlan) -> Iterator[datetime]:
    start, noon = night.span.start, night.span.start
    at = start - timedelta(days=DAYS_AHEAD)
    while at < plan.window.end:
        yield at
        if at < noon - timedelta(days=1):
            at += timedelta(hours=12)
        elif at < noon:
            at += timedelta(hours=3)
        else:
            at += HOUR if at < plan.window.start else HOUR / 2


def event_in(weather: Weather, noon: datetime, span: Span, shortest: timedelta) -> bool:
    """Whether the truth holds the event in that span, as a forecast of its hours would."""
    run, length = timedelta(0), timedelta(0)
    for k, cloud in enumerate(weather.truth_pct):
        hour = Span(noon + k * HOUR, noon + (k + 1) * HOUR).overlap(span)
        run = run + hour.duration if hour is not None and cloud <= 30.0 else timedelta(0)
        length = max(length, run)
    return length >= shortest


def play(night: Night, weather: Weather, site: Site, wishes: Wishes, prior: float) -> Fate | None:
    """One night from five days ahead to its end; None where the sky has nothing to drive for."""
    parts = [window.span for window in night.windows if window.span.duration >= wishes.shortest_window]
    if not parts:
        return None
    noon = night.span.start
    fate = Fate(came=any(event_in(weather, noon, part, wishes.shortest_window) for part in parts))
    told: list[PastAlert] = []
    whole = plan_trip(night, Span(parts[0].start, parts[-1].end), wishes, site)
    for now in looks(night, whole):
        stations = weather.stations(noon, now, whole.window)
        forecasts = weather.forecasts(noon, now)
        inputs = JudgingInputs(
            site=site, now=now, forecasts=forecasts, clear_share=lambda _: prior, stations=stations
        )
        verdict = assess(inputs, [night], wishes).verdict
        if verdict.usable is None:
            continue
        plan = plan_trip(verdict.night or night, verdict.usable, wishes, site)
        seen = build_seen(verdict, night.name, now, site.tz)
        telling = what_to_tell(
            NotificationInput(tuple(told), seen, now=now, cycle=HOUR, wishes=wishes, plan=plan, clock=site.tz)
        )
        if now <= plan.leave_by and verdict.chance_pct is not None:
            fate.chance = verdict.chance_pct / 100
            fate.told_came = event_in(weather, noon, verdict.usable, wishes.shortest_window)
        if telling.kind is None:
            continue
        told.append(
            PastAlert(
                telling.kind,
                now,
                seen.chance_pct,
                seen.window,
                plan.leave_by,
                telling.occurrence,
                telling.why,
            )
        )
        _note(fate, telling.kind, now, told, weather, noon, wishes)
    return fate


def _note(
    fate: Fate,
    kind: AlertKind,
    now: datetime,
    told: Sequence[PastAlert],
    weather: Weather,
    noon: datetime,
    wishes: Wishes,
) -> None:
    newest = told[-1]
    if kind is AlertKind.HEADS_UP:
        fate.heads_up = True
    if kind in (AlertKind.GO, AlertKind.CHANGED) and newest.window is not None:
        fate.go = fate.driven = True
        fate.drive_came = event_in(weather, noon, newest.window, wishes.shortest_window)
    if kind is AlertKind.STAND_DOWN:
        standing = next(each for each in reversed(told[:-1]) if each.kind is not AlertKind.HEADS_UP)
        leaves_at = max(standing.leave_by or standing.at, standing.at)
        if now <= leaves_at:
            fate.driven = False
        elif standing.window is not None and now >= standing.window.start:
            fate.stood_down_in_window = True


def year(
    climate: str, seed: int, site: Site, found: Sequence[Night], wishes: Wishes, share: float
) -> list[Fate]:
    rng = np.random.default_rng([seed, list(CLIMATES).index(climate)])
    nightly = chain(rng, (len(found),), NIGHT_TO_NIGHT)
    fates = []
    for night, of_night in zip(found, nightly, strict=True):
        hours = chain(rng, (HOURS_A_NIGHT,), HOUR_TO_HOUR)
        latent = np.sqrt(OF_THE_NIGHT) * of_night + np.sqrt(1 - OF_THE_NIGHT) * hours
        fate = play(night, Weather(share, latent, rng=rng), site, wishes, share)
        if fate is not None:
            fates.append(fate)
    return fates


def figures(climate: str, fates: Sequence[Fate]) -> dict[str, object]:
    driven = [fate for fate in fates if fate.driven]
    came = [fate for fate in fates if fate.came]
    warned = [fate for fate in fates if fate.heads_up]
    stood = [fate for fate in driven if fate.stood_down_in_window and fate.drive_came]
    bins: defaultdict[int, list[Fate]] = defaultdict(list)
    for fate in fates:
        if fate.chance is not None:
            bins[min(9, int(10 * fate.chance))].append(fate)
    return {
        "climate": climate,
        "nights": len(fates),
        "came": round(len(came) / len(fates), 3),
        "driven": len(driven),
        "wasted_share": _share(not fate.drive_came for fate in driven),
        "missed_share": _share(not fate.driven for fate in came),
        "heads_up_share": _share(fate.heads_up for fate in fates),
        "go_after_heads_up": _share(fate.go for fate in warned),
        "false_stand_downs": round(len(stood) / max(1, len(driven)), 3),
        "bins": [
            {
                "from_pct": 10 * at,
                "nights": len(held),
                "stated": round(fmean(fate.chance or 0.0 for fate in held), 3),
                "came": _share(fate.told_came for fate in held),
            }
            for at, held in sorted(bins.items())
        ],
    }


def _share(flags: Iterator[bool]) -> float | None:
    counted = Counter(flags)
    return round(counted[True] / counted.total(), 3) if counted.total() else None


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    asked.add_argument("--sites", type=int, default=4, help="years of nights for each climate")
    asked.add_argument(
        "--limit", type=int, default=None, help="chance for a go in %%; the usual one unless named"
    )
    asked.add_argument("--take-back", type=int, default=None)
    asked.add_argument("--climate", choices=CLIMATES, action="append")
    asked.add_argument("--json", action="store_true")
    asked.add_argument("--quick", action="store_true", help="one site, a quarter of a year")
    options = asked.parse_args()
    usual = Wishes()
    limit = options.limit or usual.chance_go_pct
    back = options.take_back if options.take_back is not None else min(usual.chance_back_pct, limit)
    wishes = Wishes(chance_go_pct=limit, chance_back_pct=back)
    site = Site("Windpump Flat", 40.31, -1.42, 1180.0, "Europe/Madrid")
    count = 91 if options.quick else 365
    found = [
        night
        for night in nights(site, date(2027, 4, 1), count, SkyWishes(), Ephemeris.open())
        if night.windows
    ]
    results = []
    for climate in options.climate or CLIMATES:
        share = CLIMATES[climate]
        seeds = range(1 if options.quick else options.sites)
        fates = [fate for seed in seeds for fate in year(climate, seed, site, found, wishes, share)]
        results.append(figures(climate, fates))
        if not options.json:
            sys.stdout.write(json.dumps(results[-1], indent=1) + "\n")
    if options.json:
        sys.stdout.write(
            json.dumps({"go_limit_pct": limit, "take_back_pct": back, "climates": results}) + "\n"
        )


if __name__ == "__main__":
    main()
