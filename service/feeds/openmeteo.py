"""Open-Meteo, asked by its terms (open-meteo.com/en/terms): off until the operator says how.

One model a request, many places a request, one request at a time, all in UTC. The free service is for
non-commercial use; with a key the same requests go to the customers' hosts.
"""

from __future__ import annotations

import json
import math
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from alerts.errors import BadInput
from alerts.span import Span
from alerts.weather.lineage import OPEN_METEO, ModelRow, find_model
from alerts.weather.record import Place
from service.feeds.asking import Patience, keep, last_good
from service.feeds.base import Gathered, failure_of
from service.feeds.body import as_dict, as_number, bad_shape, load_json
from service.feeds.cache import AnswerCache, StoredAnswer
from service.feeds.deadline import Deadline
from service.feeds.errors import FeedDown, FeedError, FeedThrottled
from service.feeds.http import Answer, PoliteClient
from service.feeds.metno import short_degrees
from service.feeds.openmeteo_answer import VARIABLES, parse, raise_if_error
from service.feeds.spans import HOUR

DEFAULT_MODELS = ("ecmwf_ifs025", "icon_seamless", "gfs_seamless", "gem_seamless")
"""One model a lineage, all global, none under share-alike terms."""
ENSEMBLE_VARIABLES = ("cloud_cover",)
"""All that is asked of ensembles, whose every member counts against the limits."""

LIMITS = {"minute": 600, "hour": 5_000, "day": 10_000}
"""What the free service allows one address, in weight; windows begin on the UTC minute, hour, day."""
MOST_WEIGHT = 500
"""Weight of the heaviest request sent; the service itself refuses 5,000."""
MOST_PLACES = 200
"""Places in one request, which keeps its address under 5,000 characters."""

ALWAYS_GOOD_FOR, NEVER_GOOD_AFTER = timedelta(hours=1), timedelta(hours=3)
RUN_SETTLES_IN = timedelta(minutes=10)
"""How long after a run is available all of Open-Meteo's servers have it, by its own advice."""


def request_weight(variables: int, places: int, days: float, *, models: int = 1, members: int = 1) -> float:
    """What a request counts for: the sum over places of max(1, v/10, v/10 x days/14).

    v is variables times models times members (open-meteo.com/en/pricing).
    """
    per_ten = variables * models * members / 10
    return places * max(1.0, per_ten, per_ten * days / 14)


@dataclass(frozen=True, slots=True)
class Run:
    """A model's newest run: when it began, and from when on answers surely hold it."""

    began_at: datetime
    settled_at: datetime
    interval: timedelta

    def issued_at(self, fetched_at: datetime) -> datetime:
        """The run that an answer surely holds at least; while servers settle, the one before."""
        return self.began_at if fetched_at >= self.settled_at else self.began_at - self.interval


class OpenMeteo:
    """The feed as one installation uses it.

    non_commercial: the operator declares that the installation earns nothing (no payment, no adverts).
    api_key: a customer's key; it goes into a header, never into an address.
    models: names from the lineage table; share-alike ones only with `share_alike`.
    base_url, ensemble_url: a server of one's own, which needs neither declaration nor key.
    Raises BadInput for a model that isn't in the table or may not be used.
    """

    name = OPEN_METEO

    def __init__(
        self,
        *,
        models: Sequence[str] = DEFAULT_MODELS,
        non_commercial: bool = False,
        api_key: str | None = None,
        share_alike: bool = False,
        base_url: str | None = None,
        ensemble_url: str | None = None,
    ) -> None:
        self._rows = tuple(_allowed_row(model, share_alike=share_alike) for model in models)
        prefix = "customer-" if api_key else ""
        self._url = (base_url or f"https://{prefix}api.open-meteo.com").rstrip("/")
        self._ensemble_url = (ensemble_url or f"https://{prefix}ensemble-api.open-meteo.com").rstrip("/")
        self._headers = {"X-Api-Key": api_key} if api_key else {}
        self._is_on = bool(api_key) or non_commercial or base_url is not None
        self._one_at_a_time = threading.Lock()

    @property
    def off_because(self) -> str | None:
        """Its free service is for non-commercial use only, so somebody has to say so."""
        if self._is_on:
            return None
        return (
            "Open-Meteo is off: its free service is for non-commercial use. Declare that in the settings, "
            "or set an API key; payment or adverts end the free use."
        )

    def fetch(
        self,
        places: Sequence[Place],
        hours: Span,
        client: PoliteClient,
        cache: AnswerCache,
        deadline: Deadline,
    ) -> Gathered:
        """One forecast a place and model, over `hours` and an hour to each side."""
        if not self._one_at_a_time.acquire(timeout=deadline.remaining_s):
            late = FeedDown(f"{OPEN_METEO} was not asked: an earlier request took all the time.")
            return Gathered(failures=(failure_of(OPEN_METEO, "", late),))
        try:
            round_ = _Round(client, cache, hours, self._headers)
            gathered = Gathered()
            for index, row in enumerate(self._rows):
                share_s = max(5.0, deadline.remaining_s / (len(self._rows) - index))
                url = self._ensemble_url if row.members > 1 else self._url
                gathered += round_.fetch_model(row, url, places, deadline.at_most(share_s))
            return gathered
        finally:
            self._one_at_a_time.release()


