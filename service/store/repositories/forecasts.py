"""Forecasts as rows: every answer with its provider and lineage, rejected ones with their reason. Each is
packed by column, so that a stored answer costs kilobytes, not tens of them."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from math import isnan
from typing import Any

import pydantic_core
from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session, defer

from alerts.common.phrases import Phrase
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.weather.clouds import cover_as_told
from alerts.weather.forecast import Bulletin, CloudLevels, Forecast, LayerScheme, Place, Sight, Source
from alerts.weather.hours import FIELDS, Hours
from service.store.json_values import from_json, said_columns, to_json
from service.store.schema.core_tables import ForecastRow

_SECOND = timedelta(seconds=1)
KEPT_FOR_JUDGING = timedelta(hours=24)
"""Older answers stay in the store but are never judged on."""
EVERYWHERE = ""
"""The place under which a failure of a whole feed is kept."""


def place_key(site: Site) -> str:
    """The place that a site's forecasts are asked for, to 0.01 degrees: neighbours share the request."""
    return place_key_at(site.lat_deg, site.lon_deg)


def place_key_at(lat_deg: float, lon_deg: float) -> str:
    return f"{round(lat_deg, 2):.2f},{round(lon_deg, 2):.2f}"


def keep(session: Session, place: str, forecast: Forecast, *, fetched_at: datetime) -> ForecastRow:
    """Store one model's answer for that place."""
    source, body = forecast.source, pack(forecast)
    row = ForecastRow(
        place=place,
        feed=source.feed,
        provider=source.provider,
        lineage=source.lineage,
        model=source.model,
        issued_at=source.issued_at,
        fetched_at=source.fetched_at or fetched_at,
        confirmed_at=source.fetched_at or fetched_at,
        unchanged_since=source.unchanged_since,
        last_hour_ends=forecast.hours.ends[-1] if forecast.hours else None,
        body=body,
        digest=digest_of(body),
    )
    session.add(row)
    return row


def keep_changed(
    session: Session, forecasts: Iterable[tuple[str, Forecast]], *, fetched_at: datetime
) -> list[ForecastRow]:
    """Store what says something new, by place; each with the cloud of the run before it.

    The same values of the same run once more only confirm the row that has them.
    """
    forecasts = list(forecasts)
    newest = _newest(session, {place for place, _ in forecasts}, fetched_at)
    known = {(row.place, row.feed, row.model): row for row in newest}
    kept = []
    for place, forecast in forecasts:
        row = known.get((place, forecast.source.feed, forecast.source.model))
        if row is None:
            kept.append(keep(session, place, forecast, fetched_at=fetched_at))
            continue
        before = unpack(row)
        if says_the_same(forecast, before):
            row.confirmed_at = forecast.source.fetched_at or fetched_at
        else:
            kept.append(keep(session, place, with_run_before(forecast, before), fetched_at=fetched_at))
    return kept


def says_the_same(fresh: Forecast, before: Forecast) -> bool:
    """Whether a fresh answer has nothing that the one before hasn't: the same run, each of its hours alike.

    It may begin later, as hours that have passed fall away.
    """
    if fresh.source.issued_at != before.source.issued_at or fresh.layer_scheme != before.layer_scheme:
        return False
    known = _by_start(before)
    if any(known.get(starts) != said for starts, said in _by_start(fresh).items()):
        return False
    words = [[replace(each, asked_at=None) for each in one.bulletins] for one in (fresh, before)]
    return words[0] == words[1] and all(sight in before.sights for sight in fresh.sights)


def _by_start(forecast: Forecast) -> dict[datetime, tuple[Any, ...]]:
    """What is said of each hour: its fields, each member's cloud, and each level's cloud and height."""
    hours, levels = forecast.hours, forecast.levels
    by_height = (*levels.cloud_pct, *levels.height_m) if levels else ()
    told = (hours.starts, hours.ends, *map(hours.column, FIELDS), *forecast.members, *by_height)
    return {said[0]: said for said in zip(*told, strict=True)}


