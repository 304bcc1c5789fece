"""Fits the constants of alerts/weather/skill.py on real pairs of forecast and analysis, and scores the
method.

    python -m tests.unit.alerts.weather.fit_skill

prints the constants, then, each place left out in turn, Brier and logarithmic score of the ways to make a
chance that were tried, and what was stated against what came, with the bars in which 90 of 100 honest bins
lie (J. Bröcker and L. A. Smith 2007, Weather Forecast. 22, 651-661).

Runs of one model from successive days stand in for sources: there is no open archive of several models'
cloud.
"""

from __future__ import annotations

import csv
import gzip
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, logit
from scipy.stats import beta

from alerts.weather import skill

DATA = Path(__file__).parents[3] / "data" / "judging" / "cloud-forecast-leads-nights-2024-04.csv.gz"
LONGITUDES_DEG = {"Rovaniemi": 25.7, "Warsaw": 21.0, "Tripoli": 13.1, "Kinshasa": 15.3, "Cape Town": 18.4}
PLACES = tuple(LONGITUDES_DEG)
DAYS = range(8)
SHORTEST_H = (1, 2, 3)
WINDOWS_H = (1, 2, 3, 6, 24)
"""24: the whole night."""
CONSTANTS = (
    "USUAL", "BY_WINDOW", "BY_SHORTEST", "CLOUD_SLOPE", "CLOUD_OFFSET_PCT", "CLOUD_CENTRE",
    "CENTRE_BY_WINDOW", "CENTRE_BY_SHORTEST", "LEAD_SCALE_DAYS", "DEPENDENCE",
)  # fmt: skip
SETS = (*((day,) for day in DAYS), *((d, d + 1) for d in range(3)), (0, 1, 2), (1, 2, 3))
FOURS = tuple(tuple(range(day, day + 4)) for day in range(5))
WEIGHTS = (*(1.0 for _ in SETS), *(1.5 for _ in FOURS))
STRENGTH_NIGHTS = 20

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Night:
    """Hours with the Sun below -12 degrees. forecast: shape (hours, 8 days ahead), analysis: (hours,); % of
    cloud."""

    place: int
    forecast: Floats
    analysis: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Cases:
    """One row a night, window in it and time asked for; shape (n,), least: (n, 8). weight: a night's windows
    of one length count as one case."""

    place: NDArray[np.int64]
    night: NDArray[np.int64]
    shortest_h: Floats
    window_h: Floats
    came: Floats
    least: Floats
    weight: Floats

    def of(self, rows: Any) -> Cases:
        return Cases(*(getattr(self, name)[rows] for name in self.__slots__))


@cache
def rows() -> list[dict[str, str]]:
    with gzip.open(DATA, "rt") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@cache
def nights() -> tuple[Night, ...]:
    """The file's nights, from local mean noon to noon, in its order of places."""
    groups: dict[tuple[int, Any], list[dict[str, str]]] = {}
    for row in rows():
        place = PLACES.index(row["place"])
        at = datetime.fromisoformat(row["valid_utc"])
        local = at + timedelta(hours=LONGITUDES_DEG[row["place"]] / 15 - 12)
        groups.setdefault((place, local.date()), []).append(row)
    return tuple(
        Night(
            place,
            np.array([[float(row[f"fc_day{day}"]) for day in DAYS] for row in found]),
            np.array([float(row["analysis"]) for row in found]),
        )
        for (place, _), found in groups.items()
    )


def least_cloud(cloud_pct: Floats, shortest_h: int) -> Floats:
    """The worst hour of the clearest stretch of that length; over axis 0."""
    stretches = np.lib.stride_tricks.sliding_window_view(cloud_pct, shortest_h, axis=0)
    found: Floats = stretches.max(axis=-1).min(axis=0)
    return found


@cache
def cases() -> Cases:
    made = list(_cases())
    columns = [np.array(column) for column in zip(*made, strict=True)]
    return Cases(*columns[:2], *(column.astype(np.float64) for column in columns[2:]))


def _cases() -> Iterator[tuple[Any, ...]]:
    for number, night in enumerate(nights()):
        count = len(night.analysis)
        for shortest in SHORTEST_H:
            for wanted in WINDOWS_H:
                window = min(wanted, count)
                if window < shortest or (wanted == max(WINDOWS_H) and count <= WINDOWS_H[-2]):
                    continue
                starts = range(0, count - window + 1, window)
                for start in starts:
                    part = slice(start, start + window)
                    came = least_cloud(night.analysis[part], shortest) <= skill.CLEAR_LIMIT_PCT
                    least = least_cloud(night.forecast[part], shortest)
                    yield night.place, number, shortest, window, came, least, 1 / len(starts)


def log_loss(odds: Floats, came: Floats) -> Floats:
    loss: Floats = np.logaddexp(0.0, odds) - came * odds
    return loss


