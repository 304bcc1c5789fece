"""Fits the constants of alerts/weather/sky_now.py: what a sky known now adds to a forecast chance.

    python -m tests.unit.alerts.weather.fit_sky_now

On the pairs of `fit_skill.py`: every hour of a night is taken as known, for every later window of that night,
with the chance by the formula in use, of one to four runs, held fixed. Prints the constants, the score with
and without them at each place left out, the amount by itself in bands of hours, and how the bare
persistence of the analyses falls.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import logit

from alerts.weather import skill, sky_now
from tests.unit.alerts.weather.fit_skill import (
    PLACES,
    SHORTEST_H,
    WINDOWS_H,
    Cases,
    Floats,
    constants,
    least_cloud,
    log_loss,
    nights,
    pooled,
    say,
)

RUNS = ((0,), (0, 1, 2, 3), (1, 2, 3, 4))
BANDS_H = ((0, 2), (2, 4), (4, 6), (6, 9))


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """One row an hour known and window after it. clear: whether that hour was; hours: from its middle to the
    window's. Each night weighs the same."""

    cases: Cases
    hours: Floats
    clear: NDArray[np.bool_]

    def of(self, rows: Any) -> Known:
        return Known(self.cases.of(rows), self.hours[rows], self.clear[rows])


@cache
def known() -> Known:
    columns = [np.array(column) for column in zip(*_rows(), strict=True)]
    night = columns[1]
    weight = 1.0 / np.bincount(night)[night]
    floats = [column.astype(np.float64) for column in columns[2:6]]
    return Known(Cases(columns[0], night, *floats, weight), columns[6], columns[7])


def _rows() -> Iterator[tuple[Any, ...]]:
    for number, night in enumerate(nights()):
        clear = night.analysis <= skill.CLEAR_LIMIT_PCT
        for shortest in SHORTEST_H:
            for window in (each for each in WINDOWS_H[:-1] if shortest <= each < len(clear)):
                for first in range(1, len(clear) - window + 1):
                    part = slice(first, first + window)
                    came = least_cloud(night.analysis[part], shortest) <= skill.CLEAR_LIMIT_PCT
                    least = least_cloud(night.forecast[part], shortest)
                    for hour in range(first):
                        hours = first + window / 2 - (hour + 0.5)
                        yield night.place, number, shortest, window, came, least, hours, clear[hour]


def score(rows: Known, days: Sequence[int], amount: float, fades_h: float) -> float:
    """The mean logarithmic score with what is known added."""
    c = rows.cases
    sign = np.where(rows.clear, 1.0, -1.0)
    odds = pooled(constants(), c, days) + sign * amount * np.exp(-rows.hours / fades_h)
    return float(np.average(log_loss(odds, c.came), weights=c.weight))


def fit(rows: Known, runs: Sequence[Sequence[int]] = RUNS) -> tuple[float, float]:
    """Amount and hours, over all these choices of runs together."""

    def loss(v: Floats) -> float:
        return float(np.mean([score(rows, days, v[0], np.exp(v[1])) for days in runs]))

    found = minimize(loss, [1.0, 1.5], method="L-BFGS-B").x
    return float(found[0]), float(np.exp(found[1]))


def left_out(days: Sequence[int]) -> list[tuple[float, float, float]]:
    """For each place (score without, with what was fitted at the others, its share of the weight)."""
    rows, found = known(), []
    for place in range(len(PLACES)):
        own = rows.of(rows.cases.place == place)
        amount, fades_h = fit(rows.of(rows.cases.place != place), [days])
        found.append((score(own, days, 0.0, 1.0), score(own, days, amount, fades_h), own.cases.weight.sum()))
    return found


def persistence(hours: int) -> tuple[float, float]:
    """P(clear) so many hours after a clear and after a cloudy hour of the same night."""
    after: tuple[list[bool], list[bool]] = ([], [])
    for night in nights():
        clear = night.analysis <= skill.CLEAR_LIMIT_PCT
        for now, then in zip(clear, clear[hours:], strict=False):
            after[not now].append(bool(then))
    return float(np.mean(after[0])), float(np.mean(after[1]))


def main() -> None:
    amount, fades_h = fit(known())
    say(f"AMOUNT = {amount:.3f}  (in use {sky_now.AMOUNT})")
    say(f"FADES_H = {fades_h:.2f}  (in use {sky_now.FADES_H})")
    for days in RUNS:
        found = left_out(days)
        without, with_it = (
            np.average([row[i] for row in found], weights=[row[2] for row in found]) for i in (0, 1)
        )
        each = "; ".join(f"{name} {row[0]:.3f} {row[1]:.3f}" for name, row in zip(PLACES, found, strict=True))
        say(f"runs of days {days}: log score without {without:.3f}, with {with_it:.3f} ({each})")
        for low, high in BANDS_H:
            rows = known().of((known().hours > low) & (known().hours <= high))
            best = minimize(lambda v, r=rows, d=days: score(r, d, v[0], 1e9), [1.0], method="L-BFGS-B").x
            by_formula = amount * np.exp(-(low + high) / 2 / fades_h)
            say(f"  {low} to {high} h: {best[0]:.2f}, by the formula {by_formula:.2f}")
    for hours in range(1, 9):
        clear, cloudy = persistence(hours)
        apart = logit(clear) - logit(cloudy)
        say(f"after {hours} h: clear {clear:.2f}, cloudy {cloudy:.2f}, log odds apart {apart:.2f}")


if __name__ == "__main__":
    main()
