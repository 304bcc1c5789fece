"""Open-Meteo's limits and table of runs, as data and small sums.

Sources: open-meteo.com/en/pricing (limits, weight), open-meteo.com/en/docs/model-updates (runs).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from alerts.weather.model_families import OPEN_METEO
from service.feeds.shared.checked_json import as_dict, as_number, bad_shape, load_json
from service.feeds.shared.time_marks import HOUR

LIMITS = {"minute": 600, "hour": 5_000, "day": 10_000}
"""What the free service allows one address, in weight; windows begin on the UTC minute, hour, day."""
MOST_WEIGHT = 500
"""Weight of the heaviest request sent; the service itself refuses 5,000."""
MOST_VALUES = 300_000
"""Values in one answer, which keeps it under two megabytes."""
MOST_PLACES = 200
"""Places in one request, which keeps its address under 5,000 characters."""
RUN_SETTLES_IN = timedelta(minutes=10)
"""How long after a run is available all of Open-Meteo's servers have it, by its own advice."""


def request_weight(variables: int, places: int, days: float, *, models: int = 1, members: int = 1) -> float:
    """What a request counts for: the sum over places of max(1, v/10, v/10 x days/14).

    v is variables times models times members; days is the length of the series.
    """
    per_ten = variables * models * members / 10
    return places * max(1.0, per_ten, per_ten * days / 14)


def places_per_request(variables: int, days: float, members: int) -> int:
    """How many places fit into one request by its weight, its length and its answer's; at least one."""
    by_weight = math.floor(MOST_WEIGHT / request_weight(variables, 1, days, members=members))
    by_size = math.floor(MOST_VALUES / (variables * members * max(1.0, days) * 24))
    return max(1, min(MOST_PLACES, by_weight, by_size))


def wait_by_wording(text: str, now: datetime) -> timedelta:
    """How long to leave Open-Meteo alone after a 429, which says so in words only."""
    next_hour = now.replace(minute=0, second=0, microsecond=0) + HOUR
    tomorrow = now.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    waits = {"Hourly": next_hour - now, "Daily": tomorrow - now, "concurrent": timedelta(seconds=10)}
    return next((wait for word, wait in waits.items() if word in text), timedelta(minutes=1))


@dataclass(frozen=True, slots=True)
class Run:
    """A model's newest run: when it began, when it became available, and how often one comes."""

    began_at: datetime
    available_at: datetime
    interval: timedelta

    @property
    def settled_at(self) -> datetime:
        """From when on every answer holds the run."""
        return self.available_at + RUN_SETTLES_IN

    def issued_at(self, fetched_at: datetime) -> datetime:
        """When the newest run that an answer fetched then surely holds became available.

        This run's availability, or that of one before it while the servers settle. Not when the run
        began: a global run needs some seven hours from there to its readers, and by a clock that starts
        earlier it would be old before anybody could have had it.
        """
        if fetched_at >= self.settled_at:
            return self.available_at
        return self.available_at - self.interval * math.ceil((self.settled_at - fetched_at) / self.interval)

    def is_believable(self, now: datetime, horizon_h: int) -> bool:
        """False for a run in the future, and for one too old to say anything about now.

        The table of a model that the service has renamed stays behind with an old run.
        """
        return self.began_at <= now <= self.began_at + timedelta(hours=horizon_h)


def read_run(body: bytes) -> Run:
    """A model's newest run from its meta.json; BadAnswer when it doesn't tell."""
    meta = as_dict(load_json(body, OPEN_METEO), OPEN_METEO, "the table of runs")
    began_s = as_number(meta.get("last_run_initialisation_time"), OPEN_METEO, "the run's start")
    available_s = as_number(meta.get("last_run_availability_time"), OPEN_METEO, "the run's availability")
    interval_s = as_number(meta.get("update_interval_seconds"), OPEN_METEO, "the runs' interval")
    if not 60 <= interval_s <= 86_400 * 7:
        raise bad_shape(OPEN_METEO, f"runs every {interval_s:g} s can't be.")
    try:
        began_at = datetime.fromtimestamp(began_s, UTC)
        available_at = datetime.fromtimestamp(available_s, UTC)
    except (ValueError, OverflowError, OSError) as error:
        raise bad_shape(OPEN_METEO, "the table of runs holds no times.") from error
    return Run(began_at, available_at, timedelta(seconds=interval_s))
