"""Questions to Open-Meteo and their answers, cut into parts by place: pure."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from alerts.common.phrases import phrase
from alerts.weather.forecast import Place
from alerts.weather.models import OPEN_METEO, ModelRow
from service.feeds.open_meteo.parse import (
    AIR,
    CLOUD,
    ENSEMBLE,
    HIGH_LEVELS_HPA,
    LOW_LEVELS_HPA,
    WEATHER,
    level_names,
    raise_if_error,
)
from service.feeds.shared.cached_request import cell_key, short_degrees
from service.feeds.shared.checked_answers import as_dict, as_number, bad_shape, load_json
from service.feeds.shared.guards import OPEN_METEO_AIR, OPEN_METEO_ENSEMBLE
from service.feeds.shared.time_marks import HOUR

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


def wait_by_wording(said: str, now: datetime) -> timedelta:
    """How long to leave Open-Meteo alone after a 429, which says so in words only."""
    next_hour = now.replace(minute=0, second=0, microsecond=0) + HOUR
    tomorrow = now.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    waits = {"Hourly": next_hour - now, "Daily": tomorrow - now, "concurrent": timedelta(seconds=10)}
    return next((wait for word, wait in waits.items() if word in said), timedelta(minutes=1))


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
    meta = as_dict(load_json(body, OPEN_METEO), OPEN_METEO, "meta")
    began_s = as_number(meta.get("last_run_initialisation_time"), OPEN_METEO, "last_run_initialisation_time")
    available_s = as_number(meta.get("last_run_availability_time"), OPEN_METEO, "last_run_availability_time")
    interval_s = as_number(meta.get("update_interval_seconds"), OPEN_METEO, "update_interval_seconds")
    if not 60 <= interval_s <= 86_400 * 7:
        raise bad_shape(OPEN_METEO, phrase("feeds.runs-every", interval_s=interval_s))
    try:
        began_at = datetime.fromtimestamp(began_s, UTC)
        available_at = datetime.fromtimestamp(available_s, UTC)
    except (ValueError, OverflowError, OSError) as error:
        raise bad_shape(OPEN_METEO, phrase("feeds.runs-no-times")) from error
    return Run(began_at, available_at, timedelta(seconds=interval_s))


@dataclass(frozen=True, slots=True)
class Product:
    """What is asked of one kind of model.

    feed: whose breaker it is. good_for: an answer's age up to which it isn't asked for again while nobody
    knows of runs. never_after: the age from which it is, run or no run. mark: tells its answers from others
    about the same model and cell.
    """

    feed: str
    path: str
    variables: tuple[str, ...]
    good_for: timedelta
    never_after: timedelta
    mark: str = ""


FORECAST = Product(OPEN_METEO, "forecast", tuple(WEATHER), HOUR, 3 * HOUR)
ALONG = Product(OPEN_METEO, "forecast", CLOUD, HOUR, 3 * HOUR, "~")
LOW_LEVELS = Product(OPEN_METEO, "forecast", level_names(LOW_LEVELS_HPA), 3 * HOUR, 7 * HOUR, "^")
HIGH_LEVELS = Product(OPEN_METEO, "forecast", level_names(HIGH_LEVELS_HPA), 3 * HOUR, 7 * HOUR, "^^")
LEVELS_FROM_M, HIGH_LEVELS_FROM_M = 600.0, 2500.0
"""Elevations from which cloud by height is asked for: decks of stratus seldom end lower (common practice);
the higher levels from below the 3,000 m at which mid cloud begins."""
LEVELS_WITHIN = 36 * HOUR
MEMBERS = Product(OPEN_METEO_ENSEMBLE, "ensemble", ENSEMBLE, 3 * HOUR, 7 * HOUR)
AIR_QUALITY = Product(OPEN_METEO_AIR, "air-quality", tuple(AIR), 6 * HOUR, 12 * HOUR)


def product_of(row: ModelRow, *, aside: bool) -> Product:
    """What is asked of this model, overhead or along a line of sight."""
    if row.is_air:
        return AIR_QUALITY
    if row.members > 1:
        return MEMBERS
    return ALONG if aside else FORECAST


@dataclass(frozen=True, slots=True)
class PlaceCell:
    """Places that share one request's place: `asked` stands for all of them."""

    key: str
    asked: Place
    places: tuple[Place, ...]


def levels_of(place: Place) -> Product | None:
    """What is asked about cloud by height there; None for low sites and those of unknown height."""
    if place.is_aside or place.elevation_m is None or place.elevation_m < LEVELS_FROM_M:
        return None
    return HIGH_LEVELS if place.elevation_m >= HIGH_LEVELS_FROM_M else LOW_LEVELS