def _allowed_row(model: str, *, share_alike: bool) -> ModelRow:
    row = find_model(OPEN_METEO, model)
    if row is None:
        raise BadInput(f"Open-Meteo model {model!r} isn't in the table of models; leave it out or add a row.")
    if row.terms.share_alike and not share_alike:
        raise BadInput(
            f"Open-Meteo model {model!r} comes under {row.terms.licence}: "
            "switch share-alike models on to use it, or leave it out."
        )
    return row


class _Round:
    """One call of fetch: what its requests share."""

    def __init__(
        self, client: PoliteClient, cache: AnswerCache, hours: Span, headers: dict[str, str]
    ) -> None:
        self._client, self._cache, self._headers = client, cache, headers
        self._start = _floor_hour(hours.start) - HOUR
        self._end = _floor_hour(hours.end + HOUR - timedelta(microseconds=1)) + HOUR
        self._patience = Patience()

    def fetch_model(self, row: ModelRow, url: str, places: Sequence[Place], deadline: Deadline) -> Gathered:
        """One model for all places: those with a good answer from the cache, the others in batches."""
        run = self._find_run(row, url, deadline)
        now = self._client.now()
        stored = {place: self._cache.get(self._key(row, place)) for place in places}
        due = [place for place in stored if not _is_good(stored[place], run, now)]
        good = (self._read(row, place, answer, run) for place, answer in stored.items() if place not in due)
        gathered = sum((one for one in good if one is not None), Gathered())
        for batch in self._batches(row, due):
            gathered += self._fetch_batch(row, url, batch, run, deadline)
        return gathered

    def _key(self, row: ModelRow, place: Place) -> str:
        elevation = "" if place.elevation_m is None else f",{round(place.elevation_m)}"
        spot = f"{short_degrees(place.lat_deg)},{short_degrees(place.lon_deg)}{elevation}"
        return f"{OPEN_METEO}/{row.model}/{spot}/{_hour_mark(self._start)}/{_hour_mark(self._end)}"

    def _find_run(self, row: ModelRow, url: str, deadline: Deadline) -> Run | None:
        """The model's newest run, if Open-Meteo says so in time; forecasts don't wait for it."""
        if not row.run_name or self._patience.given_up is not None:
            return None
        address = f"{url}/data/{row.run_name}/static/meta.json"
        key = f"{OPEN_METEO}/runs/{row.run_name}"
        now = self._client.now()
        stored = self._cache.get(key)
        try:
            if stored is None or now - stored.fetched_at > RUN_SETTLES_IN:
                limit = deadline.at_most(min(3.0, deadline.remaining_s / 3))
                answer = self._client.get(address, headers=self._headers, deadline=limit)
                run = read_run(answer.body)
                self._cache.put(key, keep(answer.body, answer, stored, now + RUN_SETTLES_IN))
                return run
            return read_run(stored.body)
        except FeedError:
            return None  # an answer without its run is told as such: issued_at None

    def _batches(self, row: ModelRow, places: Sequence[Place]) -> Iterator[list[Place]]:
        """Places in requests that are light enough; with and without an elevation never together."""
        days = (self._end - self._start) / timedelta(days=1)
        each = request_weight(len(_variables(row)), 1, days, members=row.members)
        most = max(1, min(MOST_PLACES, math.floor(MOST_WEIGHT / each)))
        for known in (True, False):
            group = [place for place in places if (place.elevation_m is not None) is known]
            for index in range(0, len(group), most):
                yield group[index : index + most]

    def _params(self, row: ModelRow, places: Sequence[Place]) -> dict[str, str]:
        params = {
            "latitude": ",".join(short_degrees(place.lat_deg) for place in places),
            "longitude": ",".join(short_degrees(place.lon_deg) for place in places),
            "hourly": ",".join(_variables(row)),
            "models": row.model,
            "timezone": "GMT",
            "timeformat": "unixtime",
            "wind_speed_unit": "ms",
            "start_hour": _hour_mark(self._start),
            "end_hour": _hour_mark(self._end),
        }
        heights = [round(place.elevation_m) for place in places if place.elevation_m is not None]
        if heights:
            params["elevation"] = ",".join(str(height) for height in heights)
        return params

    def _fetch_batch(
        self, row: ModelRow, url: str, places: Sequence[Place], run: Run | None, deadline: Deadline
    ) -> Gathered:
        path = "ensemble" if row.members > 1 else "forecast"
        try:
            if self._patience.given_up is not None:
                raise self._patience.given_up
            answer = self._client.get(
                f"{url}/v1/{path}",
                self._params(row, places),
                self._headers,
                deadline=deadline,
                tries_when_throttled=1,
            )
            elements = split_elements(answer.body, len(places))
        except FeedError as error:
            error = _with_wait(error, self._client.now())
            self._patience.note(error)
            failed = Gathered(failures=(failure_of(OPEN_METEO, row.model, error),))
            return sum((self._last_good(row, place, run) for place in places), failed)
        self._patience.note(None)
        parts = zip(places, elements, strict=True)
        return sum((self._take(row, place, body, answer, run) for place, body in parts), Gathered())

    def _take(self, row: ModelRow, place: Place, body: bytes, answer: Answer, run: Run | None) -> Gathered:
        """One place's part of an answer: stored when usable, else the last good one beside the failure."""
        key = self._key(row, place)
        fresh = keep(body, answer, self._cache.get(key), answer.fetched_at + NEVER_GOOD_AFTER)
        gathered = self._read(row, place, fresh, run)
        if gathered.forecasts:
            self._cache.put(key, fresh)
            return gathered
        return gathered + self._last_good(row, place, run)

    def _last_good(self, row: ModelRow, place: Place, run: Run | None) -> Gathered:
        stored = self._cache.get(self._key(row, place))
        return last_good(stored, self._client.now(), lambda kept: self._read(row, place, kept, run))

    def _read(self, row: ModelRow, place: Place, stored: StoredAnswer | None, run: Run | None) -> Gathered:
        if stored is None:
            return Gathered()
        issued_at = run.issued_at(stored.fetched_at) if run else None
        try:
            return parse(
                stored.body,
                fetched_at=stored.fetched_at,
                place=place,
                model=row.model,
                issued_at=issued_at,
                unchanged_since=stored.unchanged_since,
                utc_only=True,
            )
        except FeedError as error:
            return Gathered(failures=(failure_of(OPEN_METEO, row.model, error, place),))


