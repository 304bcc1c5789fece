"""The main line: from rows of nights to a message that arrived, on both databases."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select, update

from alerts.sites.model import Site
from service.delivery import dispatcher
from service.pipeline import judge_stage, refresh_stage, sky_stage
from service.pipeline.judge_stage import Judging
from service.store.repositories import subscriptions
from service.store.repositories.messages import LEASE, Status
from service.store.repositories.sites import revise_site
from service.store.schema.core_tables import (
    AddressRow,
    DecisionRow,
    ForecastRow,
    MessageRow,
    NightRow,
    OutlookRow,
    SiteRow,
    SubscriptionRow,
)
from tests.integration.pipeline.world import GO_TIME, LATER, ON_THE_DAY, START, SUNDAY, World, open_world


@pytest.fixture
def world(tmp_path: Path, ready_url: str) -> Iterator[World]:
    with open_world(tmp_path, ready_url) as world:
        yield world


@pytest.fixture
def small_world(tmp_path: Path) -> Iterator[World]:
    """On SQLite alone, for what doesn't depend on the engine."""
    with open_world(tmp_path, f"sqlite:///{tmp_path / 'store.sqlite3'}") as world:
        yield world


def _delivery(world: World) -> dispatcher.Delivery:
    return world.duskbell.delivery


def _think(world: World, now: object) -> None:
    """Everything up to, and without, delivery."""
    sky_stage.run(world.duskbell.sessions, world.duskbell.ephemeris, now)  # type: ignore[arg-type]
    refresh_stage.run(world.duskbell.sessions, world.duskbell.gather, now)  # type: ignore[arg-type]
    judge_stage.run(
        Judging(world.duskbell.sessions, timedelta(minutes=30), invented=True),
        now,  # type: ignore[arg-type]
        world.wall,
    )


def test_a_good_night_is_announced_called_and_taken_back(world: World) -> None:
    world.cycle(START)
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    world.weather.cloud_pct = 85.0
    world.cycle(LATER)
    assert [subject.split(":")[0] for subject in world.subjects()] == [
        "[Invented] Heads-up",
        "[Invented] Go tonight",
        "[Invented] Stand down",
    ]
    assert [post["type"] for _, post in world.room.posts] == [
        "alert.heads_up",
        "alert.go",
        "alert.stand_down",
    ]
    assert set(world.statuses()) == {Status.SENT}


def test_a_night_that_stays_good_is_told_once(world: World) -> None:
    for now in (START, ON_THE_DAY, GO_TIME, GO_TIME + timedelta(minutes=30), LATER):
        world.cycle(now)
    assert world.kinds() == ["heads_up", "heads_up", "go", "go"]


def test_row_10_the_same_tick_twice_changes_nothing(world: World) -> None:
    world.cycle(START)
    asked = world.weather.asked
    assert world.cycle(START) == {}
    assert world.weather.asked == asked
    assert len(world.box.mails) == 1


def test_row_1_a_cycle_that_died_is_taken_up_again(world: World) -> None:
    _think(world, START)
    world.cycle(START)
    assert world.kinds() == ["heads_up", "heads_up"]
    assert len(world.box.mails) == 1


def test_row_2_a_message_that_was_written_and_not_sent_goes_out_later(world: World) -> None:
    _think(world, START)
    assert world.box.mails == []
    dispatcher.run(_delivery(world), START)
    assert len(world.box.mails) == 1


def test_row_3_a_sender_that_died_leaves_a_message_that_is_sent_once_more_under_its_id(
    world: World,
) -> None:
    _think(world, START)
    with world.duskbell.sessions.begin() as session:
        session.execute(
            update(MessageRow).values(
                status=Status.SENDING, lease_token="dead", leased_until=world.wall + LEASE
            )
        )
    dispatcher.run(_delivery(world), START)
    assert world.box.mails == []
    world.wall += LEASE + timedelta(seconds=1)
    dispatcher.run(_delivery(world), START)
    with world.duskbell.sessions() as session:
        ids = set(session.scalars(select(MessageRow.id)))
    assert len(world.box.mails) == 1
    assert str(world.box.mails[0][1]["Message-ID"]).strip("<>").split("@")[0] in ids


def test_row_13_after_days_off_nothing_is_told_of_nights_past(small_world: World) -> None:
    small_world.cycle(START)
    small_world.cycle(SUNDAY)
    assert small_world.kinds() == ["heads_up", "heads_up"]


def test_an_alert_nobody_could_act_on_any_more_expires_unsent(small_world: World) -> None:
    for now in (START, ON_THE_DAY):
        small_world.cycle(now)
    sent = len(small_world.box.mails)
    _think(small_world, GO_TIME)
    counts = dispatcher.run(_delivery(small_world), SUNDAY)
    assert counts == {Status.EXPIRED: 2}
    assert len(small_world.box.mails) == sent


def test_a_go_still_waiting_when_it_sours_is_dropped_and_no_stand_down_follows(small_world: World) -> None:
    for now in (START, ON_THE_DAY):
        small_world.cycle(now)
    _think(small_world, GO_TIME)
    small_world.weather.cloud_pct = 90.0
    small_world.cycle(GO_TIME + timedelta(hours=1))
    assert "go" in small_world.kinds()
    assert "stand_down" not in small_world.kinds()
    assert [s for s in small_world.statuses() if s == Status.SUPERSEDED] == [Status.SUPERSEDED] * 2
    assert not any("Go tonight" in subject for subject in small_world.subjects())


