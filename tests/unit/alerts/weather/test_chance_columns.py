"""Many windows at once are judged as each one by itself: the plain statement of the rules is the oracle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.span import Span
from alerts.weather.chance import WindowChance, look_at_cloud
from alerts.weather.chance_columns import look_at_clouds, on_trips
from alerts.weather.forecast import Forecast, LayerScheme, Place
from alerts.weather.hours import HourlyWeather, Hours
from alerts.weather.line_of_sight import SightView
from alerts.weather.models import AIR_LINEAGE, BEST_MATCH_LINEAGE
from alerts.weather.sky_now import Says, StationSky
from alerts.weather.source_chance import EventQuery
from tests.unit.alerts.weather.values import HOUR, NOW, SITE, UNHURRIED, forecast, sight, source

MINUTE = timedelta(minutes=1)
LINEAGES = ("icon", "gfs", "gfs", "ecmwf", "ecmwf", BEST_MATCH_LINEAGE, AIR_LINEAGE)
OTHER_WEATHER = (
    "wind_ms",
    "gust_ms",
    "precipitation_mm",
    "temperature_c",
    "fog_pct",
    "aerosol_optical_depth",
)


class World:
    """Weather and questions at random, of few values, so that much is equal, missing or on an edge."""

    def __init__(self, seed: int) -> None:
        self.dice = Random(seed)

    def is_so(self, share: float) -> bool:
        return self.dice.random() < share

    def pct(self, unknown: float = 0.0) -> float | None:
        if self.is_so(unknown):
            return None
        return (
            float(self.dice.choice((0, 0, 20, 30, 60, 100))) if self.is_so(0.5) else self.dice.uniform(0, 100)
        )

    def hours(self) -> Hours:
        """By the hour or every three, from some time on, with a gap now and then, with what is unknown."""
        unknown, gaps, rows = self.dice.choice((0.0, 0.0, 0.04)), self.dice.choice((0.0, 0.05)), []
        at = NOW + self.dice.choice((0, 0, 0, 30, -130)) * MINUTE
        step = self.dice.choice((HOUR, HOUR, HOUR, 3 * HOUR))
        for _ in range(self.dice.choice((12, 24, 30))):
            at += 30 * MINUTE if self.is_so(gaps) else timedelta(0)
            low, mid, high = (self.pct(unknown) for _ in range(3))
            other: dict[str, Any] = {name: self.dice.choice((None, 0.0, 2.0, 25.0)) for name in OTHER_WEATHER}
            total = self.pct(unknown)
            rows.append(HourlyWeather(at, at + step, total, low, mid, high, **other))
            at += step
        return Hours.of(rows)

    def forecast(self, alike: Hours) -> Forecast:
        """Over hours that others have too or over its own; a run or an ensemble, known by the run before or
        not."""
        own = self.hours()
        hours = alike.changed(own.known_columns()) if len(own) == len(alike) else own
        members = self.dice.choice((0, 0, 0, 1, 2, 5))
        rows = tuple(tuple(self.pct(0.02) for _ in range(len(hours))) for _ in range(members))
        before = tuple(self.pct(0.02) for _ in range(len(hours))) if self.is_so(0.4) else ()
        aged = HOUR * self.dice.choice((1, 1, 2, 3, 5, 5, 8) if self.is_so(0.8) else (-1, 20, 60))
        dated = source(self.dice.choice(LINEAGES), issued_at=None if self.is_so(0.1) else NOW - aged)
        return forecast(
            source=dated,
            hours=hours,
            members=rows,
            cloud_before_pct=before,
            layer_scheme=self.dice.choice((LayerScheme.NONE, LayerScheme.OPEN_METEO, LayerScheme.MET_NORWAY)),
            place=Place(SITE.lat_deg, SITE.lon_deg, self.dice.choice((None, 200.0, 3500.0))),
            grid_elevation_m=self.dice.choice((None, 100.0)),
        )

    def query(self) -> EventQuery:
        """Of a window to come or under way, longer or shorter than what is asked for."""
        starts = NOW + self.dice.choice((-90, -30, 0, 60, 240, 487)) * MINUTE
        window = Span(starts, starts + self.dice.choice((20, 60, 200, 240, 421)) * MINUTE)
        stations = (
            StationSky("KXAA", self.dice.choice(list(Says)), NOW - 10 * MINUTE, 16.0, 0.0, reach_ft=12_000),
        )
        return EventQuery(
            window,
            self.dice.choice((0, 20, 60, 90, 150)) * MINUTE,
            NOW,
            self.is_so(0.7),
            self.dice.choice((0.2, 0.44, 0.9)),
            SightView(140.0, self.dice.choice((10.0, 35.0))) if self.is_so(0.5) else None,
            stations=stations if self.is_so(0.2) else (),
        )

    def seen_along(self, made: Forecast, query: EventQuery) -> Forecast:
        """With the line of sight over the window, as far as it is known."""
        along = sight(
            self.hours()[: self.dice.choice((12, 30))],
            window=query.window,
            altitude_deg=20.0,
            directions=((110.0, 5.0), (170.0, 95.0)),
        )
        return replace(made, sights=(along,))

    def asked(self) -> list[tuple[EventQuery, Sequence[Forecast]]]:
        alike = self.hours()
        pool, asked = [self.forecast(alike) for _ in range(6)], []
        for _ in range(self.dice.choice((1, 2, 6))):
            query = self.query()
            some = self.dice.sample(pool, self.dice.randrange(0, 6))
            asked.append(
                (query, [self.seen_along(each, query) if self.is_so(0.4) else each for each in some])
            )
        return asked


def require_alike(
    found: Sequence[WindowChance], asked: Sequence[tuple[EventQuery, Sequence[Forecast]]]
) -> None:
    for got, (query, forecasts) in zip(found, asked, strict=True):
        alone = look_at_cloud(query, forecasts)
        assert got.outlook == alone.outlook
        assert repr(got.outlook) == repr(alone.outlook)
        assert (got.there, got.on_site, got.usable) == (alone.there, alone.on_site, alone.usable)


@UNHURRIED
@given(st.integers(0, 10**9))
def test_windows_at_once_are_judged_as_each_by_itself(seed: int) -> None:
    asked = World(seed).asked()
    require_alike(look_at_clouds(asked), asked)


@UNHURRIED
@given(st.integers(0, 10**9), st.lists(st.tuples(st.integers(-200, 500), st.integers(10, 900)), min_size=1))
def test_trips_at_once_are_judged_as_each_by_itself(seed: int, trips: list[tuple[int, int]]) -> None:
    chances = look_at_clouds(World(seed).asked())
    spans = [Span(NOW + first * MINUTE, NOW + (first + long) * MINUTE) for first, long in trips]
    asked = [(chance, span) for chance in chances for span in spans]
    assert on_trips(asked) == [chance.on_trip(span) for chance, span in asked]


def test_nothing_asked_is_nothing_found() -> None:
    assert look_at_clouds([]) == []
    assert on_trips([]) == []


@pytest.mark.parametrize("members", [0, 50])
def test_a_world_of_many_windows(members: int) -> None:
    """As a cycle asks: three models over the same hours, hundreds of windows that begin at any second."""
    dice = Random(members)
    hours = Hours.of(
        HourlyWeather(NOW + k * HOUR, NOW + (k + 1) * HOUR, dice.uniform(0, 100)) for k in range(100)
    )
    rows = [tuple(tuple(dice.uniform(0, 100) for _ in hours) for _ in range(members)) for _ in range(3)]
    runs = [
        forecast(source=source(name), hours=hours, members=each, layer_scheme=LayerScheme.NONE)
        for name, each in zip(("icon", "gfs", "ecmwf"), rows, strict=True)
    ]
    asked = []
    for _ in range(60):
        starts = NOW + timedelta(seconds=dice.randrange(4 * 3600, 80 * 3600))
        window = Span(starts, starts + timedelta(seconds=dice.randrange(1800, 10 * 3600)))
        asked.append((EventQuery(window, dice.choice((20, 60, 120)) * MINUTE, NOW, True), runs))
    require_alike(look_at_clouds(asked), asked)
