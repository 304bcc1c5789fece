"""Open-Meteo, asked by its terms (open-meteo.com/en/terms): off until the operator says how.

One model a request, many places a request, one request at a time, all in UTC. The free service is for
non-commercial use; with a key the same requests go to the customers' hosts.
"""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial

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
from service.feeds.shared import http_client
from service.feeds.shared.cached_request import AskRound, Patience, StoredAnswer, keep, last_good
from service.feeds.shared.checked_answers import FeedDown, FeedError, FeedThrottled, NotAsked
from service.feeds.shared.guards import OPEN_METEO_AIR, OPEN_METEO_ENSEMBLE
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


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenMeteoAccess:
    """By what right an installation asks, and where.

    non_commercial: the operator declares that it earns nothing (no payment, no adverts). share_alike: that
    what is made of such models may carry their licence.
    api_key: a customer's key; it goes into a header, never into an address.
    base_url: a server of one's own, which needs neither declaration nor key; ensemble_url, air_url: where its
    ensembles and its air quality are, if elsewhere.
    """

    non_commercial: bool = False
    share_alike: bool = False
    api_key: str | None = None
    base_url: str | None = None
    ensemble_url: str | None = None
    air_url: str | None = None

    @property
    def own_url(self) -> str | None:
        own_url = self.base_url.rstrip("/") if self.base_url else None
        return None if own_url == FREE_URL else own_url


class OpenMeteo:
    """The feed as one installation uses it.

    models, ensembles: names from the table of models; share-alike ones only where that is accepted.
    air_quality: ask for aerosols too. by_height: for cloud by height at high sites.
    Raises BadInput for a model that isn't in the table or may not be used.
    """

    name = OPEN_METEO

    def __init__(
        self,
        access: OpenMeteoAccess,
        *,
        models: Sequence[str] = DEFAULT_MODELS,
        ensembles: Sequence[str] = (),
        air_quality: bool = False,
        by_height: bool = False,
    ) -> None:
        rows = []
        for model in (*models, *ensembles):
            row = find_model(OPEN_METEO, model)
            if row is None or row.is_air:
                raise BadInput(phrase("feeds.unknown-model", model=model))
            if row.terms.share_alike and not access.share_alike:
                raise BadInput(phrase("feeds.share-alike-model", model=model, licence=row.terms.licence))
            rows.append(row)
        self._rows = (*rows, AIR_ROW) if air_quality else tuple(rows)
        self._closer = [row for row in rows if row.members == 1][:LOOK_CLOSER]
        self._by_height = by_height
        own_url, prefix = access.own_url, "customer-" if access.api_key else ""
        urls = {
            OPEN_METEO: own_url or f"https://{prefix}api.open-meteo.com",
            OPEN_METEO_ENSEMBLE: access.ensemble_url
            or own_url
            or f"https://{prefix}ensemble-api.open-meteo.com",
            OPEN_METEO_AIR: access.air_url or own_url or f"https://{prefix}air-quality-api.open-meteo.com",
        }
        self._urls = {feed: url.rstrip("/") for feed, url in urls.items()}
        self._headers = {"X-Api-Key": access.api_key} if access.api_key else {}
        self._is_on = bool(access.api_key) or access.non_commercial or own_url is not None
        self._one_at_a_time = threading.Lock()

    @property
    def off_because(self) -> Phrase | None:
        """Its free service is for non-commercial use only, so somebody has to say so."""
        return None if self._is_on else phrase("feeds.open-meteo-off")

    def models_at(self, place: Place) -> tuple[ModelRow, ...]:
        """Everywhere the same: where a regional model ends isn't in the table."""
        return tuple(row for row in self._rows if not row.is_air)

    def fetch(self, places: Sequence[Place], hours: Span, round_: AskRound) -> Gathered:
        """One forecast a place and model, over `hours` and some hours to each side.

        Along a line of sight the first single runs alone are asked, and for cloud alone.
        """
        here = [place for place in places if not place.is_aside]
        aside = [place for place in places if place.is_aside]
        wanted = [(row, here) for row in self._rows if here]
        wanted += [(row, aside) for row in self._closer if aside]
        deadline = round_.deadline
        if not self._one_at_a_time.acquire(timeout=deadline.remaining_s):
            late = NotAsked(phrase("feeds.earlier-took-all", feed=OPEN_METEO))
            return Gathered(failures=(failure_of(OPEN_METEO, "", late),))
        try:
            asking, parts = _OpenMeteoRound(round_, hours, self._headers), []
            for index, (row, group) in enumerate(wanted):
                product = product_of(row, aside=group is aside)
                share_s = max(MODEL_SHARE_S, deadline.remaining_s / (len(wanted) - index))
                mine = deadline.at_most(share_s)
                task = _Task(row, product, self._urls[product.feed], mine, asking.end)
                gathered = asking.fetch_model(task, group)
                if self._by_height and product is FORECAST and row in self._closer:
                    gathered = asking.add_levels(task, gathered)
                parts.append(gathered)
            return join(parts)
        finally:
            self._one_at_a_time.release()


@dataclass(frozen=True, slots=True)
class _Task:
    """One model's part of a round. url: of the server. end: of the series asked for. run: its newest one,
    None where nobody knows."""

    row: ModelRow
    product: Product
    url: str
    deadline: Deadline
    end: datetime
    run: Run | None = None