def share(row: ModelRow, product: Product, places: Iterable[Place]) -> list[PlaceCell]:
    """The places by the model's cells; the first in each is the one asked about."""
    prefix, cells = f"{OPEN_METEO}/{row.model}/{product.mark}", dict[str, list[Place]]()
    for place in dict.fromkeys(places):
        cells.setdefault(cell_key(prefix, place, row.share_deg), []).append(place)
    return [PlaceCell(key, there[0], tuple(there)) for key, there in cells.items()]


@dataclass(frozen=True, slots=True)
class Batch:
    """One request: its cells, and what it weighs."""

    cells: tuple[PlaceCell, ...]
    weight: float


def batches(row: ModelRow, product: Product, cells: Sequence[PlaceCell], days: float) -> Iterator[Batch]:
    """Cells in requests that are light enough; with and without an elevation never together."""
    variables = len(product.variables)
    most = places_per_request(variables, days, row.members)
    for known in (True, False):
        group = [cell for cell in cells if (cell.asked.elevation_m is not None) is known]
        for index in range(0, len(group), most):
            part = tuple(group[index : index + most])
            yield Batch(part, request_weight(variables, len(part), days, members=row.members))


def build_params(
    row: ModelRow, product: Product, places: Sequence[Place], start: datetime, end: datetime
) -> dict[str, str]:
    """The query for one model at those places, both ends of the window included."""
    params = {
        "latitude": ",".join(short_degrees(place.lat_deg) for place in places),
        "longitude": ",".join(short_degrees(place.lon_deg) for place in places),
        "hourly": ",".join(product.variables),
        "timezone": "GMT",
        "timeformat": "unixtime",
        "start_hour": f"{start:%Y-%m-%dT%H:%M}",
        "end_hour": f"{end:%Y-%m-%dT%H:%M}",
    }
    if row.is_air:
        return params
    params |= {"models": row.model, "wind_speed_unit": "ms"}
    heights = [round(place.elevation_m) for place in places if place.elevation_m is not None]
    return {**params, "elevation": ",".join(str(height) for height in heights)} if heights else params


def floor_six_hours(at: datetime) -> datetime:
    """The last 00, 06, 12 or 18 UTC, so that a minute later the same request is made."""
    at = at.astimezone(UTC)
    return at.replace(hour=at.hour - at.hour % 6, minute=0, second=0, microsecond=0)


def split_elements(body: bytes, count: int) -> list[bytes]:
    """The answer's part for each place, in the order asked, without what changes from call to call.

    Matched by position: the coordinates that come back are the cells'.
    """
    answer = load_json(body, OPEN_METEO)
    elements = answer if isinstance(answer, list) else [answer]
    for element in elements:
        raise_if_error(as_dict(element, OPEN_METEO, "answer[]"))
    if len(elements) != count:
        raise bad_shape(OPEN_METEO, phrase("feeds.places-back", count=len(elements), asked=count))
    kept = [{name: value for name, value in one.items() if name != "generationtime_ms"} for one in elements]
    return [json.dumps(element, separators=(",", ":")).encode() for element in kept]


def _hourly(body: bytes) -> dict[str, list[Any]]:
    """The columns of a part's hourly block that are lists; {} when it has none."""
    hourly = json.loads(body).get("hourly")
    columns = hourly.items() if isinstance(hourly, dict) else ()
    return {name: column for name, column in columns if isinstance(column, list)}


def covers(body: bytes, start: datetime, end: datetime) -> bool:
    """Whether a stored part reaches over that time."""
    times = _hourly(body).get("time") or [0]
    return bool(times[0] <= start.timestamp() and end.timestamp() <= times[-1])


LEAST_COMMON = 10
"""Different values that two answers must share to count as one and the same forecast."""


def is_same_forecast(before: bytes, after: bytes) -> bool:
    """Whether all values agree wherever the two answers' times overlap, as different runs never do.

    Both have passed the gates before.
    """
    old, new = _hourly(before), _hourly(after)
    values: set[tuple[str, Any]] = set()
    for name in (new.keys() & old.keys()) - {"time"}:
        earlier = dict(zip(old.get("time", ()), old[name], strict=False))
        for at, value in zip(new.get("time", ()), new[name], strict=False):
            if at in earlier and earlier[at] != value:
                return False
            if at in earlier and isinstance(value, int | float):
                values.add((name, value))
    return len(values) >= LEAST_COMMON
