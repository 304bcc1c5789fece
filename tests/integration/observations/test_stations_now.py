"""Stations heard before people leave: what is asked when, what the chance makes of it, that it repeats."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from alerts.common.span import Span
from alerts.track.observations.coded_reports import read_metar
from alerts.track.observations.evidence import SkyReport, Station
from alerts.track.observations.stations import METAR, Observed
from alerts.weather.outlook import Outlook
from service.demo.play import FLAT, SATURDAY
from service.hindsight.rejudge import RejudgeInputs, rejudge
from service.observations import nws
from service.observations.model import Ask, Heard, areas_of
from service.store.json_values import from_json
from service.store.repositories import judged_events
from service.store.repositories.due_reviews import read_nights_due
from service.store.schema.core_tables import DecisionRow, OutlookRow, SubscriptionRow
from service.store.schema.track_tables import StationReportRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, World, open_world

HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
NEAR = Station("LETE", METAR, FLAT.lat_deg + 0.1, FLAT.lon_deg, FLAT.elevation_m - 100)
AHEAD = Station("LEAF", METAR, FLAT.lat_deg - 0.1, FLAT.lon_deg, FLAT.elevation_m)


def observed(at: datetime, sky: str, station: Station = NEAR) -> Observed:
    raw = f"METAR {station.name} {at:%d%H%M}Z AUTO 21005KT 9999 {sky} 12/06 Q1015"
    report = SkyReport(station.name, at, read_metar(raw), raw, at + 5 * MINUTE)
    return Observed(station, report, "aviationweather.gov")


@dataclass
class Air:
    """Stations that a test lets speak. says: what they answer when they are asked next."""

    says: list[Observed] = field(default_factory=list)
    failure: str = ""
    later: bool = False
    asked: list[Ask] = field(default_factory=list)

    def observe(self, asks: Sequence[Ask]) -> Heard:
        self.asked += asks
        if self.later:
            return Heard(later=tuple(asks))
        return Heard(tuple(self.says), (self.failure,) if self.failure else ())


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as opened:
        yield opened


@pytest.fixture
def air(world: World) -> Air:
    found = Air()
    world.duskbell.invented_stations = found.observe
    return found


def outlook(world: World) -> Outlook:
    """Of the newest decision on the Saturday."""
    with world.duskbell.sessions() as session:
        query = select(DecisionRow).where(DecisionRow.night_name == SATURDAY)
        decision = session.scalars(query.order_by(DecisionRow.id.desc())).first()
        assert decision is not None
        row = session.get(OutlookRow, decision.outlook_ids[0])
        assert row is not None
        return from_json(Outlook, row.facts)


def heard_at(world: World, now: datetime) -> list[str]:
    with world.duskbell.sessions() as session:
        return [each.station for each in judged_events.stations_now(session, FLAT, now)]


def test_cloud_over_a_station_nearby_lowers_the_chance_before_anybody_leaves(world: World, air: Air) -> None:
    world.cycle(ON_THE_DAY)
    before = outlook(world)
    assert air.asked == []  # the night begins in fourteen hours
    assert before.sky_now is None
    air.says = [observed(GO_TIME - 10 * MINUTE, "OVC040")]
    assert world.cycle(GO_TIME)["heard_now"] == 1
    after = outlook(world)
    assert after.sky_now is not None
    assert after.chance_pct is not None
    assert after.sky_now.without_pct is not None
    assert [each.station for each in after.sky_now.stations] == ["LETE"]
    assert after.chance_pct <= after.sky_now.without_pct - 2
    assert "LETE 11 km away cloud" in " ".join(map(str, after.notes))
    assert after.lineages == before.lineages


def test_what_is_asked_reaches_back_from_now_and_not_beyond(world: World, air: Air) -> None:
    world.cycle(GO_TIME)
    (ask, *_) = air.asked
    assert (ask.lat_deg, ask.lon_deg) == (FLAT.lat_deg, FLAT.lon_deg)
    assert Span(ask.hours.start - HOUR, ask.hours.end + HOUR) == Span(GO_TIME - 3 * HOUR, GO_TIME)


def test_places_are_asked_about_in_the_order_of_their_nights() -> None:
    hours = Span(GO_TIME - 2 * HOUR, GO_TIME - HOUR)
    soon, later = Ask(50.5, 3.5, hours), Ask(10.5, 3.5, hours)
    assert [asks for _, asks in areas_of([soon, later])] == [[soon], [later]]


def test_stations_are_asked_twice_an_hour_at_most_and_again_where_it_was_not_allowed(
    world: World, air: Air
) -> None:
    air.later = True
    counts = []
    for minutes in (0, 10, 20, 40):
        world.cycle(GO_TIME + minutes * MINUTE)
        counts.append(len(air.asked))
        air.later = False
    assert counts == [1, 2, 2, 3]


def test_row_180_stations_that_are_silent_or_down_leave_the_chance_to_the_forecasts(
    world: World, air: Air
) -> None:
    air.failure = "aviationweather.gov can't be reached."
    counts = world.cycle(GO_TIME)
    assert counts["observation_failures"] == 1
    assert (outlook(world).sky_now, world.verdict()) == (None, "go")
    air.failure, air.says = "", [observed(GO_TIME + 20 * MINUTE, "//////")]
    world.cycle(GO_TIME + 30 * MINUTE)
    assert outlook(world).sky_now is None


def test_row_181_a_clear_sky_without_a_sensor_is_nobody_s_word(world: World, air: Air) -> None:
    at = GO_TIME - 10 * MINUTE
    facts = {
        "station": "https://api.weather.gov/stations/XROAD",
        "timestamp": at.isoformat(),
        "textDescription": "Clear",
        "rawMessage": "",
        "cloudLayers": [],
    }
    place = {"type": "Point", "coordinates": [FLAT.lon_deg, FLAT.lat_deg]}
    air.says = list(nws.parse({"features": [{"properties": facts, "geometry": place}]}))
    world.cycle(GO_TIME)
    assert heard_at(world, GO_TIME) == []


def test_row_181_one_that_always_says_clear_is_outweighed_by_cloud_beside_it(world: World, air: Air) -> None:
    at = GO_TIME - 10 * MINUTE
    air.says = [observed(at, "NCD"), observed(at, "OVC040", AHEAD)]
    world.cycle(GO_TIME)
    found = outlook(world).sky_now
    assert found is not None
    assert found.log_odds < 0


def test_row_182_a_report_of_the_future_waits_for_its_time(world: World, air: Air) -> None:
    air.says = [observed(GO_TIME + 20 * MINUTE, "OVC040")]
    world.cycle(GO_TIME)
    assert (heard_at(world, GO_TIME), outlook(world).sky_now) == ([], None)
    assert heard_at(world, GO_TIME + 30 * MINUTE) == ["LETE"]


def test_row_184_a_station_stuck_for_hours_is_no_longer_heard(world: World, air: Air) -> None:
    stuck = observed(GO_TIME - 10 * MINUTE, "OVC040")
    air.says = [stuck]
    chances = []
    for half_hours in range(5):
        world.cycle(GO_TIME + half_hours * 30 * MINUTE)
        chances.append(outlook(world).sky_now)
    assert all(each is not None for each in chances[:4])
    assert heard_at(world, GO_TIME + 2 * HOUR) == []


def test_row_184_a_night_is_looked_at_again_when_what_was_heard_is_old(
    tmp_path: Path, new_store: NewStore
) -> None:
    now = GO_TIME - 3 * HOUR  # long before anybody leaves
    air = Air([observed(now - 10 * MINUTE, "OVC040")])
    with open_world(tmp_path, new_store(tmp_path), cloud_pct=80.0) as world:
        world.duskbell.invented_stations = air.observe
        world.cycle(now)
        with world.duskbell.sessions() as session:
            kept = select(SubscriptionRow.nights_due, SubscriptionRow.judged_at)
            due = [read_nights_due(*row) for row in session.execute(kept)]
    assert [each[SATURDAY] for each in due] == [now + 110 * MINUTE + timedelta(seconds=1)] * 2


def test_the_same_comes_of_judging_again_whatever_came_afterwards(world: World, air: Air) -> None:
    world.cycle(START)
    air.says = [observed(GO_TIME - 10 * MINUTE, "OVC040")]
    world.cycle(GO_TIME)
    late = observed(GO_TIME - 5 * MINUTE, "CLR", AHEAD)
    with world.duskbell.sessions.begin() as session:
        judged_events.keep_reports(session, [late], GO_TIME + 9 * HOUR)
        nights = rejudge(RejudgeInputs(session, world.duskbell.ephemeris), SATURDAY, SATURDAY)
    again = [each for night in nights for each in night.decisions if each.as_of == GO_TIME]
    assert len(again) == 2
    assert all(each.is_same for each in again)
    assert heard_at(world, GO_TIME) == ["LETE"]
    with world.duskbell.sessions.begin() as session:
        for row in session.scalars(select(StationReportRow)):
            row.known_at = GO_TIME
    with world.duskbell.sessions() as session:
        nights = rejudge(RejudgeInputs(session, world.duskbell.ephemeris), SATURDAY, SATURDAY)
    moved = [each for night in nights for each in night.decisions if each.as_of == GO_TIME]
    assert not any(each.is_same for each in moved)


def test_a_report_that_came_for_a_night_gone_by_counts_from_when_it_is_heard_again(
    world: World, air: Air
) -> None:
    known = observed(GO_TIME - 10 * MINUTE, "OVC040")
    with world.duskbell.sessions.begin() as session:
        assert judged_events.keep_reports(session, [known], GO_TIME - 5 * MINUTE) == 1
    assert heard_at(world, GO_TIME) == []
    air.says = [known]
    world.cycle(GO_TIME)
    assert heard_at(world, GO_TIME) == ["LETE"]
    with world.duskbell.sessions.begin() as session:
        assert judged_events.keep_reports(session, [known], GO_TIME + HOUR, judged_on=True) == 0
        assert len(session.scalars(select(StationReportRow)).all()) == 1