def test_feeds_that_are_down_make_the_night_unknown_and_nobody_is_told(small_world: World) -> None:
    small_world.weather.is_down = True
    small_world.cycle(ON_THE_DAY)
    small_world.cycle(GO_TIME)
    assert small_world.verdict() == "unknown"
    assert small_world.kinds() == []
    with small_world.duskbell.sessions() as session:
        rejected = session.scalars(select(ForecastRow.rejected)).first()
    assert rejected == "the invented feed is down."


def test_feeds_that_go_down_after_a_go_take_nothing_back(small_world: World) -> None:
    for now in (ON_THE_DAY, GO_TIME):
        small_world.cycle(now)
    small_world.weather.is_down = True
    small_world.cycle(LATER + timedelta(hours=3))
    assert small_world.kinds() == ["go", "go"]


def test_wind_beyond_the_limit_takes_back_a_go(small_world: World) -> None:
    for now in (ON_THE_DAY, GO_TIME):
        small_world.cycle(now)
    small_world.weather.wind_ms = 14.0
    small_world.cycle(LATER)
    assert small_world.kinds()[-1] == "stand_down"


def test_decisions_are_written_when_they_change_and_confirmed_otherwise(small_world: World) -> None:
    small_world.cycle(START)
    with small_world.duskbell.sessions.begin() as session:
        before = session.scalar(select(func.count()).select_from(DecisionRow))
        subscriptions.look_again(session, session.scalars(select(SiteRow.id)))
    small_world.cycle(START + timedelta(minutes=30))
    with small_world.duskbell.sessions() as session:
        after = session.scalar(select(func.count()).select_from(DecisionRow))
        confirmed = session.scalar(select(func.max(DecisionRow.confirmed_at)))
    assert after == before
    assert confirmed == START + timedelta(minutes=30)


def test_nothing_is_looked_at_again_before_anything_can_have_changed(small_world: World) -> None:
    small_world.cycle(START)
    counts = small_world.cycle(START + timedelta(minutes=30))
    assert "decided" not in counts
    assert "confirmed" not in counts
    with small_world.duskbell.sessions() as session:
        assert set(session.scalars(select(SubscriptionRow.judged_at))) == {START}
        assert session.scalar(select(func.min(SubscriptionRow.look_again_at))) > START


def test_a_decision_names_all_it_rests_on(small_world: World) -> None:
    small_world.cycle(START)
    with small_world.duskbell.sessions() as session:
        decision = session.scalars(select(DecisionRow).where(DecisionRow.chance_pct.is_not(None))).first()
        assert decision is not None
        forecasts = session.scalars(select(ForecastRow).where(ForecastRow.id.in_(decision.forecast_ids)))
        assert {row.lineage for row in forecasts} == {"invented-lark", "invented-plover", "invented-curlew"}
        outlook = session.get_one(OutlookRow, decision.outlook_ids[0])
        assert outlook.chance_pct == decision.chance_pct
        assert decision.wishes["chance_go_pct"] == 70
        assert "example.org" not in str(decision.wishes)
        assert decision.kernel == "de421.bsp"
        assert decision.as_of.astimezone(UTC) == START


def test_an_address_that_was_switched_off_gets_nothing(small_world: World) -> None:
    _think(small_world, START)
    with small_world.duskbell.sessions.begin() as session:
        session.execute(update(AddressRow).values(off_since=small_world.wall, off_reason="opted out"))
    dispatcher.run(_delivery(small_world), START)
    assert small_world.box.mails == []
    assert set(small_world.statuses()) == {Status.SUPPRESSED}


def test_two_addresses_of_one_site_share_nights_and_outlooks(small_world: World) -> None:
    small_world.cycle(START)
    with small_world.duskbell.sessions() as session:
        assert session.scalar(select(func.count()).select_from(NightRow)) == sky_stage.NIGHTS_AHEAD
        outlooks = list(session.scalars(select(OutlookRow)))
    assert len({(o.night_id, o.window_index) for o in outlooks}) == len(outlooks)


def test_a_fresh_answer_is_not_asked_for_again(small_world: World) -> None:
    small_world.cycle(START)
    small_world.cycle(START + timedelta(minutes=30))
    assert small_world.weather.asked == 1


def test_a_site_described_anew_keeps_the_decisions_made_before(small_world: World) -> None:
    small_world.cycle(START)
    with small_world.duskbell.sessions.begin() as session:
        row = session.scalars(select(SiteRow)).one()
        moved = Site("Windpump Flat", 40.9, -1.4, 1180.0, "Europe/Madrid")
        revise_site(session, row, moved, elevation_known=True, now=START)
        before = session.scalar(select(func.count()).select_from(DecisionRow))
    small_world.cycle(START + timedelta(minutes=30))
    with small_world.duskbell.sessions() as session:
        revisions = set(session.scalars(select(DecisionRow.site_revision_id)))
        assert session.scalar(select(func.count()).select_from(DecisionRow)) > (before or 0)
    assert len(revisions) == 2
