"""Open-Meteo, asked by its terms (open-meteo.com/en/terms): off until the operator says how.

One model a request, many places a request, one request at a time, all in UTC. The free service is for
non-commercial use; with a key the same requests go to the customers' hosts.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.weather.cloud_levels import with_levels_of
from alerts.weather.forecast import Place
from alerts.weather.models import AIR_ROW, OPEN_METEO, ModelRow, find_model
from service.common.deadline import Deadline
from service.feeds.open_meteo.parse import parse
from service.feeds.open_meteo.place_batches import (
    FORECAST,
    HIGH_LEVELS,
    LEVELS_WITHIN,
    LOW_LEVELS,
    RUN_SETTLES_IN,
    Batch,
    PlaceCell,
    Product,
    Run,
    batches,
    build_params,
    covers,
    floor_six_hours,
    is_same_forecast,
    levels_of,
    product_of,
    read_run,
    share,
    split_elements,
    wait_by_wording,
)
from service.feeds.shared.cache import AnswerCache, StoredAnswer
from service.feeds.shared.cached_request import Patience, keep, last_good
from service.feeds.shared.feed_errors import FeedDown, FeedError, FeedThrottled, NotAsked
from service.feeds.shared.guards import OPEN_METEO_AIR, OPEN_METEO_ENSEMBLE
from service.feeds.shared.http_client import HttpAnswer, PoliteClient
from service.feeds.shared.model import Gathered, failure_of, join, shared_with
from service.feeds.shared.time_marks import HOUR

FREE_URL = "https://api.open-meteo.com"
DEFAULT_MODELS = ("ecmwf_ifs025", "icon_seamless", "gfs_seamless", "gem_seamless", "meteofrance_seamless")
"""One model a lineage, all global, none under share-alike terms."""
LOOK_CLOSER = 3
"""How many models, the first of the list, are asked along the line of sight and by height too: that weighs
far more than another model overhead, and another lineage tells more."""
MODEL_SHARE_S = 5.0
"""What each model gets of the time at least, so that one slow answer doesn't eat up all of it."""


class OpenMeteo:
    """The feed as one installation uses it.

    non_commercial: the operator declares that the installation earns nothing (no payment, no adverts).
    api_key: a customer's key; it goes into a header, never into an address.
    models, ensembles: names from the table of models; share-alike ones only with `share_alike`.
    air_quality: ask for aerosols too. by_height: for cloud by height at high sites.
    base_url: a server of one's own, which needs neither declaration nor key; ensemble_url, air_url: where its
    ensembles and its air quality are, if elsewhere.
    Raises BadInput for a model that isn't in the table or may not be used.
    """

    name = OPEN_METEO

    def __init__(
        self,
        *,
        models: Sequence[str] = DEFAULT_MODELS,
        ensembles: Sequence[str] = (),
        air_quality: bool = False,
        by_height: bool = False,
        non_commercial: bool = False,
        api_key: str | None = None,
        share_alike: bool = False,
        base_url: str | None = None,
        ensemble_url: str | None = None,
        air_url: str | None = None,
    ) -> None:
        rows = [_allowed_row(model, share_alike=share_alike) for model in (*models, *ensembles)]
        self._rows = (*rows, AIR_ROW) if air_quality else tuple(rows)
        self._closer = [row for row in rows if row.members == 1][:LOOK_CLOSER]
        self._by_height = by_height
        own_url = None if base_url is None or base_url.rstrip("/") == FREE_URL else base_url.rstrip("/")
        prefix = "customer-" if api_key else ""
        self._urls = {
            OPEN_METEO: own_url or f"https://{prefix}api.open-meteo.com",
            OPEN_METEO_ENSEMBLE: (ensemble_url or own_url or f"https://{prefix}ensemble-api.open-meteo.com"),
            OPEN_METEO_AIR: (air_url or own_url or f"https://{prefix}air-quality-api.open-meteo.com"),
        }
        self._headers = {"X-Api-Key": api_key} if api_key else {}
        self._is_on = bool(api_key) or non_commercial or own_url is not None
        self._one_at_a_time = threading.Lock()

    @property
    def off_because(self) -> Phrase | None:
        """Its free service is for non-commercial use only, so somebody has to say so."""
        if self._is_on:
            return None
        return phrase("feeds.open-meteo-off")

    def models_at(self, place: Place) -> tuple[ModelRow, ...]:
        """Everywhere the same: where a regional model ends isn't in the table."""
        return tuple(row for row in self._rows if not row.is_air)

    def fetch(
        self,
        places: Sequence[Place],
        hours: Span,
        client: PoliteClient,
        cache: AnswerCache,
        deadline: Deadline,
    ) -> Gathered:
        """One forecast a place and model, over `hours` and some hours to each side.

        Along a line of sight the first single runs alone are asked, and for cloud alone.
        """
        if not self._one_at_a_time.acquire(timeout=deadline.remaining_s):
            late = NotAsked(phrase("feeds.earlier-took-all", feed=OPEN_METEO))
            return Gathered(failures=(failure_of(OPEN_METEO, "", late),))
        try:
            round_ = _OpenMeteoRound(client, cache, hours, self._headers)
            return join(self._ask_all(round_, places, deadline))
        finally:
            self._one_at_a_time.release()

    def _ask_all(
        self, round_: _OpenMeteoRound, places: Sequence[Place], deadline: Deadline
    ) -> Iterator[Gathered]:
        here = [place for place in places if not place.is_aside]
        aside = [place for place in places if place.is_aside]
        tasks = [(row, here) for row in self._rows if here]
        tasks += [(row, aside) for row in self._closer if aside]
        for index, (row, group) in enumerate(tasks):
            share_s = max(MODEL_SHARE_S, deadline.remaining_s / (len(tasks) - index))
            product = product_of(row, aside=group is aside)
            url, mine = self._urls[product.feed].rstrip("/"), deadline.at_most(share_s)
            gathered = round_.fetch_model(row, product, url, group, mine)
            if self._by_height and product is FORECAST and row in self._closer:
                gathered = round_.add_levels(row, url, gathered, mine)
            yield gathered


