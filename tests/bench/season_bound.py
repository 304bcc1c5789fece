"""The best that anybody could decide in the seasons of tests/bench/season.py when it is time to leave.

    python -m tests.bench.season_bound [--years 20] [--quick]

Who knows the generator (its climate, correlations and errors) can reckon the true chance of the event from
what is seen: everything there is normal numbers. For each climate, by what is read (the newest runs of the
three families; the means of their ensembles; both; each with a station's own sky in the hours before): the
share of drives in vain and of clear nights missed when driving from a true chance of 70 %, and by any limit
the misses when the drives in vain are as many as aimed at.

Reading both is a bound on paper only: a run and its members share exactly two thirds of the run's error
there, so their difference gives the error away. No real ensemble does that.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from alerts.common.span import Span
from alerts.field.trip_plan import plan_trip
from alerts.judging.rules import usable_spans
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes
from alerts.sky.nights.night_builder import nights
from alerts.wishes.model import Wishes
from tests.bench import season
from tests.bench.season import HOUR, HOURS_A_NIGHT, NORMAL, Floats, chain

Flags = NDArray[np.bool_]
AIMED = {"cloudy": (0.20, 0.40), "mid": (0.15, 0.25), "dry": (0.05, 0.10)}
"""Shares of drives in vain and of clear nights missed, at most."""
LIMIT = 0.70
DRAWS = 1500
READ = ("newest runs", "ensemble means", "both")


@dataclass(frozen=True)
class Leaving:
    """One night when it is time to leave. held_h: of each hour from noon, the part in the window. lead_days:
    of each hour by the newest run. heard: the hours from which a station has reported."""

    held_h: Floats
    lead_days: Floats
    heard: Sequence[int]


def leavings(count: int) -> Iterator[Leaving]:
    site = Site("Windpump Flat", 40.31, -1.42, 1180.0, "Europe/Madrid")
    wishes = Wishes()
    for night in nights(site, date(2027, 4, 1), count, SkyWishes(), Ephemeris.open()):
        spans = [span for span in usable_spans(night, wishes, site) if span is not None]
        window = next((span for span in spans if span.duration >= wishes.shortest_window), None)
        if window is None:
            continue
        noon, at = night.span.start, plan_trip(night, window, wishes, site).leave_by
        issued = datetime.fromtimestamp(at.timestamp() // 21600 * 21600, UTC)
        starts = [noon + k * HOUR for k in range(HOURS_A_NIGHT)]
        shared = [Span(start, start + HOUR).overlap(window) for start in starts]
        last, first = int((at - noon) / HOUR), int((window.start - season.STATIONS_ASKED - noon) / HOUR)
        yield Leaving(
            np.array([part.duration / HOUR if part else 0.0 for part in shared]),
            np.array([max(0.0, (start - issued) / timedelta(days=1)) for start in starts]),
            range(max(0, first), last + 1),
        )


def hang_together(kept: float) -> Floats:
    hour = np.arange(HOURS_A_NIGHT)
    return np.asarray(kept ** abs(hour[:, None] - hour[None]))


def holds(clear: Flags, held_h: Floats) -> Flags:
    """Whether half an hour in one piece is clear in the window; clear: shape (..., hours)."""
    run, found = np.zeros(clear.shape[:-1]), np.zeros(clear.shape[:-1], dtype=bool)
    for hour in np.flatnonzero(held_h):
        run = np.where(clear[..., hour], run + held_h[hour], 0.0)
        found |= run >= 0.5 - 1e-9
    return found


def true_chances(
    leaving: Leaving, share: float, years: int, rng: np.random.Generator
) -> tuple[Flags, dict[str, Floats]]:
    """Whether the event came in each year, shape (years,), and its true chance by what is read."""
    night, error = hang_together(season.HOUR_TO_HOUR), hang_together(season.ERROR_HOUR_TO_HOUR)
    sky = season.OF_THE_NIGHT + (1 - season.OF_THE_NIGHT) * night
    limit = NORMAL.inv_cdf(share)
    latent = np.sqrt(season.OF_THE_NIGHT) * rng.standard_normal((years, 1)) + np.sqrt(
        1 - season.OF_THE_NIGHT
    ) * chain(rng, (years, HOURS_A_NIGHT), season.HOUR_TO_HOUR)
    kept = np.array([season.kept_at(lead) for lead in leaving.lead_days])
    lost = np.sqrt(1 - kept**2)
    families = len(season.FAMILIES)
    of_runs = season.COMMON + (1 - season.COMMON) / families
    of_members = season.MEMBER_SPREAD**2 * (1 - season.MEMBERS_SHARE) / (families * season.MEMBERS)
    noise = np.sqrt(of_runs) * chain(rng, (years, HOURS_A_NIGHT), season.ERROR_HOUR_TO_HOUR)
    spread = np.sqrt(of_members) * chain(rng, (years, HOURS_A_NIGHT), season.ERROR_HOUR_TO_HOUR)
    runs = kept * latent + lost * noise
    means = kept * latent + lost * (np.sqrt(season.MEMBERS_SHARE) * noise + spread)
    around = error * lost[:, None] * lost[None]
    mixed = np.sqrt(season.MEMBERS_SHARE) * of_runs * around
    of_means = (season.MEMBERS_SHARE * of_runs + of_members) * around
    seen = {
        "newest runs": (runs, np.diag(kept), of_runs * around),
        "ensemble means": (means, np.diag(kept), of_means),
        "both": (
            np.concatenate([runs, means], axis=1),
            np.concatenate([np.diag(kept)] * 2),
            np.block([[of_runs * around, mixed], [mixed, of_means]]),
        ),
    }
    heard = list(leaving.heard)
    aside = np.sqrt(1 - season.STATION_KEPT**2)
    there = season.STATION_KEPT * latent + aside * chain(rng, latent.shape, season.HOUR_TO_HOUR)
    draws = rng.standard_normal((DRAWS, HOURS_A_NIGHT))
    found = {}
    for name, (told, by, errors) in seen.items():
        told_all = np.concatenate([told, there[:, heard]], axis=1)
        by_all = np.concatenate([by, season.STATION_KEPT * np.eye(HOURS_A_NIGHT)[heard]])
        errors_all = np.zeros((len(by_all), len(by_all)))
        errors_all[: len(by), : len(by)] = errors
        errors_all[len(by) :, len(by) :] = aside**2 * night[np.ix_(heard, heard)]
        total = by_all @ sky @ by_all.T + errors_all + 1e-9 * np.eye(len(by_all))
        gain = np.linalg.solve(total, by_all @ sky).T
        left = sky - gain @ by_all @ sky
        size, way = np.linalg.eigh((left + left.T) / 2)
        off = draws @ (way * np.sqrt(np.maximum(size, 0))).T
        guesses = told_all @ gain.T
        found[name] = np.array([np.mean(holds(guess + off <= limit, leaving.held_h)) for guess in guesses])
    return holds(latent <= limit, leaving.held_h), found


def figures(climate: str, came: Flags, chances: Floats) -> dict[str, float]:
    vain, missed = AIMED[climate]
    driven = chances >= LIMIT
    order = np.argsort(-chances)
    in_vain = np.cumsum(~came[order]) / np.arange(1, len(order) + 1)
    silent = 1 - np.cumsum(came[order]) / came.sum()
    return {
        "wasted_share": round(float(1 - came[driven].mean()), 3),
        "missed_share": round(float((~driven)[came].mean()), 3),
        f"missed_if_wasted_{100 * vain:.0f}_pct": round(float(silent[in_vain <= vain].min()), 3),
        f"wasted_if_missed_{100 * missed:.0f}_pct": round(float(in_vain[silent <= missed].min()), 3),
    }


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    asked.add_argument("--years", type=int, default=20)
    asked.add_argument("--quick", action="store_true", help="two years, a quarter of each")
    options = asked.parse_args()
    years, count = (2, 91) if options.quick else (options.years, 365)
    going = list(leavings(count))
    for climate, share in season.CLIMATES.items():
        rng = np.random.default_rng([11, list(season.CLIMATES).index(climate)])
        made = [true_chances(leaving, share, years, rng) for leaving in going]
        came = np.concatenate([each for each, _ in made])
        by_read = {
            name: figures(climate, came, np.concatenate([chances[name] for _, chances in made]))
            for name in READ
        }
        line = {"climate": climate, "nights": len(came), "came": round(float(came.mean()), 3), **by_read}
        sys.stdout.write(json.dumps(line) + "\n")


if __name__ == "__main__":
    main()
