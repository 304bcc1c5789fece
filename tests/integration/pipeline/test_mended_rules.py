"""A rule that is mended reaches the nights that the store holds, and leaves what was decided alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import select

from service.pipeline import sky_stage
from service.pipeline.judging import write_decisions
from service.store.repositories import due_reviews, nights
from service.store.schema.core_tables import DecisionRow, NightRow
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, SATURDAY, START, World, open_world

MENDED = "mended"


def _spoil_nights(world: World) -> None:
    """As a wrong rule would have made them: no window in any."""
    with world.duskbell.sessions.begin() as session:
        for row in session.scalars(select(NightRow)):
            (night,) = nights.nights_by_id(session, [row.id]).values()
            row.facts = nights.pack_night(replace(night, windows=()))
            row.first_window_start = row.last_window_end = None


@pytest.fixture
def _fresh_keys() -> Iterator[None]:
    """What is kept of wishes holds the keys of nights: none of other rules stays for the next test."""
    yield
    due_reviews.parsed_wishes.cache_clear()


def _mend_rules(monkeypatch: pytest.MonkeyPatch) -> None:
    """A release with another version of the rules, in a process that knows no wishes yet."""
    for module in (nights, sky_stage, write_decisions):
        monkeypatch.setattr(module, "RULES_VERSION", MENDED)
    due_reviews.parsed_wishes.cache_clear()


def _decided(world: World) -> list[tuple[str, str, str]]:
    """Verdict, the rules it was reached by and those that its night was made by, of one subscription."""
    row, night = DecisionRow, NightRow
    query = (
        select(row.verdict, row.rules_version, night.rules_version)
        .join(night, night.id == row.night_id)
        .where(row.night_name == SATURDAY, row.subscription_id == 1)
    )
    with world.duskbell.sessions() as session:
        return [(found[0], found[1], found[2]) for found in session.execute(query.order_by(row.id))]


@pytest.mark.usefixtures("_fresh_keys")
def test_a_mended_rule_reaches_stored_nights_at_the_next_cycle(
    tmp_path: Path, ready_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_world(tmp_path, ready_url) as world:
        sky_stage.run(world.duskbell.sessions, world.duskbell.ephemeris, START)
        _spoil_nights(world)
        world.cycle(ON_THE_DAY)
        before = _decided(world)
        assert [verdict for verdict, _, _ in before] == ["stay"]

        _mend_rules(monkeypatch)
        world.cycle(GO_TIME)
        first, *later = _decided(world)
        assert [first] == before
        assert later == [("go", MENDED, MENDED)]
        assert world.kinds() == ["go", "go"]
