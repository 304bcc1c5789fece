"""What the generator of tests/bench/season.py takes from real pairs of forecast and analysis, measured anew.

    python -m tests.bench.measured

An hour is clear or not; two of them hang together by the correlation of two normal numbers that would be
below their limits as often together as they were (tetrachoric), each place with its own limits. Same file
as tests/unit/alerts/weather/fit_skill.py: five places, April 2024.

- Of an hour and one 1, 2, 3, 4, 6 and 8 hours later in the same night: .93, .86, .83, .77, .66, .67. A
  night's part of .5 and hours that hang together by .86 give .93, .87, .82, .77, .70, .65.
- Of the errors of a run: its hours hang together by more than the sky's explain; what is left gives 1, .98,
  .88, .82, .76 and .87 in the mean of days 1 to 3; .95 from hour to hour gives .95, .90, .86, .81, .74, .66.
- Of the errors of two runs a day apart: .83, .77, .69, in the mean .76; .935 from run to run in six hours.
- Of forecast and analysis within a place, by day: .84, .71, .67, .72, .58, .49. The hit rates that the
  generator keeps are those over all places together, .86, .77, .75, .78, .69, .61: also telling places apart
  counts there, so within one climate the seasons flatter.

With nights as steady as guessed instead, a long window brought less than any real place's.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from alerts.weather.skill import CLEAR_LIMIT_PCT
from tests.unit.alerts.weather.fit_skill import PLACES, Night, nights

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
LAGS_H = (1, 2, 3, 4, 6, 8)
DAYS = range(6)


def both_below(one: float, other: float, correlation: float) -> float:
    """The chance that two normal numbers lie below their limits together."""
    x = np.linspace(-8.0, one, 400)
    rest = norm.cdf((other - correlation * x) / np.sqrt(1 - correlation**2))
    return float(np.trapezoid(norm.pdf(x) * rest, x))


def tetrachoric(by_place: Sequence[tuple[Flags, Flags]]) -> float:
    """One correlation for all places, each with its own two limits; the likeliest."""
    tables = []
    for one, other in by_place:
        counts = np.array([np.sum(one & other), np.sum(one & ~other), np.sum(~one & other)])
        tables.append((float(one.mean()), float(other.mean()), counts, len(one) - counts.sum()))

    def unlikely(correlation: float) -> float:
        total = 0.0
        for one, other, counts, neither in tables:
            both = both_below(norm.ppf(one), norm.ppf(other), correlation)
            chances = np.array([both, one - both, other - both, 1 - one - other + both])
            total -= float(np.array([*counts, neither]) @ np.log(np.maximum(chances, 1e-9)))
        return total

    return float(minimize_scalar(unlikely, bounds=(-0.5, 0.995), method="bounded").x)


Told = Callable[[Night], Flags]


def together(one: Told, other: Told, hours_later: int = 0) -> float:
    pairs = []
    for place in range(len(PLACES)):
        held = [night for night in nights() if night.place == place and len(night.analysis) > hours_later]
        if not held:
            continue
        firsts = [one(night)[: len(night.analysis) - hours_later] for night in held]
        seconds = [other(night)[hours_later:] for night in held]
        pairs.append((np.concatenate(firsts), np.concatenate(seconds)))
    return tetrachoric(pairs)


def came(night: Night) -> Flags:
    return np.asarray(night.analysis <= CLEAR_LIMIT_PCT)


def told(day: int) -> Told:
    return lambda night: np.asarray(night.forecast[:, day] <= CLEAR_LIMIT_PCT)


def main() -> None:
    sky = np.array([together(came, came, lag) for lag in LAGS_H])
    kept = np.array([together(told(day), came) for day in DAYS])
    say("hours of a night", sky)
    say("forecast and analysis by day", kept)
    for day in (1, 2, 3):
        run = np.array([together(told(day), told(day), lag) for lag in LAGS_H])
        say(f"hours of the errors, day {day}", (run - kept[day] ** 2 * sky) / (1 - kept[day] ** 2))
    for day in range(3):
        shared = together(told(day), told(day + 1)) - kept[day] * kept[day + 1]
        left = np.sqrt((1 - kept[day] ** 2) * (1 - kept[day + 1] ** 2))
        say(f"errors of days {day} and {day + 1}", np.array([shared / left]))


def say(what: str, found: Floats) -> None:
    sys.stdout.write(f"{what}: {', '.join(f'{each:.2f}' for each in found)}\n")


if __name__ == "__main__":
    main()
