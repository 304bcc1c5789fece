"""Fits the constants of towns' light to the published zeniths, and tries them on what was left out.

    python -m tests.bench.glow_fit

The five constants of alerts/sky/brightness/light_domes.py are moved so that the places of
tests/data/glow/zenith-brightness.csv are met best (by a loss that grows as the square up to 0.3 mag and
straight beyond), while cities of 177,000 at 50 km and of 1,000,000 at 100 km stay within a factor of two of
Walker's law (1977, PASP 89, 405). Then each third of the places is left out in its turn and met with what
the others gave. It takes about a minute.
"""

from __future__ import annotations

import sys

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from alerts.sky.brightness import light_domes
from tests.unit.alerts.sky.brightness.test_published_zeniths import COUNTED, off_mag

Floats = npt.NDArray[np.float64]
Rows = list[dict[str, str]]
KNEE_MAG = 0.3
WALKER = ((177_000, 50.0), (1_000_000, 100.0))
STEPS = np.array([0.2, 0.05, 0.2, 0.2, 0.2])


def as_carried() -> Floats:
    """What the module has: logarithms but for the exponent."""
    sparing, lavish = light_domes.LIGHT_SHARES[1:]
    light, spread = np.log([light_domes.LIGHT_NL, light_domes.SPREAD_KM])
    return np.array([light, light_domes.GROWTH_EXPONENT, np.log(sparing), spread, np.log(lavish)])


def off(constants: Floats, rows: Rows) -> Floats:
    """By how much the estimate is darker than what was published, mag."""
    light, growth, sparing, spread, lavish = constants
    light_domes.LIGHT_NL, light_domes.SPREAD_KM = float(np.exp(light)), float(np.exp(spread))
    light_domes.GROWTH_EXPONENT = float(growth)
    light_domes.LIGHT_SHARES = np.array([1.0, np.exp(sparing), np.exp(lavish)])
    return np.array([off_mag(row) for row in rows])


def loss(constants: Floats, rows: Rows) -> float:
    missed = (np.sqrt(1 + (off(constants, rows) / KNEE_MAG) ** 2) - 1).sum()
    walker = [float(light_domes.town_excess(people, distance_km)) for people, distance_km in WALKER]
    return float(missed + 1000 * np.clip(0.05 - np.array(walker), 0, None).sum())


def fit(rows: Rows) -> Floats:
    start = as_carried()
    simplex = np.vstack([start, start + np.diag(STEPS)])
    options = {"maxfev": 160, "initial_simplex": simplex}
    found: Floats = minimize(loss, start, (rows,), method="Nelder-Mead", options=options).x
    off(start, [])  # back to what is carried
    return found


def say(name: str, missed: Floats) -> None:
    within = [int((np.abs(missed) <= limit).sum()) for limit in (0.4, 0.8)]
    rms = np.sqrt((missed**2).mean())
    sys.stdout.write(
        f"{name}: {within[0]} within 0.4 mag, {within[1]} within 0.8 of {len(missed)}; {rms:.2f} mag\n"
    )


def main() -> None:
    say("as carried", off(as_carried(), COUNTED))
    found = fit(COUNTED)
    light, sparing, spread, lavish = np.exp(found[[0, 2, 3, 4]])
    sys.stdout.write(
        f"fitted: LIGHT_NL {light:.0f}, GROWTH_EXPONENT {found[1]:.2f}, SPREAD_KM {spread:.2f}, "
        f"LIGHT_SHARES 1, {sparing:.2f}, {lavish:.2f}\n"
    )
    say("fitted", off(found, COUNTED))
    left = []
    for third in range(3):
        found = fit([row for k, row in enumerate(COUNTED) if k % 3 != third])
        left.append(off(found, COUNTED[third::3]))
    say("each third left out of the fit", np.concatenate(left))


if __name__ == "__main__":
    main()
