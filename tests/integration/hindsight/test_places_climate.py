"""A place's own climate: learned from each night looked back on, and what chances start from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select, update

from alerts.track.record.climatology import UNKNOWN_CLIMATE
from alerts.weather.skill import CLEAR_SHARE
from service.demo.play import FLAT, SATURDAY
from service.hindsight.rejudge import RejudgeInputs, rejudge
from service.pipeline import judge_stage
from service.pipeline.judging.site_inputs import months_read
from service.store.maintenance import personal_data
from service.store.repositories import climates
from service.store.repositories.forecasts import place_key
from service.store.repositories.sites import add_site
from service.store.schema.core_tables import DecisionRow, OutlookRow, PersonRow, SubscriptionRow
from service.store.schema.track_tables import JudgedEventRow, NightCloudRow
from tests.integration.conftest import CopyStore, NewStore
from tests.integration.hindsight.past import NEXT_DAY, Past, over
from tests.integration.pipeline.world import START, World, open_world

PLACE = place_key(FLAT)
HALF_HOUR = timedelta(minutes=30)


@pytest.fixture
def past(tmp_path: Path, new_store: NewStore, copy_store: CopyStore) -> Iterator[Past]:
    with over(tmp_path, new_store, copy_store) as past:
        yield past


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as world:
        yield world


def _noted(past: Past) -> list[tuple[str, int, float]]:
    with past.duskbell.sessions() as session:
        query = select(NightCloudRow).where(NightCloudRow.night_name == SATURDAY)
        return [(row.place, row.month, row.clear_share) for row in session.scalars(query)]


@pytest.mark.parametrize(("cloud_pct", "share"), [(5.0, 1.0), (95.0, 0.0)])
def test_a_night_looked_back_on_is_noted_whether_anybody_went_or_not(
    past: Past, cloud_pct: float, share: float
) -> None:
    past.witnesses.analysis_pct = cloud_pct
    past.verify()
    assert past.outcome().state == "unsure"
    assert _noted(past) == [(PLACE, 7, share)]


def test_of_a_night_without_analyses_nothing_is_noted(past: Past) -> None:
    past.witnesses.sky = "OVC080"
    past.verify()
    assert _noted(past) == []


def test_row_176_a_night_that_the_feeds_rewrite_or_that_is_judged_again_counts_once(past: Past) -> None:
    past.witnesses.analysis_pct = 5.0
    past.verify()
    past.witnesses.analysis_pct = 95.0
    past.verify(NEXT_DAY)
    with past.duskbell.sessions.begin() as session:
        session.execute(update(JudgedEventRow).values(look_at=NEXT_DAY))
        assert not climates.note_night(session, PLACE, SATURDAY, 0.0, NEXT_DAY)
    past.verify(NEXT_DAY + HALF_HOUR)
    assert _noted(past) == [(PLACE, 7, 1.0)]


def _learn(world: World, nights: int, clear_share: float, noted_at: datetime, *, first: date) -> None:
    with world.duskbell.sessions.begin() as session:
        for i in range(nights):
            night = first + timedelta(days=i)
            assert climates.note_night(session, PLACE, night, clear_share, noted_at)


def _newest(world: World) -> tuple[int, int]:
    """Of the Saturday: what is usual there, and the chance."""
    with world.duskbell.sessions() as session:
        query = select(DecisionRow).where(DecisionRow.night_name == SATURDAY)
        row = session.scalars(query.order_by(DecisionRow.id.desc())).first()
        assert row is not None
        facts = session.get_one(OutlookRow, row.outlook_ids[0]).facts
        return facts["usual_pct"], facts["chance_pct"]


def test_a_cloudy_places_chances_start_lower_than_a_clear_ones(world: World) -> None:
    world.cycle(START)
    usual_pct, chance_pct = _newest(world)
    _learn(world, 30, 0.0, START, first=date(2026, 7, 1))
    assert _judge(world, START + 3 * HALF_HOUR) != {}
    cloudy_usual_pct, cloudy_chance_pct = _newest(world)
    assert cloudy_usual_pct < usual_pct - 5
    assert cloudy_chance_pct < chance_pct


def _judge(world: World, now: datetime) -> dict[str, int]:
    """Everybody's nights are looked at."""
    with world.duskbell.sessions.begin() as session:
        session.execute(update(SubscriptionRow).values(look_again_at=None))
    return judge_stage.run(judge_stage.Judging(world.duskbell.sessions, HALF_HOUR), now, now)


def test_row_177_a_decision_judged_again_starts_from_what_was_known_of_its_place_then(world: World) -> None:
    """What is noted in a decision's own cycle or later changes nothing in it."""
    _learn(world, 30, 1.0, START - timedelta(days=1), first=date(2026, 7, 1))
    world.cycle(START)
    _learn(world, 30, 0.0, START, first=date(2025, 7, 1))
    _learn(world, 30, 0.0, START + HALF_HOUR, first=date(2024, 7, 1))
    with world.duskbell.sessions() as session:
        nights = rejudge(RejudgeInputs(session, world.duskbell.ephemeris), SATURDAY, SATURDAY)
        then = climates.climate_at(session, FLAT, START)
        later = climates.climate_at(session, FLAT, START + 2 * HALF_HOUR)
    decisions = [each for night in nights for each in night.decisions]
    assert decisions
    assert all(each.is_same for each in decisions)
    assert later.clear_share(7) < CLEAR_SHARE < then.clear_share(7)


def test_places_of_an_erased_site_are_forgotten_but_for_those_where_others_are(world: World) -> None:
    lonely = replace(FLAT, name="Heron Pool", lat_deg=FLAT.lat_deg + 1)
    _learn(world, 3, 1.0, START - timedelta(days=1), first=date(2026, 7, 1))
    with world.duskbell.sessions.begin() as session:
        guest = PersonRow(name="guest", zone=FLAT.zone, is_operator=False, created_at=START)
        session.add(guest)
        session.flush()
        for site in (lonely, replace(FLAT, name="Same Flat")):
            add_site(session, guest, site, elevation_known=True, now=START)
        climates.note_night(session, place_key(lonely), SATURDAY, 1.0, START - timedelta(days=1))
        personal_data.erase(session, world.duskbell.keys, guest, START)
        assert climates.climate_at(session, lonely, START) == UNKNOWN_CLIMATE
        assert climates.climate_at(session, FLAT, START).nights == {7: 3}


@pytest.mark.parametrize("day", [date(2027, 1, 1), date(2027, 3, 31), date(2027, 7, 15), date(2027, 12, 31)])
def test_a_cycle_reads_all_the_months_that_its_nights_start_from(day: date) -> None:
    """From last night to 16 days ahead, as far as forecasts reach."""
    read = months_read(datetime.combine(day, time(12), UTC))
    nights = [day + timedelta(days=by) for by in range(-1, 17)]
    assert {(night.month + by - 1) % 12 + 1 for night in nights for by in (-1, 0, 1)} <= {*read}
    assert len(read) == 5