def _allowed_row(model: str, *, share_alike: bool) -> ModelRow:
    row = find_model(OPEN_METEO, model)
    if row is None or row.is_air:
        raise BadInput(phrase("feeds.unknown-model", model=model))
    if row.terms.share_alike and not share_alike:
        raise BadInput(phrase("feeds.share-alike-model", model=model, licence=row.terms.licence))
    return row


@dataclass(frozen=True, slots=True)
class _Task:
    """One model's part of a round. end: of the series asked for."""

    row: ModelRow
    product: Product
    url: str
    deadline: Deadline
    end: datetime


class _OpenMeteoRound:
    """One call of fetch: what its requests share.

    The window is widened to multiples of six hours, so that a minute later the same request is made.
    """

    def __init__(
        self, client: PoliteClient, cache: AnswerCache, hours: Span, headers: dict[str, str]
    ) -> None:
        self._client, self._cache, self._headers = client, cache, headers
        self._start = floor_six_hours(hours.start - HOUR)
        self._end = floor_six_hours(hours.end + HOUR) + 6 * HOUR
        self._patience: dict[str, Patience] = {}
        self._runs_are_told = True

    def fetch_model(
        self, row: ModelRow, product: Product, url: str, places: Sequence[Place], deadline: Deadline
    ) -> Gathered:
        """One model for all places: those with a good answer from the cache, the others in batches."""
        task = _Task(row, product, url, deadline, self._end_for(row, product))
        if task.end <= self._start:
            return Gathered()
        run = self._find_run(task)
        parts: list[Gathered] = []
        due: list[PlaceCell] = []
        for cell in share(row, product, places):
            stored = self._cache.get(cell.key)
            if stored is not None and self._is_good(task, stored, run):
                parts.append(self._read(task, cell, stored, run))
            else:
                due.append(cell)
        days = (task.end - self._start) / timedelta(days=1)
        parts += [self._fetch_batch(task, batch, run) for batch in batches(row, product, due, days)]
        return join(parts)

    def add_levels(self, row: ModelRow, url: str, gathered: Gathered, deadline: Deadline) -> Gathered:
        """The forecasts with cloud by height, for the high sites among their places.

        Where it can't be had, or is of another run, the forecast stays as it is beside the failure.
        """
        high: dict[Product, list[Place]] = {}
        for place in (forecast.place for forecast in gathered.forecasts):
            product = levels_of(place) if place else None
            if place and product:
                high.setdefault(product, []).append(place)
        parts = [self.fetch_model(row, product, url, there, deadline) for product, there in high.items()]
        told = join(parts)
        found = {
            (forecast.place, forecast.source.issued_at): forecast
            for forecast in told.forecasts
            if forecast.levels is not None
        }
        forecasts = [
            with_levels_of(forecast, by_height)
            if (by_height := found.get((forecast.place, forecast.source.issued_at)))
            else forecast
            for forecast in gathered.forecasts
        ]
        return replace(gathered, forecasts=tuple(forecasts), failures=(*gathered.failures, *told.failures))

    def _end_for(self, row: ModelRow, product: Product) -> datetime:
        """Air quality isn't told beyond a few days, and asking for more is refused; cloud by height is wanted
        for the coming night."""
        now = self._client.now()
        if product in (LOW_LEVELS, HIGH_LEVELS):
            return min(self._end, floor_six_hours(now + LEVELS_WITHIN) + 6 * HOUR)
        if not row.is_air:
            return self._end
        return min(self._end, floor_six_hours(now + timedelta(hours=row.horizon_h)))

    def patience(self, product: Product) -> Patience:
        return self._patience.setdefault(product.feed, Patience())

    def _is_good(self, task: _Task, stored: StoredAnswer, run: Run | None) -> bool:
        """Until a newer run has settled, where runs are known; else for an hour or so.

        An answer over other hours than those wanted is no good at all.
        """
        if not covers(stored.body, self._start, task.end):
            return False
        age = self._client.now() - stored.fetched_at
        if run is None:
            return age < task.product.good_for
        return stored.fetched_at >= run.settled_at and age < task.product.never_after

    def _find_run(self, task: _Task) -> Run | None:
        """The model's newest run, if Open-Meteo tells in time; forecasts don't wait for it."""
        if not task.row.run_name:
            return None
        try:
            run = read_run(self._run_table(task))
        except FeedError as error:
            self._runs_are_told = not isinstance(error, FeedDown)
            return None  # an answer of an unknown run is told as such: issued_at None
        return run if run.is_believable(self._client.now(), task.row.horizon_h) else None

    def _run_table(self, task: _Task) -> bytes:
        key, now = f"{OPEN_METEO}/runs/{task.row.run_name}", self._client.now()
        stored = self._cache.get(key)
        if stored is not None and now - stored.fetched_at < RUN_SETTLES_IN:
            return stored.body
        is_left_alone = self._client.refusal(task.product.feed) or self.patience(task.product).given_up
        if is_left_alone or not self._runs_are_told:
            raise NotAsked(phrase("feeds.runs-not-asked", feed=OPEN_METEO))
        answer = self._client.get(
            f"{task.url}/data/{task.row.run_name}/static/meta.json",
            headers=self._headers,
            deadline=task.deadline.at_most(min(3.0, task.deadline.remaining_s / 3)),
            tries_when_throttled=1,
        )
        read_run(answer.body)  # only what can be read is kept
        self._cache.put(key, keep(answer.body, answer, now + RUN_SETTLES_IN))
        return answer.body

    def _fetch_batch(self, task: _Task, batch: Batch, run: Run | None) -> Gathered:
        try:
            answer = self._ask(task, batch)
            bodies = split_elements(answer.body, len(batch.cells))
        except FeedThrottled as error:
            wait = error.retry_after or wait_by_wording(error.reason, self._client.now())
            return self._do_without(task, batch, run, FeedThrottled(error.what, retry_after=wait))
        except FeedError as error:
            return self._do_without(task, batch, run, error)
        self.patience(task.product).note(None)
        parts = zip(batch.cells, bodies, strict=True)
        return join(self._take(task, cell, body, answer, run) for cell, body in parts)

    def _ask(self, task: _Task, batch: Batch) -> HttpAnswer:
        given_up = self.patience(task.product).given_up
        if given_up is not None:
            raise given_up
        asked = [cell.asked for cell in batch.cells]
        return self._client.get(
            f"{task.url}/v1/{task.product.path}",
            build_params(task.row, task.product, asked, self._start, task.end),
            self._headers,
            deadline=task.deadline,
            tries_when_throttled=1,
            feed=task.product.feed,
            weight=batch.weight,
        )

    def _do_without(self, task: _Task, batch: Batch, run: Run | None, error: FeedError) -> Gathered:
        self.patience(task.product).note(error)
        failed = Gathered(failures=(failure_of(task.product.feed, task.row.model, error),))
        return join((failed, *(self._last_good(task, cell, run) for cell in batch.cells)))

    def _take(
        self, task: _Task, cell: PlaceCell, body: bytes, answer: HttpAnswer, run: Run | None
    ) -> Gathered:
        """One cell's part of an answer: stored when usable, else the last good one beside the failure."""
        before = self._cache.get(cell.key)
        fresh = keep(body, answer, answer.fetched_at + task.product.never_after)
        if before is not None and is_same_forecast(before.body, body):
            fresh = replace(fresh, unchanged_since=before.unchanged_since)
        gathered = self._read(task, cell, fresh, run)
        if not gathered.forecasts:
            return gathered + self._last_good(task, cell, run)
        self._cache.put(cell.key, fresh)
        return gathered

    def _last_good(self, task: _Task, cell: PlaceCell, run: Run | None) -> Gathered:
        stored = self._cache.get(cell.key)
        return last_good(stored, self._client.now(), lambda kept: self._read(task, cell, kept, run))

    def _read(self, task: _Task, cell: PlaceCell, stored: StoredAnswer, run: Run | None) -> Gathered:
        """The cell's forecast, once for each place in it."""
        try:
            read = parse(
                stored.body,
                fetched_at=stored.fetched_at,
                place=cell.asked,
                model=task.row.model,
                issued_at=run.issued_at(stored.fetched_at) if run else None,
                next_due_at=run.issued_at(stored.fetched_at) + run.interval if run else None,
                unchanged_since=stored.unchanged_since,
                utc_only=True,
            )
        except FeedError as error:
            return Gathered(failures=(failure_of(OPEN_METEO, task.row.model, error, cell.asked),))
        return shared_with(read, cell.places)
