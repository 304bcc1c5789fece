"""Asking overhead and where the camera looks: places along the line of sight, what each model has there."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from alerts.common.span import Span
from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Night
from alerts.weather.clouds import cover_as_told, look_along
from alerts.weather.forecast import Forecast, Place
from alerts.weather.line_of_sight import SightView, places_to_ask, view_of
from alerts.weather.models import ModelRow, find_model
from service.common.deadline import Deadline
from service.feeds.feed_wiring import FeedAccess, ask_now
from service.feeds.shared.model import Gather, Gathered

HOPELESS_PCT = 90.0
"""Where every model has more cloud than this overhead all through a window, nobody looks aside."""


@dataclass(frozen=True, slots=True)
class SightRequest:
    """One dark window at a site, and what the camera looks at in it."""

    site: Place
    window: Span
    view: SightView

    @classmethod
    def of(cls, window: DarkWindow, site: Site, asked: Place) -> SightRequest:
        return cls(asked, window.span, view_of(window, site))


@dataclass(frozen=True, slots=True)
class SightAnswers:
    """What came back from the places along lines of sight, by model, and which places each look wanted."""

    gathered: Gathered = Gathered()
    wanted: Mapping[SightRequest, tuple[Place, ...]] = field(default_factory=dict)
    by_model: Mapping[tuple[str, str], Mapping[Place, Forecast]] = field(default_factory=dict)


def ask_along(
    gather: Gather, overhead: Sequence[Forecast], looks: Sequence[SightRequest], now: datetime
) -> SightAnswers:
    """The clouds of single runs where these windows look through; nothing where it isn't worth it.

    Only models in the table are asked about, as only their grid is known.
    """
    by_site: dict[Place, list[Forecast]] = defaultdict(list)
    for forecast in overhead:
        if forecast.place is not None and _grid(forecast) is not None:
            by_site[forecast.place].append(forecast)
    wanted: dict[SightRequest, tuple[Place, ...]] = {}
    for look in looks:
        there = by_site.get(look.site, [])
        # where no hour that is known leaves a gap nobody looks aside
        covers = (
            cover_as_told(each.hours, each.layer_scheme, each.hours.cut(look.window).within) for each in there
        )
        if any((cover.plan_pct <= HOPELESS_PCT).any() for cover in covers):
            grids = [row for forecast in there if (row := _grid(forecast)) is not None]
            schemes = [forecast.layer_scheme for forecast in there]
            nearest_km = min(row.cell_km for row in grids)
            wanted[look] = places_to_ask(look.site, look.view, schemes, nearest_km=nearest_km)
    places = list(dict.fromkeys(place for some in wanted.values() for place in some))
    if not places:
        return SightAnswers()
    start = max(now, min(look.window.start for look in wanted))
    gathered = gather(places, Span(start, max(look.window.end for look in wanted)))
    by_model: dict[tuple[str, str], dict[Place, Forecast]] = defaultdict(dict)
    for forecast in gathered.forecasts:
        if forecast.place is not None:
            by_model[forecast.source.feed, forecast.source.model][forecast.place] = forecast
    return SightAnswers(gathered, wanted, by_model)


def _grid(forecast: Forecast) -> ModelRow | None:
    """The row of a single run with a cloud of its own; None for ensembles and air quality."""
    row = find_model(forecast.source.feed, forecast.source.model)
    return row if row is not None and row.members == 1 and not row.is_air else None


def with_sights(forecast: Forecast, aside: SightAnswers, looks: Sequence[SightRequest]) -> Forecast:
    """The forecast with what its model has along the line of sight, for each window that was asked about.

    Places nearer than the model's own grid step are left to the site's own cell. Where one of the others
    wasn't told, the model's line of sight is unknown and left out.
    """
    row = _grid(forecast)
    there = aside.by_model.get((forecast.source.feed, forecast.source.model), {})
    if row is None or not there:
        return forecast
    sights = []
    for look in looks:
        far = [
            p
            for p in aside.wanted.get(look, ())
            if distance_km(look.site.lat_deg, look.site.lon_deg, p.lat_deg, p.lon_deg) >= row.cell_km
        ]
        if all(place in there for place in far):
            sight = look_along(forecast, {place: there[place] for place in far}, look.view, look.window)
            sights += [sight] if sight is not None else []
    return replace(forecast, sights=tuple(sights)) if sights else forecast


NEAR = timedelta(hours=36)


NETWORK_BUDGET_S = 7.0
"""All feeds together; a command then still ends within ten seconds."""
OVERHEAD_BUDGET_S = 5.0
"""Of that, for the site itself; the line of sight gets what is left."""


def ask_both(
    asking: FeedAccess, site: Site, night: Night, hours: Span, now: datetime, elevation_m: float | None
) -> tuple[Gathered, list[Forecast]]:
    """What came of asking overhead, ensembles too; and its forecasts, with the line of sight of the windows
    that are near.

    elevation_m: of the site, None when nobody knows it. Where the feeds take all the time overhead, nobody
    looks aside.
    """
    whole = Deadline(NETWORK_BUDGET_S)

    def aside(places: Sequence[Place], span: Span) -> Gathered:
        return ask_now(asking, places, span, whole)

    place = Place(site.lat_deg, site.lon_deg, elevation_m)
    first = whole.at_most(OVERHEAD_BUDGET_S)
    gathered = ask_now(asking, [place], hours, first, ensembles=True)
    near = [each for each in night.windows if now < each.span.end and each.span.start - now <= NEAR]
    looks = [SightRequest.of(window, site, place) for window in near] if asking.settings.line_of_sight else []
    along = ask_along(aside, gathered.forecasts, looks, now)
    return gathered, [with_sights(forecast, along, looks) for forecast in gathered.forecasts]
