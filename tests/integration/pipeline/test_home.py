"""A drive estimated from home, through the cycle: told as an estimate, and kept with what was decided."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from alerts.field.trip_plan import Home
from alerts.wishes.model import Wishes
from service.demo.play import FLAT, SATURDAY, ZONE
from service.explain.argument import argue
from service.explain.stored_verdict import open_case
from service.hindsight.rejudge import RejudgeInputs, rejudge
from service.store.json_values import from_json
from service.store.repositories import people
from service.store.schema.core_tables import DecisionRow, SubscriptionRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, World, open_world

HOME = Home(FLAT.lat_deg - 0.5, FLAT.lon_deg)
DRIVE = timedelta(minutes=70)  # 55.6 km x 1.4 / 70 km/h, up to five minutes


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as world:
        yield world


def _live_at(world: World, home: Home | None) -> None:
    with world.duskbell.sessions.begin() as session:
        people.set_home(session, people.get_operator(session, zone=ZONE, now=START), home)


def _newest(world: World) -> DecisionRow:
    with world.duskbell.sessions() as session:
        row = DecisionRow
        found = session.scalars(select(row).where(row.night_name == SATURDAY).order_by(row.id)).all()
        assert found[-1].wishes, "read while the session is open"
        return found[-1]


def _mailed(world: World) -> str:
    part = world.box.mails[-1][1].get_body(("plain",))
    assert part is not None
    return str(part.get_content())


def test_the_estimate_moves_leaving_and_is_told_as_what_it_is(world: World) -> None:
    world.cycle(ON_THE_DAY)
    before = _newest(world)
    _live_at(world, HOME)
    world.cycle(GO_TIME)
    after = _newest(world)
    assert before.leave_by is not None
    assert after.leave_by == before.leave_by + timedelta(minutes=20), "90 minutes before, 70 now"
    assert from_json(Wishes, after.wishes).drive_estimate == DRIVE
    assert "about 1 h 10 min to drive, an estimate from home" in _mailed(world)


def test_row_215_what_was_decided_keeps_its_drive_whatever_becomes_of_the_home(world: World) -> None:
    _live_at(world, HOME)
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    kept = _newest(world)
    _live_at(world, None)
    ephemeris = world.duskbell.ephemeris
    with world.duskbell.sessions() as session:
        nights = rejudge(RejudgeInputs(session, ephemeris), SATURDAY, SATURDAY)
        assert nights
        assert all(each.is_same for night in nights for each in night.decisions)
        assert not any(night.is_told_otherwise for night in nights)
        row = session.get_one(SubscriptionRow, kept.subscription_id)
        case = open_case(session, row, SATURDAY, GO_TIME, lambda: ephemeris)
        assert case.wishes.usual_drive.length == DRIVE
        said = argue(case).lines_of("wishes")
        assert "About 1 h 10 min to drive, an estimate from home." in said
        assert from_json(Wishes, row.wishes).usual_drive.length == timedelta(minutes=90)
