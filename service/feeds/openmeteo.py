"""Open-Meteo, asked by its terms (open-meteo.com/en/terms): off until the operator says how.

One model a request, many places a request, one request at a time, all in UTC. The free service is for
non-commercial use; with a key the same requests go to the customers' hosts.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from alerts.errors import BadInput
from alerts.span import Span
from alerts.weather.lineage import OPEN_METEO, ModelRow, find_model
from alerts.weather.record import Place
from service.feeds.asking import Patience, keep, last_good
from service.feeds.base import Gathered, failure_of
from service.feeds.body import as_dict, bad_shape, load_json
from service.feeds.cache import AnswerCache, StoredAnswer
from service.feeds.deadline import Deadline
from service.feeds.errors import FeedDown, FeedError, FeedThrottled
from service.feeds.http import Answer, PoliteClient
from service.feeds.metno import short_degrees
from service.feeds.openmeteo_answer import VARIABLES, parse, raise_if_error
from service.feeds.openmeteo_terms import RUN_SETTLES_IN, Run, places_per_request, read_run, wait_by_wording
from service.feeds.spans import HOUR

FREE_URL = "https://api.open-meteo.com"
DEFAULT_MODELS = ("ecmwf_ifs025", "icon_seamless", "gfs_seamless", "gem_seamless")
"""One model a lineage, all global, none under share-alike terms."""
ENSEMBLE_VARIABLES = ("cloud_cover",)
"""All that is asked of ensembles, whose every member counts against the limits."""
ALWAYS_GOOD_FOR, NEVER_GOOD_AFTER = timedelta(hours=1), timedelta(hours=3)
"""An answer's age below which it isn't asked for again, and above which it is, run or no run."""
MODEL_SHARE_S = 5.0
"""What each model gets of the time at least, so that one slow answer doesn't eat up all of it."""


