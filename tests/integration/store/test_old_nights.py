"""Old nights and forecasts are let go of; what messages carry and what is known of the record stays."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select

from service.runtime.maintenance_jobs import forget_old
from service.store.maintenance import retention
from service.store.maintenance.retention import forget_cycles, forget_forecasts, forget_nights
from service.store.schema.core_tables import (
    AlertRow,
    CyclePartRow,
    CycleRow,
    DecisionRow,
    FindingRow,
    ForecastRow,
    NightRow,
    OutlookRow,
    Table,
)
from tests.integration.pipeline.world import GO_TIME, LATER, ON_THE_DAY, START, World, open_world

DAY = timedelta(days=1)
FAR = GO_TIME + 60 * DAY


@pytest.fixture
def world(tmp_path: Path, ready_url: str) -> Iterator[World]:
    with open_world(tmp_path, ready_url) as world:
        for now in (START, ON_THE_DAY, GO_TIME, LATER):
            world.cycle(now)
        yield world


def _count(world: World, kind: type[Table]) -> int:
    with world.duskbell.sessions() as session:
        return session.scalar(select(func.count()).select_from(kind)) or 0


def test_nights_that_a_kept_message_tells_of_stay_and_all_others_go(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "BLOCK", 3)
    nights = _count(world, NightRow)
    forgotten = forget_nights(world.duskbell.sessions, FAR)
    with world.duskbell.sessions() as session:
        told = set(session.scalars(select(AlertRow.decision_id)))
        kept = set(session.scalars(select(DecisionRow.id)))
        of_nights = set(session.scalars(select(DecisionRow.night_id)))
        findings = set(session.scalars(select(DecisionRow.finding_id)))
        assert told
        assert kept == told
        assert set(session.scalars(select(NightRow.id))) == of_nights
        assert set(session.scalars(select(FindingRow.id))) == findings
    assert forgotten == nights - len(of_nights)


def test_when_the_messages_are_gone_nothing_of_a_past_night_is_left(world: World) -> None:
    counts = forget_old(world.duskbell)
    assert "nights" not in counts, "all of it is new"
    world.duskbell.clock = lambda: FAR + 900 * DAY
    counts = forget_old(world.duskbell)
    assert counts["messages"] > 0
    assert counts["nights"] > 0
    assert counts["forecasts"] > 0
    for kind in (
        NightRow,
        DecisionRow,
        OutlookRow,
        FindingRow,
        AlertRow,
        ForecastRow,
    ):
        assert _count(world, kind) == 0, kind.__tablename__


def test_nights_of_one_name_go_together_as_they_may_share_an_outlook(world: World) -> None:
    with world.duskbell.sessions() as session:
        name, ends = session.execute(
            select(NightRow.name, func.min(NightRow.ends)).group_by(NightRow.name).order_by(NightRow.name)
        ).first() or (None, None)
        of_name = select(func.count(NightRow.id)).where(NightRow.name == name)
        assert session.scalar(of_name)
    assert ends is not None
    assert forget_nights(world.duskbell.sessions, ends + timedelta(seconds=1)) == 0
    before = datetime.combine(name + 2 * DAY, time(), UTC)
    assert ends < before
    assert forget_nights(world.duskbell.sessions, before - timedelta(seconds=1)) == 0
    assert forget_nights(world.duskbell.sessions, before) > 0


def test_nights_still_ahead_are_kept_with_their_decisions(world: World) -> None:
    before = {kind: _count(world, kind) for kind in (NightRow, DecisionRow, OutlookRow)}
    assert forget_nights(world.duskbell.sessions, START) == 0
    assert {kind: _count(world, kind) for kind in before} == before


def test_a_forecast_is_kept_as_long_as_its_hours_are_wanted(world: World) -> None:
    with world.duskbell.sessions() as session:
        ends = sorted(session.scalars(select(ForecastRow.last_hour_ends)))
    assert forget_forecasts(world.duskbell.sessions, ends[0]) == 0
    assert forget_forecasts(world.duskbell.sessions, ends[0] + timedelta(seconds=1)) == ends.count(ends[0])


def test_a_decision_outlives_its_forecasts_and_can_still_be_explained(world: World) -> None:
    forget_forecasts(world.duskbell.sessions, FAR)
    with world.duskbell.sessions() as session:
        decision = session.scalars(select(DecisionRow).where(DecisionRow.verdict == "go")).first()
        assert decision is not None
        assert decision.reasons
        assert decision.forecast_ids
    world.cycle(LATER + timedelta(minutes=30))


def test_old_cycles_go_with_their_parts_and_the_newest_stays(world: World) -> None:
    with world.duskbell.sessions.begin() as session:
        ids = session.scalars(select(CycleRow.id).order_by(CycleRow.id)).all()
        session.add(
            CyclePartRow(cycle_id=ids[0], stage="sky", ids=[1], opened_at=GO_TIME, attempts=0, counts={})
        )
    assert forget_cycles(world.duskbell.sessions, world.wall) == 0
    assert forget_cycles(world.duskbell.sessions, world.wall + 31 * DAY) == len(ids) - 1
    with world.duskbell.sessions() as session:
        assert session.scalars(select(CycleRow.id)).all() == [ids[-1]]
    assert _count(world, CyclePartRow) == 0
