"""Recorded feed answers, read from files as if they had just come in."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.weather.forecast import Forecast, Place
from alerts.weather.models import MET_NORWAY, NWS, OPEN_METEO, find_model, get_model, open_meteo_row
from alerts.weather.quality_gates import check_distance
from service.feeds.met_norway import parse as met_norway_parse
from service.feeds.nws import parse as nws_parse
from service.feeds.open_meteo import parse as open_meteo_parse
from service.feeds.shared.checked_answers import BadAnswer, FeedRefused, load_json
from service.feeds.shared.model import Gathered, failure_of

LARGEST_FILE = 20_000_000
"""Bytes; the largest answers, 16 days of all members of an ensemble, are a tenth of it."""

_READERS: dict[str, Callable[..., Gathered]] = {
    OPEN_METEO: open_meteo_parse.parse,
    MET_NORWAY: met_norway_parse.parse,
    NWS: nws_parse.parse,
}


def read_recorded(path: Path, *, named: str | None = None, place: Place | None = None) -> list[Forecast]:
    """The forecasts in a recorded answer, one a model and place; their `fetched_at` is None.

    named: `feed` or `feed/model` (`open-meteo/icon_seamless`); None: the content tells the feed. An
    Open-Meteo answer doesn't name its model when it holds only one; unnamed it counts as `unknown`,
    of lineage `open-meteo-best-match`, as that is what Open-Meteo answers with unless told otherwise,
    and a blend may be any model. With several models in the file a name picks one of them.
    place: refuse an answer for somewhere else; of many places in one file, keep those in reach.
    Raises BadInput with one sentence when the file can't be read, is no forecast that we know, or when
    every series in it closed a quality gate.
    """
    gathered = read_recorded_fully(path, named=named, place=place)
    if not gathered.forecasts:
        raise BadInput(f"{path}: {gathered.failures[0].text}")
    return list(gathered.forecasts)


def read_recorded_fully(path: Path, *, named: str | None = None, place: Place | None = None) -> Gathered:
    """As read_recorded, with the rejected series beside the good ones; BadInput only when unreadable."""
    body = _read_file(path)
    feed, model = None, None
    if named is not None:
        feed, _, model = named.partition("/")
        if feed not in _READERS:
            raise BadInput(phrase("feeds.no-such-feed", name=feed, known=sorted(_READERS)))
        if model and feed != OPEN_METEO and find_model(feed, model) is None:
            raise BadInput(phrase("feeds.no-such-model", feed=feed, model=model))
    try:
        found = _recognise(path, load_json(body, feed or "file"))
        if feed is not None and feed != found:
            raise BadInput(phrase("feeds.file-of-other-feed", path=path, found=found, feed=feed))
        asked = {"model": model or None} if found == OPEN_METEO else {}
        gathered = _READERS[found](body, fetched_at=None, **asked)  # places are judged below
    except BadAnswer as error:
        raise BadInput(phrase("feeds.file-unusable", path=path, what=error.fault)) from error
    except FeedRefused as error:
        raise BadInput(phrase("feeds.file-no-forecast", path=path, what=error.args[0])) from error
    if place is None:
        return gathered

    # those whose cell is near enough, now for that place; the others as failures when none is
    near, far = [], []
    for forecast in gathered.forecasts:
        source = forecast.source
        row = open_meteo_row(source.model) if found == OPEN_METEO else get_model(found, source.model)
        rejected = check_distance(forecast, place, row.cell_reach_km)
        if rejected is None:
            near.append(replace(forecast, place=place))
        else:
            far.append(failure_of(found, source.model, BadAnswer.of(found, rejected), place))
    return Gathered(tuple(near), (*gathered.failures, *([] if near else far)))


def _read_file(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise BadInput(phrase("feeds.file-too-large", path=path, size=size, most=LARGEST_FILE))
        return path.read_bytes()
    except FileNotFoundError as error:
        raise BadInput(phrase("feeds.file-missing", path=path)) from error
    except IsADirectoryError as error:
        raise BadInput(phrase("feeds.file-is-folder", path=path)) from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise BadInput(phrase("feeds.file-unreadable", path=path, reason=reason)) from error


def _recognise(path: Path, answer: Any) -> str:
    """The feed whose form the answer has; BadInput that says what it is when it's none."""
    if isinstance(answer, list):
        if answer and all(isinstance(element, dict) and "hourly" in element for element in answer):
            return OPEN_METEO
        is_daily = all(isinstance(one, dict) and "utc_offset_seconds" in one for one in answer)
        kind = "daily" if answer and is_daily else "list"
        raise BadInput(phrase("feeds.file-is-none", path=path, kind=kind))
    if isinstance(answer, dict):
        for feed, fits in _FORMS:
            if fits(answer):
                return feed
        for kind, fits in _KNOWN_OTHERS:
            if fits(answer):
                raise BadInput(phrase("feeds.file-is-none", path=path, kind=kind))
    raise BadInput(phrase("feeds.file-is-none", path=path, kind="other"))


def _properties(answer: dict[str, Any]) -> dict[str, Any]:
    properties = answer.get("properties")
    return properties if isinstance(properties, dict) else {}


_FORMS: tuple[tuple[str, Callable[[dict[str, Any]], bool]], ...] = (
    (OPEN_METEO, lambda answer: "hourly" in answer or answer.get("error") is True),
    (MET_NORWAY, lambda answer: "timeseries" in _properties(answer)),
    (NWS, lambda answer: "skyCover" in _properties(answer) or "validTimes" in _properties(answer)),
    (NWS, lambda answer: "status" in answer and "title" in answer),
)
_KNOWN_OTHERS: tuple[tuple[str, Callable[[dict[str, Any]], bool]], ...] = (
    ("grid-cell", lambda answer: "forecastGridData" in _properties(answer)),
    ("runs", lambda answer: "last_run_initialisation_time" in answer),
    ("daily", lambda answer: "utc_offset_seconds" in answer),
    ("elevation", lambda answer: answer.keys() == {"elevation"}),
)


def as_of_default(forecasts: Iterable[Forecast]) -> datetime | None:
    """The moment at which recorded answers are to be judged: the newest issue time among them.

    Answers that don't tell when they were issued (Open-Meteo's never do) count only when none does:
    then the newest moment that an answer calls `current`, else the first time in the newest series,
    which is the earliest at which it can have been asked for when it began with the current hour, and
    never later than a night it covers. None without any forecast.
    """
    forecasts = tuple(forecasts)
    issued = [one.source.issued_at for one in forecasts if one.source.issued_at is not None]
    answered = [one.answered_at for one in forecasts if one.answered_at is not None]
    first = [one.hours[0].starts + one.hours[0].step / 2 for one in forecasts if one.hours]
    moments = issued or answered or first
    return max(moments, default=None)