def digest_of(body: dict[str, Any]) -> str:
    """What to know the same values by, whenever they were asked for."""
    told = {name: value for name, value in body.items() if name not in {"next_due_at", "before"}}
    told["bulletins"] = [{**each, "asked_at": None} for each in body.get("bulletins", ())]
    return hashlib.blake2b(pydantic_core.to_json(told), digest_size=16).hexdigest()


def with_run_before(forecast: Forecast, before: Forecast) -> Forecast:
    """The forecast with the cloud that the run before it had in its hours.

    The same run said again keeps what it knew of the one before.
    """
    then, now = _cloud_by_start(before), _cloud_by_start(forecast)
    if all(now[starts] == then[starts] for starts in now.keys() & then.keys()):
        then = dict(zip(before.hours.starts, before.cloud_before_pct, strict=False))
    clouds = tuple(then.get(starts) for starts in forecast.hours.starts)
    known = any(cloud is not None for cloud in clouds) and not forecast.members
    return replace(forecast, cloud_before_pct=clouds if known else ())


def _cloud_by_start(forecast: Forecast) -> dict[datetime, float | None]:
    """Effective cloud of each hour in %."""
    clouds = cover_as_told(forecast.hours, forecast.layer_scheme).plan_pct.tolist()
    return {
        starts: None if isnan(cloud) else cloud
        for starts, cloud in zip(forecast.hours.starts, clouds, strict=True)
    }


def keep_rejected(
    session: Session, place: str, *, feed: str, model: str, reason: Phrase, fetched_at: datetime
) -> ForecastRow:
    """Store that an answer couldn't be used, and why; never judged on."""
    row = ForecastRow(
        place=place,
        feed=feed,
        provider="",
        lineage="",
        model=model,
        fetched_at=fetched_at,
        **said_columns("rejected", reason),
    )
    session.add(row)
    return row


def newest_by_place(session: Session, places: set[str], now: datetime) -> dict[str, dict[int, Forecast]]:
    """For each place the newest usable answer of each feed and model, not from after `now`: by the number
    under which decisions name it, ascending."""
    found: dict[str, dict[int, Forecast]] = defaultdict(dict)
    for row in _newest(session, places, now):
        found[row.place][row.id] = unpack(row)
    return found


def newest_ids(session: Session, places: set[str]) -> dict[str, int]:
    """For each place the number of its newest answer: another one where something new came."""
    kept = ForecastRow
    query = select(kept.place, func.max(kept.id)).where(kept.place.in_(places)).group_by(kept.place)
    return {row[0]: row[1] for row in session.execute(query)}


def newest_at(session: Session, places: set[str], now: datetime) -> dict[str, datetime]:
    """For each place when its newest usable answer came, not after `now`."""
    kept = ForecastRow
    query = (
        select(kept.place, func.max(kept.fetched_at))
        .where(kept.place.in_(places), kept.rejected.is_(None), kept.fetched_at <= now)
        .group_by(kept.place)
    )
    return {row[0]: row[1] for row in session.execute(query)}


def _newest(session: Session, places: set[str], now: datetime) -> Sequence[ForecastRow]:
    usable = (
        ForecastRow.place.in_(places),
        ForecastRow.rejected.is_(None),
        ForecastRow.fetched_at <= now,
        func.coalesce(ForecastRow.confirmed_at, ForecastRow.fetched_at) > now - KEPT_FOR_JUDGING,
    )
    newest = (
        select(func.max(ForecastRow.id))
        .where(*usable)
        .group_by(ForecastRow.place, ForecastRow.feed, ForecastRow.model)
    )
    query = select(ForecastRow).where(ForecastRow.id.in_(newest)).order_by(ForecastRow.id)
    return session.scalars(query).all()


def rejected_since(
    session: Session, places: Iterable[str], since: datetime, now: datetime
) -> list[ForecastRow]:
    """What couldn't be used for those places after `since`, newest first, each reason once."""
    query = select(ForecastRow).where(*_rejected(places, since, now)).order_by(ForecastRow.id.desc())
    by_reason = {(row.feed, row.model, row.rejected): row for row in reversed(session.scalars(query).all())}
    return sorted(by_reason.values(), key=lambda row: -row.id)