class OpenMeteo:
    """The feed as one installation uses it.

    non_commercial: the operator declares that the installation earns nothing (no payment, no adverts).
    api_key: a customer's key; it goes into a header, never into an address.
    models: names from the lineage table; share-alike ones only with `share_alike`.
    base_url: a server of one's own, which needs neither declaration nor key; ensemble_url: where its
    ensembles are, if elsewhere.
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
        own_url = None if base_url is None or base_url.rstrip("/") == FREE_URL else base_url.rstrip("/")
        prefix = "customer-" if api_key else ""
        self._url = own_url or f"https://{prefix}api.open-meteo.com"
        ensembles = own_url or f"https://{prefix}ensemble-api.open-meteo.com"
        self._ensemble_url = ensemble_url.rstrip("/") if ensemble_url else ensembles
        self._headers = {"X-Api-Key": api_key} if api_key else {}
        self._is_on = bool(api_key) or non_commercial or own_url is not None
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
        """One forecast a place and model, over `hours` and some hours to each side."""
        if not self._one_at_a_time.acquire(timeout=deadline.remaining_s):
            late = FeedDown(f"{OPEN_METEO} was not asked: an earlier request took all the time.")
            return Gathered(failures=(failure_of(OPEN_METEO, "", late),))
        try:
            round_ = _Round(client, cache, hours, self._headers)
            gathered = Gathered()
            for index, row in enumerate(self._rows):
                share_s = max(MODEL_SHARE_S, deadline.remaining_s / (len(self._rows) - index))
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
    """One call of fetch: what its requests share.

    The window is widened to multiples of six hours, so that a minute later the same request is made.
    """

    def __init__(
        self, client: PoliteClient, cache: AnswerCache, hours: Span, headers: dict[str, str]
    ) -> None:
        self._client, self._cache, self._headers = client, cache, headers
        self._start = _floor_six_hours(hours.start - HOUR)
        self._end = _floor_six_hours(hours.end + HOUR) + 6 * HOUR
        self._patience = Patience()
        self._runs_are_told = True

    def fetch_model(self, row: ModelRow, url: str, places: Sequence[Place], deadline: Deadline) -> Gathered:
        """One model for all places: those with a good answer from the cache, the others in batches."""
        run = self._find_run(row, url, deadline)
        gathered, due = Gathered(), []
        for place in dict.fromkeys(places):
            stored = self._cache.get(_key(row, place))
            if stored is not None and self._is_good(stored, run):
                gathered += self._read(row, place, stored, run)
            else:
                due.append(place)
        for batch in self._batches(row, due):
            gathered += self._fetch_batch(row, url, batch, run, deadline)
        return gathered

    def _is_good(self, stored: StoredAnswer, run: Run | None) -> bool:
        """For an hour always; then until a newer run has settled, or three hours have passed.

        An answer over other hours than those wanted is no good at all.
        """
        if not _covers(stored.body, self._start, self._end):
            return False
        age = self._client.now() - stored.fetched_at
        is_newest = run is not None and stored.fetched_at >= run.settled_at
        return age < ALWAYS_GOOD_FOR or (is_newest and age < NEVER_GOOD_AFTER)

    def _find_run(self, row: ModelRow, url: str, deadline: Deadline) -> Run | None:
        """The model's newest run, if Open-Meteo tells in time; forecasts don't wait for it."""
        if not row.run_name:
            return None
        try:
            run = read_run(self._run_table(row.run_name, url, deadline))
        except FeedError as error:
            self._runs_are_told = not isinstance(error, FeedDown)
            return None  # an answer of an unknown run is told as such: issued_at None
        return run if run.is_believable(self._client.now(), row.horizon_h) else None

    def _run_table(self, run_name: str, url: str, deadline: Deadline) -> bytes:
        key, now = f"{OPEN_METEO}/runs/{run_name}", self._client.now()
        stored = self._cache.get(key)
        if stored is not None and now - stored.fetched_at < RUN_SETTLES_IN:
            return stored.body
        if not self._runs_are_told or self._patience.given_up is not None:
            raise FeedDown(f"{OPEN_METEO} was not asked for its runs.")
        answer = self._client.get(
            f"{url}/data/{run_name}/static/meta.json",
            headers=self._headers,
            deadline=deadline.at_most(min(3.0, deadline.remaining_s / 3)),
            tries_when_throttled=1,
        )
        read_run(answer.body)  # only what can be read is kept
        self._cache.put(key, keep(answer.body, answer, now + RUN_SETTLES_IN))
        return answer.body

    def _batches(self, row: ModelRow, places: Sequence[Place]) -> Iterator[list[Place]]:
        """Places in requests that are light enough; with and without an elevation never together."""
        days = (self._end - self._start) / timedelta(days=1)
        most = places_per_request(len(_variables(row)), days, row.members)
        for known in (True, False):
            group = [place for place in places if (place.elevation_m is not None) is known]
            for index in range(0, len(group), most):
                yield group[index : index + most]

    def _fetch_batch(
        self, row: ModelRow, url: str, places: Sequence[Place], run: Run | None, deadline: Deadline
    ) -> Gathered:
        try:
            answer = self._ask(row, url, places, deadline)
            bodies = split_elements(answer.body, len(places))
        except FeedThrottled as error:
            wait = error.retry_after or wait_by_wording(str(error), self._client.now())
            return self._do_without(row, places, run, FeedThrottled(str(error), retry_after=wait))
        except FeedError as error:
            return self._do_without(row, places, run, error)
        self._patience.note(None)
        parts = zip(places, bodies, strict=True)
        return sum((self._take(row, place, body, answer, run) for place, body in parts), Gathered())

    def _ask(self, row: ModelRow, url: str, places: Sequence[Place], deadline: Deadline) -> Answer:
        if self._patience.given_up is not None:
            raise self._patience.given_up
        return self._client.get(
            f"{url}/v1/{'ensemble' if row.members > 1 else 'forecast'}",
            build_params(row, places, self._start, self._end),
            self._headers,
            deadline=deadline,
            tries_when_throttled=1,
        )

    def _do_without(
        self, row: ModelRow, places: Sequence[Place], run: Run | None, error: FeedError
    ) -> Gathered:
        self._patience.note(error)
        failed = Gathered(failures=(failure_of(OPEN_METEO, row.model, error),))
        return sum((self._last_good(row, place, run) for place in places), failed)

    def _take(self, row: ModelRow, place: Place, body: bytes, answer: Answer, run: Run | None) -> Gathered:
        """One place's part of an answer: stored when usable, else the last good one beside the failure."""
        before = self._cache.get(_key(row, place))
        fresh = keep(body, answer, answer.fetched_at + NEVER_GOOD_AFTER)
        gathered = self._read(row, place, fresh, run)
        if not gathered.forecasts:
            return gathered + self._last_good(row, place, run)
        if before is not None and is_same_forecast(before.body, body):
            fresh = replace(fresh, unchanged_since=before.unchanged_since)
            gathered = self._read(row, place, fresh, run)
        self._cache.put(_key(row, place), fresh)
        return gathered

    def _last_good(self, row: ModelRow, place: Place, run: Run | None) -> Gathered:
        stored = self._cache.get(_key(row, place))
        return last_good(stored, self._client.now(), lambda kept: self._read(row, place, kept, run))

    def _read(self, row: ModelRow, place: Place, stored: StoredAnswer, run: Run | None) -> Gathered:
        try:
            return parse(
                stored.body,
                fetched_at=stored.fetched_at,
                place=place,
                model=row.model,
                issued_at=run.issued_at(stored.fetched_at) if run else None,
                unchanged_since=stored.unchanged_since,
                utc_only=True,
            )
        except FeedError as error:
            return Gathered(failures=(failure_of(OPEN_METEO, row.model, error, place),))


