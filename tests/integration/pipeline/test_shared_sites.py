"""What messages tell of a shared site: all to its owner, to others nothing that leads there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from alerts.briefing.collect import town_glows
from alerts.judging.privacy import shared_site
from alerts.sites.model import Foreground, Site
from alerts.wishes.model import DEFAULT_WISHES
from service.demo.play import FLAT, SATURDAY
from service.store.repositories import people, subscriptions
from service.store.repositories.alerts import find_scenes
from service.store.schema.core_tables import (
    AddressRow,
    AlertRow,
    DecisionRow,
    PersonRow,
    SiteRow,
    SubscriptionRow,
)
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, MAIL, ON_THE_DAY, START, World, open_world

PLACE = replace(FLAT, foregrounds=(Foreground("windpump", 196.0),), access_note="past the white gate")
FRIEND = "friend@example.org"


@pytest.fixture
def told(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    """A shared site that a friend of its owner is told about too, after the go."""
    with open_world(tmp_path, new_store(tmp_path), site=PLACE) as world:
        with world.duskbell.sessions.begin() as session:
            site = session.scalars(select(SiteRow)).one()
            site.is_shared = True
            friend = PersonRow(name="", zone="Europe/Madrid", is_operator=False, created_at=START)
            session.add(friend)
            session.flush()
            address = people.add_address(session, friend, "email", FRIEND, secrets=[], now=START)
            subscriptions.subscribe(session, address, site, DEFAULT_WISHES, now=START)
        for now in (START, ON_THE_DAY, GO_TIME):
            world.cycle(now)
        yield world


def facts_for(world: World, target: str) -> dict[str, Any]:
    with world.duskbell.sessions() as session:
        query = (
            select(AlertRow.facts)
            .join(SubscriptionRow, SubscriptionRow.id == AlertRow.subscription_id)
            .join(AddressRow, AddressRow.id == SubscriptionRow.address_id)
            .where(AddressRow.target == target, AlertRow.night_name == SATURDAY)
            .where(AlertRow.kind == "go")
        )
        facts: dict[str, Any] = session.scalars(query).one()
        return facts


def bearings(site: Site) -> list[int]:
    return [round(town.bearing_deg) for town in town_glows(site)]


def test_the_owner_reads_it_all(told: World) -> None:
    facts = facts_for(told, MAIL)
    assert [round(town["bearing_deg"]) for town in facts["sky"]["towns"]] == bearings(PLACE)
    assert "windpump" in str(facts["field"]["standings"])
    assert facts["access_note"] == "past the white gate"


def test_others_read_nothing_that_leads_there(told: World) -> None:
    facts = facts_for(told, FRIEND)
    assert [round(town["bearing_deg"]) for town in facts["sky"]["towns"]] == bearings(shared_site(PLACE))
    assert bearings(shared_site(PLACE)) != bearings(PLACE)
    assert (facts["field"]["standings"], facts["access_note"]) == ([], "")


def test_their_pictures_are_drawn_from_the_rounded_place(told: World) -> None:
    with told.duskbell.sessions() as session:
        rows = session.execute(
            select(DecisionRow.id, AddressRow.target)
            .join(SubscriptionRow, SubscriptionRow.id == DecisionRow.subscription_id)
            .join(AddressRow, AddressRow.id == SubscriptionRow.address_id)
            .where(DecisionRow.night_name == SATURDAY, AddressRow.channel == "email")
            .order_by(DecisionRow.id)
        ).all()
        scenes = find_scenes(session, [decision_id for decision_id, _ in rows])
    sites = {target: scenes[decision_id].site for decision_id, target in rows}
    assert sites == {MAIL: PLACE, FRIEND: shared_site(PLACE)}