def reasons_since(
    session: Session, places: Iterable[str], since: datetime, now: datetime
) -> set[tuple[str, str, str, str]]:
    """What is already known not to be usable there: place, feed, model and reason."""
    columns = ForecastRow.place, ForecastRow.feed, ForecastRow.model, ForecastRow.rejected
    found = session.execute(select(*columns).where(*_rejected(places, since, now)))
    return {(row[0], row[1], row[2], row[3] or "") for row in found}


def _rejected(places: Iterable[str], since: datetime, now: datetime) -> tuple[ColumnElement[bool], ...]:
    row = ForecastRow
    came = row.fetched_at > since, row.fetched_at <= now
    return row.place.in_(set(places)), row.rejected.is_not(None), *came


def last_answering(session: Session, most: int) -> dict[tuple[str, str], int]:
    """The feeds and models of so many last usable answers, each with the number of its newest."""
    row = ForecastRow
    query = select(row.id, row.feed, row.model).where(row.rejected.is_(None))
    ids: dict[tuple[str, str], int] = {}
    for forecast_id, feed, model in session.execute(query.order_by(row.id.desc()).limit(most)):
        ids.setdefault((feed, model), forecast_id)
    return ids


def credit_lines(session: Session, ids: Iterable[int]) -> tuple[str, ...]:
    """Whom these answers are to be credited to, each line once."""
    row = ForecastRow
    bodies = session.scalars(select(row.body).where(row.id.in_(set(ids))))
    lines = [str(body["attribution"][0]) for body in bodies if body]
    return tuple(dict.fromkeys(line for line in lines if line))


def answers_named(session: Session, ids: Iterable[int]) -> list[ForecastRow]:
    """These answers in their order, without what they say until that is asked for."""
    row = ForecastRow
    query = select(row).where(row.id.in_(set(ids))).options(defer(row.body)).order_by(row.id)
    return list(session.scalars(query))


def forecasts_by_id(session: Session, ids: Iterable[int], over: Span | None = None) -> dict[int, Forecast]:
    """These forecasts by their number, ascending; forgotten ones are missing. over: those hours alone."""
    row = ForecastRow
    query = select(row).where(row.id.in_(set(ids)), row.body.is_not(None)).order_by(row.id)
    return {each.id: unpack(each, over) for each in session.scalars(query)}


def newest_id(session: Session) -> int:
    """The number of the newest answer of any feed, 0 before the first."""
    return session.scalar(select(func.max(ForecastRow.id))) or 0


def pack(forecast: Forecast) -> dict[str, Any]:
    """The forecast's values as JSON: times in Unix seconds, one list a column, unknown columns left out."""
    source, place = forecast.source, forecast.place
    packed = {
        "grid": [forecast.grid_lat_deg, forecast.grid_lon_deg, forecast.grid_elevation_m],
        "layers": forecast.layer_scheme.value,
        **_pack_hours(forecast.hours),
        "members": [list(member) for member in forecast.members],
        "attribution": [source.attribution, source.attribution_url],
        "place": [place.lat_deg, place.lon_deg, place.elevation_m] if place else None,
    }
    if source.next_due_at:
        packed["next_due_at"] = int(source.next_due_at.timestamp())
    if forecast.sights:
        packed["sights"] = [
            {
                "window": [sight.window.start.timestamp(), sight.window.end.timestamp()],
                "frame": [sight.azimuth_deg, sight.altitude_deg, sight.places],
                "directions": [list(each) for each in sight.directions],
                **_pack_hours(sight.hours),
            }
            for sight in forecast.sights
        ]
    if forecast.cloud_before_pct:
        packed["before"] = [None if value is None else round(value) for value in forecast.cloud_before_pct]
    if forecast.bulletins:
        packed["bulletins"] = [to_json(bulletin) for bulletin in forecast.bulletins]
    if (levels := forecast.levels) is not None:  # in whole per cent and metres, as they come
        packed["levels"] = {
            "hpa": list(levels.pressures_hpa),
            "cloud": [[None if each is None else round(each) for each in row] for row in levels.cloud_pct],
            "height": [[None if each is None else round(each) for each in row] for row in levels.height_m],
        }
    return packed


