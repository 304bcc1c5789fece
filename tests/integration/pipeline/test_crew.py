"""Other processes decide the same as the service alone; what changes meanwhile is worked out anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session

from alerts.judging.assess import JudgingInputs
from alerts.sky.night import Night
from alerts.wishes.model import Wishes
from service.app import Duskbell
from service.explain.stored_verdict import decided_verdict
from service.pipeline import judge_stage, refresh_stage, sky_stage
from service.pipeline.judge_stage import Judging
from service.pipeline.judging.plan_block import BlockPlan, BlockPlanner, BlockTask, plan_apart
from service.pipeline.judging.process_pool import ProcessPool, WorkerState
from service.store.json_values import from_json, to_json
from service.store.repositories import calibrations
from service.store.repositories.due_reviews import DueReview, due_reviews
from service.store.repositories.forecasts import newest_by_place, place_key
from service.store.repositories.sites import newest_revision
from service.store.schema.core_tables import (
    AlertRow,
    DecisionRow,
    ForecastRow,
    NightRow,
    OutlookRow,
    SiteRevisionRow,
    SubscriptionRow,
)
from tests.integration.pipeline.town import HALF_HOUR, WISHES, town
from tests.integration.pipeline.world import START

DECIDED = 4 * (6 + 6 + 6 + 3)
"""Tonight and the nights ahead that each of the four wants to hear of, at four sites."""


def _prepare(duskbell: Duskbell, now: Any = START) -> None:
    sky_stage.run(duskbell.sessions, duskbell.ephemeris, now)
    refresh_stage.run(duskbell.sessions, duskbell.gather, now)


def _judging(duskbell: Duskbell, pool: ProcessPool | None = None) -> Judging:
    return Judging(duskbell.sessions, HALF_HOUR, ephemeris=duskbell.ephemeris, pool=pool)


def _decided(duskbell: Duskbell) -> list[Any]:
    """Every decision with all it rests on, every alert, and when each is looked at again."""
    with duskbell.sessions() as session:
        rows = session.scalars(select(DecisionRow)).all()
        outlooks = {row.id: row for row in session.scalars(select(OutlookRow))}
        found: list[Any] = [
            (row.subscription_id, row.night_name, row.verdict, row.fingerprint, row.chance_pct, row.why,
             row.why_said, row.leave_by, row.finding.reasons, row.wishes, row.forecast_ids,
             [(outlooks[key].inputs, outlooks[key].facts) for key in row.outlook_ids])
            for row in rows
        ]  # fmt: skip
        found += [
            (a.subscription_id, a.night_name, a.kind, a.facts) for a in session.scalars(select(AlertRow))
        ]
        found += [(s.id, s.look_again_at) for s in session.scalars(select(SubscriptionRow))]
    return sorted(found, key=repr)


@pytest.fixture
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """As many blocks as addresses, and everything worth a pool."""
    monkeypatch.setattr(judge_stage, "SUBSCRIPTIONS_AT_ONCE", 1)
    monkeypatch.setattr(judge_stage, "WORTH_A_POOL", 1)
    monkeypatch.setattr(sky_stage, "WORTH_A_POOL", 1)


@pytest.mark.usefixtures("small_blocks")
def test_other_processes_decide_and_tell_the_same_as_the_service_alone(tmp_path: Path) -> None:
    with town(tmp_path / "alone") as alone, town(tmp_path / "crew") as together:
        _prepare(alone)
        judge_stage.run(_judging(alone), START, START)
        with ProcessPool(together.settings.store_url, 2) as pool:
            sky_stage.run(together.sessions, together.ephemeris, START, pool)
            refresh_stage.run(together.sessions, together.gather, START)
            counts = judge_stage.run(_judging(together, pool), START, START)
        assert counts["decided"] == DECIDED
        assert _decided(alone) == _decided(together)


def test_each_stored_verdict_is_what_the_rules_say_of_that_night_alone(tmp_path: Path) -> None:
    with town(tmp_path) as duskbell:
        _prepare(duskbell)
        judge_stage.run(_judging(duskbell), START, START)
        with duskbell.sessions() as session:
            rows = session.scalars(select(DecisionRow)).all()
            for row in rows:
                wishes = from_json(Wishes, row.wishes)
                subscription = session.get_one(SubscriptionRow, row.subscription_id)
                stored = newest_revision(session, subscription.site_id)
                night = from_json(Night, session.get_one(NightRow, row.night_id).facts)
                place = place_key(stored.site)
                forecasts = list(newest_by_place(session, {place}, START)[place].values())
                correct = calibrations.correction(session, stored.site_id, START)
                inputs = JudgingInputs(site=stored.site, now=START, forecasts=forecasts, correct=correct)
                verdict = inputs.judge([night], wishes)
                assert row.verdict == verdict.word.value
                assert row.chance_pct == verdict.chance_pct
                texts = [reason["text"] for reason in row.finding.reasons][1:]
                assert texts == [str(reason.text) for reason in verdict.reasons][1:]
                kept = decided_verdict(session, row, night).outlook
                assert (kept and to_json(kept)) == (verdict.outlook and to_json(verdict.outlook))
        assert len(rows) == DECIDED


def test_sites_at_one_place_share_their_outlooks_and_reasons(tmp_path: Path) -> None:
    with town(tmp_path, sites=2) as duskbell:
        with duskbell.sessions.begin() as session:
            first, second = session.scalars(select(SiteRevisionRow).order_by(SiteRevisionRow.id))
            second.lat_deg, second.facts = first.lat_deg, first.facts
        _prepare(duskbell)
        judge_stage.run(_judging(duskbell), START, START)
        with duskbell.sessions() as session:
            rows = session.scalars(select(DecisionRow)).all()
            by_site: dict[int, list[Any]] = {}
            for row in sorted(rows, key=lambda each: each.id):
                by_site.setdefault(row.site_revision_id, []).append((row.outlook_ids, row.finding_id))
            nights = {row.night_id for row in rows}
            shared = {number for row in rows for number in row.outlook_ids}
            stored = set(session.scalars(select(OutlookRow.id)))
        one, other = by_site.values()
        assert one == other
        assert shared == stored
        assert len({row.night_id for row in rows if row.site_revision_id == first.id}) == len(nights) / 2


def _planned(duskbell: Duskbell) -> tuple[BlockPlanner, BlockTask, BlockPlan]:
    """What another process makes of everything that is due."""
    with duskbell.sessions() as session:
        due = tuple(due_reviews(session, START))
    task = BlockTask(due, START, HALF_HOUR, False)
    worker = WorkerState(duskbell.settings.store_url)
    found = plan_apart(worker, task)
    return worker.kept["planner", START, HALF_HOUR, False], task, found


def _pause(duskbell: Duskbell) -> None:
    with duskbell.sessions.begin() as session:
        mine = update(SubscriptionRow).where(SubscriptionRow.id == 1)
        session.execute(mine.values(paused_until=START + timedelta(days=9)))


def _wish_otherwise(duskbell: Duskbell) -> None:
    with duskbell.sessions.begin() as session:
        mine = update(SubscriptionRow).where(SubscriptionRow.id == 1)
        session.execute(mine.values(wishes=to_json(replace(WISHES[0], chance_go_pct=90))))


def _describe_anew(duskbell: Duskbell) -> None:
    with duskbell.sessions.begin() as session:
        row = session.get_one(SiteRevisionRow, 1)
        values = {name: getattr(row, name) for name in ("site_id", "lat_deg", "lon_deg", "zone", "facts")}
        session.execute(insert(SiteRevisionRow).values(revision=2, created_at=START, **values))


def _hear_from_a_feed(duskbell: Duskbell) -> None:
    with duskbell.sessions.begin() as session:
        row = ForecastRow(
            place="0,0", feed="f", provider="", lineage="", model="", fetched_at=START, rejected="no"
        )
        session.add(row)


def _decide_meanwhile(duskbell: Duskbell) -> None:
    judge_stage.run(_judging(duskbell), START - timedelta(minutes=1), START)


@pytest.mark.parametrize(
    "change",
    [_pause, _wish_otherwise, _describe_anew, _hear_from_a_feed, _decide_meanwhile],
    ids=["paused", "wishes", "site", "forecast", "judged"],
)
def test_what_was_planned_from_other_rows_is_worked_out_anew(
    tmp_path: Path, change: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = []
    plan = BlockPlanner.plan

    def noted(self: BlockPlanner, session: Session, due: Sequence[DueReview]) -> BlockPlan:
        made.append(due)
        return plan(self, session, due)

    with town(tmp_path) as duskbell:
        _prepare(duskbell)
        planner, task, found = _planned(duskbell)
        monkeypatch.setattr(BlockPlanner, "plan", noted)
        with duskbell.sessions() as session:
            judge_stage.judge_block(session, planner, task.due, found, START)
        assert made == []
        change(duskbell)
        made.clear()
        with duskbell.sessions() as session:
            judge_stage.judge_block(session, planner, task.due, found, START)
        assert made == [task.due]


@pytest.mark.usefixtures("small_blocks")
def test_without_its_pool_the_service_does_the_work_itself(tmp_path: Path) -> None:
    with town(tmp_path) as duskbell:
        _prepare(duskbell)
        pool = ProcessPool(f"sqlite:///{tmp_path / 'another.sqlite3'}", 2)
        with pool:
            assert judge_stage.run(_judging(duskbell, pool), START, START)["decided"] == DECIDED