def usual(values: Sequence[float], c: Cases) -> Floats:
    base, by_window, by_shortest = values[:3]
    found: Floats = base + by_window * np.log(c.window_h) - by_shortest * np.log(c.shortest_h)
    return found


def evidence(values: Sequence[float], c: Cases, day: int) -> Floats:
    slope, offset, centre, by_window, by_shortest, scale = values[3:9]
    score = np.log((100 - c.least[:, day] + offset) / (c.least[:, day] + offset))
    middle = centre + by_window * np.log(c.window_h) + by_shortest * np.log(c.shortest_h)
    added: Floats = np.exp(-day / scale) * (slope * score + middle)
    return added


def pooled(values: Sequence[float], c: Cases, days: Sequence[int]) -> Floats:
    """The method: log odds of the event by runs of those days."""
    joint = np.mean([evidence(values, c, day) for day in days], axis=0)
    voices = len(days) / (1 + (len(days) - 1) * values[9])
    odds: Floats = usual(values, c) + voices * joint
    return odds


def fit(c: Cases) -> Floats:
    """The constants, in the order of `CONSTANTS`: what is usual first, without forecasts, then the rest."""
    base = minimize(lambda v: np.sum(c.weight * log_loss(usual(v, c), c.came)), [-0.3, 0.5, 0.7]).x

    def loss(v: Floats) -> float:
        values = _whole(base, v)
        per_set = [
            weight * np.sum(c.weight * log_loss(pooled(values, c, days), c.came))
            for days, weight in zip((*SETS, *FOURS), WEIGHTS, strict=True)
        ]
        return float(sum(per_set) / sum(WEIGHTS) / np.sum(c.weight))

    found = minimize(loss, [1.0, 1.5, -0.4, -0.4, 0.2, 2.0, 0.5], method="L-BFGS-B")
    return _whole(base, found.x)


def _whole(base: Floats, v: Floats) -> Floats:
    slope, offset, centre, by_window, by_shortest, scale, dependence = v
    return np.array(
        [*base, slope, np.exp(offset), centre, by_window, by_shortest, np.exp(scale), expit(dependence)]
    )


def constants() -> Floats:
    return np.array([getattr(skill, name) for name in CONSTANTS])


# What else was tried, each as a function of (cases to fit on, cases to state for, days) -> chances.

BEFORE_RATES = (
    (0.78, 0.13),
    (0.74, 0.19),
    (0.73, 0.20),
    (0.75, 0.19),
    (0.73, 0.25),
    (0.70, 0.28),
    (0.65, 0.31),
    (0.60, 0.33),
)
"""Share of hours that came clear when forecast clear and not, by day: the table in use until 2026."""


def way_before(_: Cases, c: Cases, days: Sequence[int]) -> Floats:
    """Until 2026: rates of an hour, a logistic step 8 % wide at the limit, the mean over sources."""
    each = []
    for day in days:
        clear, cloudy = BEFORE_RATES[day]
        each.append(cloudy + (clear - cloudy) * expit((skill.CLEAR_LIMIT_PCT - c.least[:, day]) / 8.0))
    return np.mean(each, axis=0)


def way_climatology(fitted: Cases, c: Cases, days: Sequence[int]) -> Floats:
    """How often such a window held the event at the other places."""
    return expit(usual(_fitted(fitted), c))


def way_one_run(fitted: Cases, c: Cases, days: Sequence[int]) -> Floats:
    """The newest run alone, by the formula in use."""
    return expit(pooled(_fitted(fitted), c, days[:1]))


def way_linear(fitted: Cases, c: Cases, days: Sequence[int]) -> Floats:
    """The mean of the runs' own chances."""
    return np.mean([expit(pooled(_fitted(fitted), c, [day])) for day in days], axis=0)


def way_beta(fitted: Cases, c: Cases, days: Sequence[int]) -> Floats:
    """The same through a fitted beta distribution (Ranjan and Gneiting 2010)."""
    own = np.clip(way_linear(fitted, fitted, days), 1e-4, 1 - 1e-4)

    def loss(v: Floats) -> float:
        chance = np.clip(beta.cdf(own, *np.exp(v)), 1e-6, 1 - 1e-6)
        return float(np.sum(fitted.weight * log_loss(logit(chance), fitted.came)))

    shape = np.exp(minimize(loss, [0.3, 0.3], method="Nelder-Mead").x)
    return np.asarray(beta.cdf(way_linear(fitted, c, days), *shape))


def way_log_odds(fitted: Cases, c: Cases, days: Sequence[int]) -> Floats:
    """The method in use."""
    return expit(pooled(_fitted(fitted), c, days))


_FITS: dict[int, Floats] = {}