def _pack_hours(hours: Hours) -> dict[str, Any]:
    """Of the times the first start, step and count where these give all of them back; else all of them."""
    if not hours:
        return {"starts": [], "ends": [], "columns": {}}
    columns = {name: list(column) for name, column in hours.known_columns().items()}
    starts, ends = tuple(hours.starts), tuple(hours.ends)
    regular = int(starts[0].timestamp()), (ends[0] - starts[0]) // _SECOND, len(starts)
    if (starts, ends) == _times(*regular):
        return {"hours": list(regular), "columns": columns}
    return {
        "starts": [int(each.timestamp()) for each in starts],
        "ends": [int(each.timestamp()) for each in ends],
        "columns": columns,
    }


def unpack(row: ForecastRow, over: Span | None = None) -> Forecast:
    """The forecast that was packed into this row, which must not be a rejected one.

    over: with those of its hours alone that touch that span, and nothing beside them: a page needs a dozen of
    hundreds.
    """
    body = row.body
    assert body is not None, "a rejected answer has no values"
    attribution, attribution_url = body["attribution"]
    next_due_at = body.get("next_due_at")
    source = Source(
        feed=row.feed,
        provider=row.provider,
        lineage=row.lineage,
        model=row.model,
        attribution=attribution,
        attribution_url=attribution_url,
        issued_at=row.issued_at,
        fetched_at=row.confirmed_at or row.fetched_at,
        unchanged_since=row.unchanged_since,
        next_due_at=_utc(next_due_at) if next_due_at is not None else None,
    )
    lat_deg, lon_deg, elevation_m = body["grid"]
    hours, scheme = Hours(*_unpack_times(body), body["columns"]), LayerScheme(body["layers"])
    if over is not None:
        within = hours.cut(over).within
        members = tuple(tuple(member[within]) for member in body["members"])
        return Forecast(source, lat_deg, lon_deg, elevation_m, scheme, hours[within], members)
    place, levels = body.get("place"), body.get("levels")
    return Forecast(
        source,
        lat_deg,
        lon_deg,
        elevation_m,
        scheme,
        hours,
        tuple(tuple(member) for member in body["members"]),
        place=Place(*place) if place else None,
        sights=tuple(_unpack_sight(sight) for sight in body.get("sights", ())),
        cloud_before_pct=tuple(body.get("before", ())),
        bulletins=tuple(from_json(Bulletin, bulletin) for bulletin in body.get("bulletins", ())),
        levels=None
        if levels is None
        else CloudLevels(
            pressures_hpa=tuple(levels["hpa"]),
            cloud_pct=tuple(map(tuple, levels["cloud"])),
            height_m=tuple(map(tuple, levels["height"])),
        ),
    )


def _unpack_times(body: dict[str, Any]) -> tuple[Sequence[datetime], Sequence[datetime]]:
    if "hours" in body:
        first, step_s, count = body["hours"]
        return _times(first, step_s, count)
    return [_utc(each) for each in body["starts"]], [_utc(each) for each in body["ends"]]


@lru_cache(maxsize=64)
def _times(first: int, step_s: int, count: int) -> tuple[tuple[datetime, ...], tuple[datetime, ...]]:
    """Starts and ends, shared by all forecasts over the same hours."""
    edges = tuple(_utc(first + k * step_s) for k in range(count + 1))
    return edges[:-1], edges[1:]


def _unpack_sight(sight: dict[str, Any]) -> Sight:
    start, end = sight["window"]
    azimuth_deg, altitude_deg, places = sight["frame"]
    return Sight(
        window=Span(_utc(start), _utc(end)),
        azimuth_deg=azimuth_deg,
        altitude_deg=altitude_deg,
        places=places,
        hours=Hours(*_unpack_times(sight), sight["columns"]),
        directions=tuple((each[0], each[1]) for each in sight["directions"]),
    )


def _utc(unix_s: float) -> datetime:
    return datetime.fromtimestamp(unix_s, tz=UTC)