def _key(row: ModelRow, place: Place) -> str:
    elevation = "" if place.elevation_m is None else f",{round(place.elevation_m)}"
    return (
        f"{OPEN_METEO}/{row.model}/{short_degrees(place.lat_deg)},{short_degrees(place.lon_deg)}{elevation}"
    )


def _variables(row: ModelRow) -> tuple[str, ...]:
    return ENSEMBLE_VARIABLES if row.members > 1 else tuple(VARIABLES)


def build_params(row: ModelRow, places: Sequence[Place], start: datetime, end: datetime) -> dict[str, str]:
    """The query for one model at those places, both ends of the window included."""
    params = {
        "latitude": ",".join(short_degrees(place.lat_deg) for place in places),
        "longitude": ",".join(short_degrees(place.lon_deg) for place in places),
        "hourly": ",".join(_variables(row)),
        "models": row.model,
        "timezone": "GMT",
        "timeformat": "unixtime",
        "wind_speed_unit": "ms",
        "start_hour": f"{start:%Y-%m-%dT%H:%M}",
        "end_hour": f"{end:%Y-%m-%dT%H:%M}",
    }
    heights = [round(place.elevation_m) for place in places if place.elevation_m is not None]
    return {**params, "elevation": ",".join(str(height) for height in heights)} if heights else params


def _floor_six_hours(at: datetime) -> datetime:
    at = at.astimezone(UTC)
    return at.replace(hour=at.hour - at.hour % 6, minute=0, second=0, microsecond=0)


def split_elements(body: bytes, count: int) -> list[bytes]:
    """The answer's part for each place, in the order asked, without what changes from call to call.

    Matched by position: the coordinates that come back are the cells'.
    """
    answer = load_json(body, OPEN_METEO)
    elements = answer if isinstance(answer, list) else [answer]
    for element in elements:
        raise_if_error(as_dict(element, OPEN_METEO, "an element of the answer"))
    if len(elements) != count:
        raise bad_shape(OPEN_METEO, f"{len(elements)} places came back for {count}.")
    kept = [{name: value for name, value in one.items() if name != "generationtime_ms"} for one in elements]
    return [json.dumps(element, separators=(",", ":")).encode() for element in kept]


def _hourly(body: bytes) -> dict[str, list[Any]]:
    """The columns of a part's hourly block that are lists; {} when it has none."""
    hourly = json.loads(body).get("hourly")
    columns = hourly.items() if isinstance(hourly, dict) else ()
    return {name: column for name, column in columns if isinstance(column, list)}


def _covers(body: bytes, start: datetime, end: datetime) -> bool:
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