class _OpenMeteoRound:
    """One call of fetch: what its requests share.

    The window is widened to multiples of six hours, so that a minute later the same request is made.
    """

    def __init__(self, round_: AskRound, hours: Span, headers: dict[str, str]) -> None:
        self._client, self._cache, self._headers = round_.client, round_.cache, headers
        self._start = floor_six_hours(hours.start - HOUR)
        self.end = floor_six_hours(hours.end + HOUR) + 6 * HOUR
        self._patience: dict[str, Patience] = defaultdict(Patience)
        self._runs_are_told = True

    def fetch_model(self, task: _Task, places: Sequence[Place]) -> Gathered:
        """One model for all places: those with a good answer from the cache, the others in batches."""
        # 1. Air quality isn't told beyond a few days, and asking for more is refused; cloud by height is
        # wanted for the coming night.
        row, product, end, now = task.row, task.product, task.end, self._client.now()
        if product in (LOW_LEVELS, HIGH_LEVELS):
            end = min(end, floor_six_hours(now + LEVELS_WITHIN) + 6 * HOUR)
        elif row.is_air:
            end = min(end, floor_six_hours(now + timedelta(hours=row.horizon_h)))
        if end <= self._start:
            return Gathered()
        run = self._find_run(task)
        task = replace(task, end=end, run=run)

        # 2. An answer over these hours is good until a newer run has settled, where runs are known; else for
        # an hour or so.
        parts: list[Gathered] = []
        due: list[PlaceCell] = []
        for cell in share(row, product, places):
            stored = self._cache.get(cell.key)
            is_good = False
            if stored is not None and covers(stored.body, self._start, end):
                age = self._client.now() - stored.fetched_at
                is_settled = run is not None and stored.fetched_at >= run.settled_at
                is_good = age < product.good_for if run is None else is_settled and age < product.never_after
            if stored is not None and is_good:
                parts.append(self._read(task, cell, stored))
            else:
                due.append(cell)

        # 3. The others are asked for.
        days = (end - self._start) / timedelta(days=1)
        parts += [self._fetch_batch(task, batch) for batch in batches(row, product, due, days)]
        return join(parts)

    def add_levels(self, task: _Task, gathered: Gathered) -> Gathered:
        """The forecasts with cloud by height, for the high sites among their places.

        Where it can't be had, or is of another run, the forecast stays as it is beside the failure.
        """
        high: dict[Product, list[Place]] = {}
        for place in (forecast.place for forecast in gathered.forecasts):
            product = levels_of(place) if place else None
            if place and product:
                high.setdefault(product, []).append(place)
        told = join(self.fetch_model(replace(task, product=each), there) for each, there in high.items())
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

    def _find_run(self, task: _Task) -> Run | None:
        """The model's newest run, if Open-Meteo tells in time; forecasts don't wait for it."""
        if not task.row.run_name:
            return None
        key, now, feed = f"{OPEN_METEO}/runs/{task.row.run_name}", self._client.now(), task.product.feed
        stored = self._cache.get(key)
        try:
            if stored is not None and now - stored.fetched_at < RUN_SETTLES_IN:
                run = read_run(stored.body)
            else:
                is_left_alone = self._client.refusal(feed) or self._patience[feed].given_up
                if is_left_alone or not self._runs_are_told:
                    raise NotAsked(phrase("feeds.runs-not-asked", feed=OPEN_METEO))
                url = f"{task.url}/data/{task.row.run_name}/static/meta.json"
                request = http_client.Request(url, headers=self._headers, tries_when_throttled=1)
                soon = task.deadline.at_most(min(3.0, task.deadline.remaining_s / 3))
                answer = self._client.get(request, soon)
                run = read_run(answer.body)  # only what can be read is kept
                self._cache.put(key, keep(answer.body, answer, now + RUN_SETTLES_IN))
        except FeedError as error:
            self._runs_are_told = not isinstance(error, FeedDown)
            return None  # an answer of an unknown run is told as such: issued_at None
        return run if run.is_believable(self._client.now(), task.row.horizon_h) else None

    def _fetch_batch(self, task: _Task, batch: Batch) -> Gathered:
        """One request; each cell's part of the answer is stored when usable, else the last good one is used
        beside the failure."""
        product, patience = task.product, self._patience[task.product.feed]
        try:
            if patience.given_up is not None:
                raise patience.given_up
            asked = [cell.asked for cell in batch.cells]
            request = http_client.Request(
                f"{task.url}/v1/{product.path}",
                build_params(task.row, product, asked, self._start, task.end),
                self._headers,
                product.feed,
                batch.weight,
                tries_when_throttled=1,
            )
            answer = self._client.get(request, task.deadline)
            bodies = split_elements(answer.body, len(batch.cells))
        except FeedError as error:
            failed = error
            if isinstance(error, FeedThrottled):
                wait = error.retry_after or wait_by_wording(error.reason, self._client.now())
                failed = FeedThrottled(error.what, retry_after=wait)
            patience.note(failed)
            parts = [Gathered(failures=(failure_of(product.feed, task.row.model, failed),))]
            return join((*parts, *(self._last_good(task, cell) for cell in batch.cells)))
        patience.note(None)

        parts = []
        for cell, body in zip(batch.cells, bodies, strict=True):
            before = self._cache.get(cell.key)
            fresh = keep(body, answer, answer.fetched_at + product.never_after)
            if before is not None and is_same_forecast(before.body, body):
                fresh = replace(fresh, unchanged_since=before.unchanged_since)
            gathered = self._read(task, cell, fresh)
            if gathered.forecasts:
                self._cache.put(cell.key, fresh)
                parts.append(gathered)
            else:
                parts.append(gathered + self._last_good(task, cell))
        return join(parts)

    def _last_good(self, task: _Task, cell: PlaceCell) -> Gathered:
        stored = self._cache.get(cell.key)
        return last_good(stored, self._client.now(), partial(self._read, task, cell))

    def _read(self, task: _Task, cell: PlaceCell, stored: StoredAnswer) -> Gathered:
        """The cell's forecast, once for each place in it."""
        run = task.run
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
