"""A night that rests until its own time is decided and told as if it had been looked at in every cycle."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select, update

from alerts.notifying.model import AlertKind
from service.app import Duskbell
from service.pipeline import run_cycle as cycle_run
from service.store.repositories import subscriptions
from service.store.repositories.messages import Status
from service.store.schema.core_tables import (
    AlertRow,
    DecisionRow,
    MessageAlertRow,
    MessageRow,
    SubscriptionRow,
)
from tests.integration.pipeline.town import town
from tests.integration.pipeline.world import GO_TIME, Weather

HOUR = timedelta(hours=1)
FIRST = GO_TIME - timedelta(hours=12)
CLOUD_PCT = {0: 5.0, 4: 20.0, 6: 5.0, 14: 90.0, 18: 5.0}
"""By hours after the first cycle: it looks good, hesitates, is good again, sours in the evening, clears."""
CYCLES = 26


def _play(duskbell: Duskbell, weather: Weather, *, everything: bool) -> int:
    """A day of cycles, whose messages all arrive; how many looks there were."""
    looks = 0
    for number in range(CYCLES):
        weather.cloud_pct = CLOUD_PCT.get(number, weather.cloud_pct)
        with duskbell.sessions.begin() as session:
            if everything:
                session.execute(update(SubscriptionRow).values(look_again_at=None))
        now = FIRST + number * HOUR
        counts = cycle_run.think(duskbell, now)
        looks += counts.get("decided", 0) + counts.get("confirmed", 0)
        with duskbell.sessions.begin() as session:
            session.execute(update(MessageRow).values(status=Status.SENT, settled_at=now))
    return looks


def _story(duskbell: Duskbell) -> tuple[list[Any], list[Any]]:
    """Every decision as it was reached, and every alert."""
    with duskbell.sessions() as session:
        decisions = [
            (row.as_of, row.subscription_id, row.night_name, row.fingerprint, row.told, row.why_said)
            for row in session.scalars(select(DecisionRow))
        ]
        alerts = [
            (row.subscription_id, row.night_name, row.kind, row.occurrence, row.facts)
            for row in session.scalars(select(AlertRow))
        ]
    return sorted(decisions, key=repr), sorted(alerts, key=repr)


def test_resting_nights_are_told_of_as_if_each_cycle_had_looked_at_all(tmp_path: Path) -> None:
    told, looks = [], []
    for name in ("resting", "everything"):
        weather = Weather(5.0)
        with town(tmp_path / name, sites=1, weather=weather) as duskbell:
            looks.append(_play(duskbell, weather, everything=name == "everything"))
            told.append(_story(duskbell))
    kinds = {alert[2] for alert in told[0][1]}
    assert {"go", "stand_down"} <= kinds
    assert told[0] == told[1]
    assert looks[0] < 2 / 3 * looks[1]


@pytest.fixture
def judged(tmp_path: Path) -> Iterator[Duskbell]:
    """A town after its first cycle, in which everybody's alerts have arrived."""
    with town(tmp_path, sites=1, weather=Weather(5.0)) as duskbell:
        cycle_run.think(duskbell, FIRST)
        with duskbell.sessions.begin() as session:
            session.execute(update(MessageRow).values(status=Status.SENT, settled_at=FIRST))
        yield duskbell


def _look_counts(duskbell: Duskbell, now: datetime) -> int:
    counts = cycle_run.think(duskbell, now)
    return counts.get("decided", 0) + counts.get("confirmed", 0)


def test_a_minute_later_nothing_is_looked_at(judged: Duskbell) -> None:
    assert _look_counts(judged, FIRST + timedelta(minutes=1)) == 0


def test_one_night_that_is_due_wakes_no_other(judged: Duskbell) -> None:
    with judged.sessions.begin() as session:
        row = session.get_one(SubscriptionRow, 1)
        kept = row.nights_due
        assert kept is not None
        assert len(kept["nights"]) > 1
        first = min(kept["nights"])
        row.nights_due = {**kept, "nights": {**kept["nights"], first: FIRST.isoformat()}}
        row.look_again_at = FIRST
    assert _look_counts(judged, FIRST + timedelta(minutes=1)) == 1


@pytest.mark.parametrize("change", ["wishes", "another version"])
def test_after_a_change_all_nights_are_looked_at(judged: Duskbell, change: str) -> None:
    later = FIRST + timedelta(minutes=1)
    with judged.sessions.begin() as session:
        row = session.get_one(SubscriptionRow, 1)
        assert row.nights_due is not None
        nights = len(row.nights_due["nights"])
        if change == "wishes":
            subscriptions.look_again(session, [row.site_id])
            session.execute(
                update(SubscriptionRow).where(SubscriptionRow.id != 1).values(look_again_at=later + HOUR)
            )
        else:
            row.judged_at, row.look_again_at = FIRST + timedelta(seconds=30), FIRST
    assert _look_counts(judged, later) == nights


def test_a_night_with_a_go_is_looked_at_in_each_cycle(judged: Duskbell) -> None:
    later = GO_TIME + timedelta(minutes=1)
    alert, decision = AlertRow, DecisionRow
    cycle_run.think(judged, GO_TIME)
    with judged.sessions.begin() as session:
        session.execute(update(MessageRow).values(status=Status.SENT, settled_at=GO_TIME))
        calls = select(alert.subscription_id, alert.night_name).where(alert.kind == AlertKind.GO)
        told = {(each.subscription_id, each.night_name) for each in session.execute(calls)}
    assert told
    assert _look_counts(judged, later) == len(told)
    with judged.sessions() as session:
        rows = session.scalars(select(decision).where(decision.confirmed_at == later))
        assert {(row.subscription_id, row.night_name) for row in rows} == told


def test_a_night_whose_alert_its_message_left_out_is_looked_at(tmp_path: Path) -> None:
    days_before = FIRST - timedelta(days=2)
    later = days_before + timedelta(minutes=1)
    with town(tmp_path, sites=1, weather=Weather(-6.0)) as duskbell:
        cycle_run.think(duskbell, days_before)
        with duskbell.sessions.begin() as session:
            session.execute(update(MessageRow).values(status=Status.SENT, settled_at=days_before))
            carried = session.scalars(select(MessageAlertRow)).first()
            assert carried is not None
            carried.dropped = Status.SUPERSEDED
            left_out = session.get_one(AlertRow, carried.alert_id)
            assert left_out.kind == AlertKind.HEADS_UP
            mine = left_out.subscription_id, left_out.night_name
        _look_counts(duskbell, later)
        with duskbell.sessions() as session:
            looked = session.scalars(select(DecisionRow).where(DecisionRow.confirmed_at == later))
            assert [(row.subscription_id, row.night_name) for row in looked] == [mine]


def test_subscriptions_that_share_a_message_look_at_a_night_together(tmp_path: Path) -> None:
    with town(tmp_path, sites=2, weather=Weather(5.0)) as duskbell:
        cycle_run.think(duskbell, FIRST)
        with duskbell.sessions.begin() as session:
            session.execute(update(MessageRow).values(status=Status.SENT, settled_at=FIRST))
            mine = session.scalars(select(SubscriptionRow).where(SubscriptionRow.address_id == 1)).all()
            kept = mine[0].nights_due
            assert kept is not None
            first = min(kept["nights"])
            mine[0].nights_due = {**kept, "nights": {**kept["nights"], first: FIRST.isoformat()}}
            for row in mine:
                row.look_again_at = FIRST
        assert len(mine) == 2
        assert _look_counts(duskbell, FIRST + timedelta(minutes=1)) == 2