def _fitted(c: Cases) -> Floats:
    if id(c) not in _FITS:
        _FITS[id(c)] = fit(c)
    return _FITS[id(c)]


Way = Callable[[Cases, Cases, Sequence[int]], Floats]
WAYS: dict[str, Way] = {
    "climatology of such windows": way_climatology,
    "until 2026": way_before,
    "newest run alone": way_one_run,
    "mean of chances": way_linear,
    "beta-transformed mean": way_beta,
    "log odds, dependent voices": way_log_odds,
}


@cache
def folds() -> tuple[tuple[NDArray[np.bool_], Cases], ...]:
    """For each place: which cases are its own, and all the others'."""
    c = cases()
    return tuple((c.place == place, c.of(c.place != place)) for place in range(len(PLACES)))


def out_of_place(way: Way, days: Sequence[int]) -> Floats:
    """Chances for every case by what was fitted without its place."""
    c = cases()
    stated = np.zeros(len(c.came))
    for own, others in folds():
        stated[own] = way(others, c.of(own), days)
    return stated


def own_climate(days: Sequence[int]) -> Floats:
    """The method with each place's own clear share from its other nights, drawn by 20 nights to all
    places'."""
    c = cases()
    stated = np.zeros(len(c.came))
    share = np.array([np.mean(night.analysis <= skill.CLEAR_LIMIT_PCT) for night in nights()])
    of = np.array([night.place for night in nights()])
    for place, (own, others) in enumerate(folds()):
        mine = c.of(own)
        everywhere = share[of != place].mean()
        there = np.where(of == place)[0]
        rate = {
            n: (STRENGTH_NIGHTS * everywhere + share[there].sum() - share[n])
            / (STRENGTH_NIGHTS + len(there) - 1)
            for n in there
        }
        moved = np.array([logit(rate[n]) - logit(everywhere) for n in mine.night])
        values = _fitted(others)
        kept = float(np.mean(np.exp(-np.array(days) / values[8])))
        known = skill.PLACE_KNOWN * kept * len(days) / (1 + (len(days) - 1) * values[9])
        stated[own] = expit(pooled(values, mine, days) + (1 - known) * moved)
    return stated


def brier(stated: Floats) -> float:
    c = cases()
    return float(np.average((stated - c.came) ** 2, weights=c.weight))


def log_score(stated: Floats) -> float:
    c = cases()
    kept = np.clip(stated, 1e-4, 1 - 1e-4)
    return float(np.average(log_loss(logit(kept), c.came), weights=c.weight))


BINS = (0.0, 0.05, 0.2, 0.4, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)


def bins(stated: Floats) -> list[tuple[float, float, float, float, float, float]]:
    """(from, to, mean stated, share that came, 5 % and 95 % of what honest chances would show), by bin.

    Nights are drawn as wholes, since their windows come and go together.
    """
    c = cases()
    draws = np.random.default_rng(5).random((400, len(nights())))
    found = []
    for low, high in pairwise(BINS):
        held = (stated >= low) & (stated < high)
        if held.sum() < 20:
            continue
        weight = c.weight[held] / c.weight[held].sum()
        honest = (draws[:, c.night[held]] < stated[held]) @ weight
        lower, upper = np.quantile(honest, (0.05, 0.95))
        found.append((low, high, float(stated[held] @ weight), float(c.came[held] @ weight), lower, upper))
    return found


def uncertainty() -> Floats:
    """Standard errors of the constants by leaving out one place at a time (jackknife), in their order."""
    values = np.array([_fitted(others) for _, others in folds()])
    count = len(values)
    spread: Floats = np.sqrt((count - 1) / count * np.sum((values - values.mean(axis=0)) ** 2, axis=0))
    return spread


def say(line: str) -> None:
    sys.stdout.write(line + "\n")


def main() -> None:
    found = zip(CONSTANTS, fit(cases()), uncertainty(), strict=True)
    say("\n".join(f"{name} = {value:.3f} +- {error:.3f}" for name, value, error in found))
    say("\n| runs of days | " + " | ".join([*WAYS, "with the place's climate"]) + " |")
    for days in (*((day,) for day in (0, 1, 3, 5, 7)), *FOURS):
        ways = [out_of_place(way, days) for way in WAYS.values()]
        cells = [f"{brier(each):.3f} / {log_score(each):.3f}" for each in [*ways, own_climate(days)]]
        say(f"| {', '.join(map(str, days))} | " + " | ".join(cells) + " |")
    for days in FOURS[:3]:
        say(f"\nstated against came, runs of days {days}")
        for low, high, mean, came, lower, upper in bins(own_climate(days)):
            say(f"| {low:.2f}-{high:.2f} | {mean:.3f} | {came:.3f} | {lower:.3f}-{upper:.3f} |")


if __name__ == "__main__":
    main()