def _variables(row: ModelRow) -> tuple[str, ...]:
    return ENSEMBLE_VARIABLES if row.members > 1 else tuple(VARIABLES)


def _floor_hour(at: datetime) -> datetime:
    return at.replace(minute=0, second=0, microsecond=0)


def _hour_mark(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M}"


def _is_good(stored: StoredAnswer | None, run: Run | None, now: datetime) -> bool:
    """For an hour always; then until a newer run has settled, or three hours have passed."""
    if stored is None:
        return False
    age = now - stored.fetched_at
    if age < ALWAYS_GOOD_FOR:
        return True
    is_newest = run is not None and stored.fetched_at >= run.settled_at
    return is_newest and age < NEVER_GOOD_AFTER


def split_elements(body: bytes, count: int) -> list[bytes]:
    """The answer's part for each place, in the order asked, without what changes from call to call.

    Matched by position: the coordinates that come back are the cells'.
    """
    answer = load_json(body, OPEN_METEO)
    elements = answer if isinstance(answer, list) else [answer]
    if len(elements) == 1:
        raise_if_error(as_dict(elements[0], OPEN_METEO, "the answer"))
    if len(elements) != count:
        raise bad_shape(OPEN_METEO, f"{len(elements)} places came back for {count}.")
    kept = [as_dict(element, OPEN_METEO, "an element of the answer") for element in elements]
    for element in kept:
        element.pop("generationtime_ms", None)
    return [json.dumps(element, separators=(",", ":")).encode() for element in kept]


def read_run(body: bytes) -> Run:
    """A model's newest run from its meta.json; BadAnswer when it doesn't tell."""
    meta = as_dict(load_json(body, OPEN_METEO), OPEN_METEO, "the table of runs")
    began_s, available_s, interval_s = (
        as_number(meta.get(name), OPEN_METEO, name)
        for name in (
            "last_run_initialisation_time",
            "last_run_availability_time",
            "update_interval_seconds",
        )
    )
    try:
        began_at = datetime.fromtimestamp(began_s, UTC)
        available_at = datetime.fromtimestamp(available_s, UTC)
        return Run(began_at, available_at + RUN_SETTLES_IN, timedelta(seconds=interval_s))
    except (ValueError, OverflowError, OSError) as error:
        raise bad_shape(OPEN_METEO, "the table of runs holds no times.") from error


def _with_wait(error: FeedError, now: datetime) -> FeedError:
    """A throttling by this feed never says how long; its wording does."""
    if not isinstance(error, FeedThrottled) or error.retry_after is not None:
        return error
    next_hour, tomorrow = _floor_hour(now) + HOUR, _floor_hour(now).replace(hour=0) + timedelta(days=1)
    waits = {
        "Minutely": timedelta(minutes=1),
        "Hourly": next_hour - now,
        "Daily": tomorrow - now,
        "concurrent": timedelta(seconds=10),
    }
    wait = next((wait for word, wait in waits.items() if word in str(error)), timedelta(minutes=1))
    return FeedThrottled(str(error), retry_after=wait)
