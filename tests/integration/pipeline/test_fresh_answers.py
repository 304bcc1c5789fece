"""What a cycle asks for is there for that same cycle, though it comes seconds after the tick."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from alerts.common.span import Span
from alerts.weather.forecast import Forecast, Place
from service.feeds.shared.model import Gathered
from service.store.schema.core_tables import ForecastRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, LATER, ON_THE_DAY, START, Weather, World, open_world

LATE_BY = timedelta(seconds=23)
LAST_BEFORE_LEAVING = datetime(2027, 7, 3, 18, 50, tzinfo=UTC)
"""One leaves at 19:12."""


@dataclass
class LiveWeather:
    """The invented weather with the times that a live feed puts on its answers."""

    weather: Weather
    late_by: timedelta = LATE_BY
    has_issue: bool = True

    def gather(self, places: Sequence[Place], hours: Span) -> Gathered:
        gathered = self.weather.gather(places, hours)
        stamped = tuple(self._stamped(each, hours.start + self.late_by) for each in gathered.forecasts)
        return replace(gathered, forecasts=stamped)

    def _stamped(self, forecast: Forecast, at: datetime) -> Forecast:
        issued_at = forecast.source.issued_at if self.has_issue else None
        source = replace(forecast.source, fetched_at=at, unchanged_since=at, issued_at=issued_at)
        return replace(forecast, source=source)


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as world:
        yield world


def _live(world: World, **changes: object) -> None:
    world.duskbell.invented_weather = LiveWeather(world.weather, **changes).gather  # type: ignore[arg-type]


@pytest.mark.parametrize("has_issue", [True, False], ids=["issue named", "no issue named"])
def test_the_first_cycle_that_asks_judges_on_what_it_got(has_issue: bool, world: World) -> None:
    _live(world, has_issue=has_issue)
    world.cycle(START)
    assert world.verdict() == "wait"


def test_a_last_cycle_before_leaving_hears_what_it_asked_for(world: World) -> None:
    """Cloudy until then: the go rests on the answer of the very cycle in which it is due."""
    _live(world)
    world.weather.cloud_pct = 85.0
    world.cycle(ON_THE_DAY)
    world.weather.cloud_pct = 5.0
    world.cycle(LAST_BEFORE_LEAVING)
    assert world.kinds() == ["go", "go"]


def test_a_night_that_sours_is_called_off_in_the_cycle_that_learns_of_it(world: World) -> None:
    _live(world)
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    world.weather.cloud_pct = 85.0
    world.cycle(LATER)
    assert world.kinds()[-2:] == ["stand_down", "stand_down"]


def test_an_answer_long_after_the_moment_judged_for_is_kept_and_not_used(world: World) -> None:
    _live(world, late_by=timedelta(days=2))
    world.cycle(START)
    assert world.verdict() == "unknown"
    with world.duskbell.sessions() as session:
        assert session.scalars(select(ForecastRow.fetched_at)).first() == START + timedelta(days=2)
