"""Chances are judged as the calibration in use corrects them, and as before once it is undone."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from alerts.common.phrases import kept
from alerts.track.calibration.model import LEADS, Calibration, LeadMap, Method
from service.demo.play import SATURDAY
from service.pipeline import judge_stage
from service.pipeline.judge_stage import Judging
from service.store.json_values import to_json
from service.store.repositories import calibrations
from service.store.schema.core_tables import DecisionRow, OutlookRow, SubscriptionRow
from service.store.schema.track_tables import CalibrationRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import START, World, open_world

MINUTE = timedelta(minutes=1)
HALF_HOUR = 30 * MINUTE
HALF = Calibration(
    "half",
    START,
    None,
    tuple(LeadMap(lead, Method.LOGISTIC, kept(""), intercept=-0.4, slope=0.5) for lead in LEADS),
)
STEEP = Calibration(
    "steep",
    START,
    None,
    tuple(
        LeadMap(lead, Method.LOGISTIC, kept(""), intercept=-0.6 * place) for place, lead in enumerate(LEADS)
    ),
)
"""A chance is believed less the further ahead it is."""


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as world:
        yield world


def _use(world: World, version: str, now: datetime, *, new: Calibration | None = None) -> None:
    with world.duskbell.sessions.begin() as session:
        if new is not None:
            session.add(CalibrationRow(version=version, made_at=now, through=None, facts=to_json(new)))
            session.flush()
        calibrations.use(session, version, now)


def _judge(world: World, now: datetime) -> dict[str, int]:
    return judge_stage.run(Judging(world.duskbell.sessions, HALF_HOUR), now, now)


def _newest(world: World) -> tuple[int | None, int | None, str, str]:
    """Chance, the chance before correction, and by which version, as the decision and its outlook say."""
    with world.duskbell.sessions() as session:
        query = select(DecisionRow).where(DecisionRow.night_name == SATURDAY)
        row = session.scalars(query.order_by(DecisionRow.id.desc())).first()
        assert row is not None
        outlook = session.get_one(OutlookRow, row.outlook_ids[0])
        assert outlook.chance_pct == row.chance_pct
        return row.chance_pct, outlook.facts["raw_chance_pct"], row.calibration, outlook.facts["calibration"]


def test_a_chance_is_corrected_by_what_is_in_use_and_stands_again_when_that_is_undone(world: World) -> None:
    world.cycle(START)
    chance_pct, raw_pct, *versions = _newest(world)
    assert (chance_pct, versions) == (raw_pct, ["prior", "prior"])

    _use(world, "half", START + timedelta(minutes=5), new=HALF)
    assert _judge(world, START + HALF_HOUR)["decided"] > 0
    corrected_pct, known_pct, *versions = _newest(world)
    assert (known_pct, versions) == (raw_pct, ["half", "half"])
    assert corrected_pct is not None
    assert raw_pct is not None
    assert corrected_pct < raw_pct - 5

    _use(world, "none", START + timedelta(minutes=35))
    assert _judge(world, START + 2 * HALF_HOUR)["decided"] > 0
    assert _newest(world) == (raw_pct, None, "", "")

    _use(world, "half", START + timedelta(minutes=65))
    _judge(world, START + 3 * HALF_HOUR)
    assert _newest(world)[0] == corrected_pct


def test_another_calibration_has_everybody_looked_at_once(world: World) -> None:
    world.cycle(START)
    _judge(world, START + HALF_HOUR)
    assert _judge(world, START + HALF_HOUR + MINUTE) == {}
    _use(world, "half", START + HALF_HOUR + 2 * MINUTE, new=HALF)
    assert _judge(world, START + HALF_HOUR + 3 * MINUTE) != {}
    assert _judge(world, START + HALF_HOUR + 4 * MINUTE) == {}


def test_a_choice_from_after_the_moment_that_is_judged_for_is_no_reason_to_look(world: World) -> None:
    world.cycle(START)
    _judge(world, START + HALF_HOUR)
    _use(world, "half", START + timedelta(days=9), new=HALF)
    assert _judge(world, START + HALF_HOUR + MINUTE) == {}


def test_a_chance_that_moves_with_its_lead_is_looked_at_when_it_has_moved(world: World) -> None:
    _use(world, "steep", START - timedelta(days=1), new=STEEP)
    world.cycle(START)
    with world.duskbell.sessions() as session:
        due = session.scalars(select(SubscriptionRow.look_again_at)).first()
    assert due is not None
    assert START < due <= START + timedelta(hours=3)
