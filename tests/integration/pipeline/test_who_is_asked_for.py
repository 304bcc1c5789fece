"""The feeds are asked for nights that somebody could be told of, and for no others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from alerts.judging.rules import Result, is_ruled_out, night_reasons
from alerts.wishes.model import DEFAULT_WISHES, Trip, Wishes
from service.demo.play import FLAT
from service.store.repositories import subscriptions
from service.store.repositories.forecasts import place_key
from service.store.repositories.sites import revise_site
from service.store.schema.core_tables import DecisionRow, ForecastRow, SiteRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, LATER, ON_THE_DAY, START, World, open_world

AUGUST = Trip(date(2027, 8, 1), date(2027, 8, 7))
SUMMER = tuple(month for month in range(1, 13) if month != 7)


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as world:
        yield world


def _asked(world: World) -> int:
    """How often the feeds were asked what is to come; later analyses of nights past aside."""
    with world.duskbell.sessions() as session:
        return len(set(session.scalars(select(ForecastRow.fetched_at).where(_TO_COME))))


_TO_COME = ForecastRow.place == place_key(FLAT)


def _all_wish(world: World, **changes: object) -> None:
    with world.duskbell.sessions.begin() as session:
        for subscription in subscriptions.running_subscriptions(session):
            wishes = replace(DEFAULT_WISHES, **changes)  # type: ignore[arg-type]
            subscriptions.change_wishes(session, subscription, wishes)


def test_a_place_for_a_trip_in_august_is_left_alone_in_june(world: World) -> None:
    _all_wish(world, trips=(AUGUST,))
    world.cycle(START)
    assert _asked(world) == 0
    with world.duskbell.sessions() as session:
        reasons = {(row.verdict, row.deciding_rule) for row in session.scalars(select(DecisionRow))}
    assert reasons == {("stay", "trip")}


def test_a_place_for_a_trip_is_asked_about_a_day_before_one_wants_to_hear(world: World) -> None:
    _all_wish(world, trips=(AUGUST,), days_ahead=3)
    for day, asked in ((27, 0), (28, 1), (29, 2)):
        world.cycle(datetime(2027, 7, day, 13, 7, tzinfo=START.tzinfo))
        assert _asked(world) == asked, f"by 2027-07-{day}"


def test_a_place_whose_road_is_closed_is_left_alone(world: World) -> None:
    with world.duskbell.sessions.begin() as session:
        row = session.scalars(select(SiteRow)).one()
        closed = replace(FLAT, access_months=SUMMER)
        revise_site(session, row, closed, elevation_known=True, now=START)
    _all_wish(world, days_ahead=3)
    world.cycle(ON_THE_DAY)
    assert _asked(world) == 0


def test_of_a_week_only_the_evenings_that_suit_are_asked_for(world: World) -> None:
    """Saturdays alone, a day ahead: on Wednesday nothing is asked for yet."""
    _all_wish(world, weekdays=(5,), days_ahead=1)
    world.cycle(START)
    assert _asked(world) == 0
    world.cycle(START + timedelta(days=1))
    assert _asked(world) == 1


def test_another_who_would_go_any_night_has_it_asked_for(world: World) -> None:
    _all_wish(world, trips=(AUGUST,))
    with world.duskbell.sessions.begin() as session:
        first = subscriptions.running_subscriptions(session)[0]
        subscriptions.change_wishes(session, first, DEFAULT_WISHES)
    world.cycle(START)
    assert _asked(world) == 1


@pytest.mark.parametrize("how", ["paused", "ended"])
def test_a_go_told_before_a_pause_is_still_looked_after(how: str, world: World) -> None:
    """Nobody else asks for the place; without weather nothing could be taken back."""
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    with world.duskbell.sessions.begin() as session:
        for subscription in subscriptions.running_subscriptions(session):
            if how == "paused":
                subscriptions.pause_subscription(session, subscription, GO_TIME + timedelta(days=30))
            else:
                subscriptions.end_subscription(session, subscription, GO_TIME, "enough")
    world.weather.cloud_pct = 85.0
    world.cycle(LATER)
    assert world.kinds() == ["go", "go", "stand_down", "stand_down"]
    asked = _asked(world)
    world.cycle(LATER + timedelta(days=2))
    assert _asked(world) == asked, "the night is over; nobody is owed anything"


CALENDARS = {
    "any evening": Wishes(),
    "weekends": Wishes(weekdays=(4, 5)),
    "a trip alone": Wishes(trips=(AUGUST,)),
    "a trip beside home": Wishes(trips=(AUGUST,), trips_only=False),
    "a trip, weekends of it": Wishes(trips=(AUGUST,), weekdays=(4, 5)),
}


@pytest.mark.parametrize("wishes", CALENDARS.values(), ids=CALENDARS.keys())
@pytest.mark.parametrize(
    "site", [FLAT, replace(FLAT, access_months=(8, 9))], ids=["open", "closed till August"]
)
def test_who_would_not_go_is_told_a_reason(wishes: Wishes, site: object) -> None:
    for day in range(20):
        name = date(2027, 7, 25) + timedelta(days=day)
        reasons = night_reasons(name, wishes, site)  # type: ignore[arg-type]
        fails = any(reason.result is Result.FAIL for reason in reasons)
        assert is_ruled_out(name, wishes, site) is fails  # type: ignore[arg-type]
