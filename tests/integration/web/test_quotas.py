"""What one person may keep here: refused in one sentence, and nothing half-kept."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import event, func, select
from sqlalchemy.orm import Session
from starlette.testclient import TestClient

from alerts.sites.model import Site
from service.accounts.quotas import QuotaReached, require_room
from service.store.repositories.sites import NewSite, add_sites, get_site
from service.store.repositories.totals import Kept
from service.store.schema.core_tables import AddressRow, PersonRow, SiteRow, SubscriptionRow
from tests.integration.pipeline.world import START, World
from tests.integration.web.acting import (
    browsing_as,
    new_person,
    share_site,
    stamped,
    subscriptions,
)
from tests.integration.web.formreading import fields_of_form


@pytest.fixture
def narrow(world: World) -> World:
    """At most three of each."""
    world.duskbell.settings = world.duskbell.settings.model_copy(
        update={"sites_per_person": 3, "subscriptions_per_person": 3, "addresses_per_person": 3}
    )
    return world


def places(count: int, first: int = 1) -> dict[str, Any]:
    """The form of an import with that many places ticked."""
    numbers = range(first, first + count)
    return {
        "keep": [str(k) for k in numbers],
        **{f"name-{k}": f"Waypoint {k}" for k in numbers},
        **{f"place-{k}": f"40.{k};-1.0;" for k in numbers},
    }


def sites_of(world: World, person_id: int) -> int:
    with world.duskbell.sessions() as session:
        query = select(func.count()).where(SiteRow.owner_id == person_id, SiteRow.archived_at.is_(None))
        return session.scalar(query) or 0


def test_row_87_an_import_that_does_not_fit_keeps_nothing_and_says_how_many_would(narrow: World) -> None:
    mine, other = new_person(narrow, "a@example.org"), new_person(narrow, "b@example.org")
    with browsing_as(narrow, mine) as browser:
        assert browser.post("/sites/import/keep", data=places(2)).status_code == 200
        answer = browser.post("/sites/import/keep", data=places(2, first=3))
    assert answer.status_code == 400
    assert "One person may keep 3 sites here: of these 2 only 1 would fit, so nothing was kept" in answer.text
    assert sites_of(narrow, mine) == 2
    with browsing_as(narrow, other) as browser:  # somebody else's bound is their own
        assert browser.post("/sites/import/keep", data=places(3)).status_code == 200
    assert sites_of(narrow, other) == 3


def test_row_87_the_list_of_a_file_says_how_many_of_its_places_fit(narrow: World) -> None:
    waypoints = "".join(f'<wpt lat="40.{k}" lon="-1"><name>W{k}</name></wpt>' for k in range(5))
    file = {"file": ("places.gpx", f"<gpx>{waypoints}</gpx>".encode())}
    with browsing_as(narrow, new_person(narrow, "a@example.org")) as browser:
        assert "Of these 5 places 3 would fit" in browser.post("/sites/import", files=file).text


def test_row_87_one_site_too_many_is_refused_on_the_page_of_a_new_site(narrow: World) -> None:
    mine = new_person(narrow, "a@example.org")
    with browsing_as(narrow, mine) as browser:
        browser.post("/sites/import/keep", data=places(3))
        form = fields_of_form(browser.get("/sites/new").text, "")
        site = {**form, "name": "Fourth", "at": "40.5, -1.0", "do": "save"}
        answer = browser.post("/sites/new", data=site)
        assert "one person may keep 3 sites here, and you have as many" in answer.text.lower()
        assert 'value="Fourth"' in answer.text, "what was typed isn't lost"
        removed = browser.post("/sites/2/remove")
        assert removed.status_code == 200
        assert browser.post("/sites/new", data=site).status_code == 200
    assert sites_of(narrow, mine) == 3


def test_row_87_keeping_and_giving_up_in_turn_fills_no_store(narrow: World) -> None:
    mine = new_person(narrow, "a@example.org")

    def keep(count: int, first: int, day: int = 0) -> list[int]:
        now = START + timedelta(days=day)
        with narrow.duskbell.sessions.begin() as session:
            require_room(session, narrow.duskbell.settings, mine, Kept.SITES, now, count)
            owner = session.get_one(PersonRow, mine)
            wanted = [NewSite(Site(f"Hill {first + k}", 40.0, -1.0), False) for k in range(count)]
            return [row.id for row in add_sites(session, owner, wanted, now)]

    def give_up(ids: list[int]) -> None:
        with narrow.duskbell.sessions.begin() as session:
            for site_id in ids:
                session.get_one(SiteRow, site_id).archived_at = START

    give_up(keep(3, 0))
    give_up(keep(3, 3))
    with pytest.raises(QuotaReached, match="count until tomorrow"):
        keep(1, 6)
    assert len(keep(3, 6, day=2)) == 3


def test_row_87_the_copy_that_others_are_told_about_is_no_site_of_its_owners(narrow: World) -> None:
    mine = new_person(narrow, "a@example.org")
    with narrow.duskbell.sessions.begin() as session:
        owner = session.get_one(PersonRow, mine)
        add_sites(
            session, owner, [NewSite(Site(f"Hill {k}", 40.0, -1.0), False, True) for k in range(3)], START
        )
        assert session.scalar(select(func.count()).where(SiteRow.owner_id == mine)) == 6
        assert get_site(session, "hill 1").rounded_of_id is None
    with narrow.duskbell.sessions.begin() as session:
        settings = narrow.duskbell.settings.model_copy(update={"sites_per_person": 4})
        require_room(session, settings, mine, Kept.SITES, START)


def test_row_87_subscriptions_and_addresses_of_a_person_are_bounded(narrow: World) -> None:
    share_site(narrow)
    mine = new_person(narrow, "a@example.org")
    with browsing_as(narrow, mine) as browser:
        for k in range(2):
            added = browser.post("/me/addresses", data={"channel": "email", "target": f"{k}@example.net"})
            assert added.status_code == 200
        refused = browser.post("/me/addresses", data={"channel": "email", "target": "2@example.net"})
        assert "one person may keep 3 addresses here" in refused.text.lower()
        hook = {"channel": "webhook", "target": "https://hooks.example.org/a"}
        assert "one person may keep 3 addresses here" in browser.post("/me/addresses", data=hook).text.lower()
    with narrow.duskbell.sessions() as session:
        mails = [*session.scalars(select(AddressRow.id).where(AddressRow.person_id == mine))]
    assert len(mails) == 3
    settings = narrow.duskbell.settings
    with narrow.duskbell.sessions.begin() as session:
        for _ in range(3):
            require_room(session, settings, mine, Kept.SUBSCRIPTIONS, START)
            session.add(running_subscription(session, mine, mails[0]))
            session.flush()
        with pytest.raises(QuotaReached, match="3 subscriptions"):
            require_room(session, settings, mine, Kept.SUBSCRIPTIONS, START)
    with browsing_as(narrow, mine) as browser:
        page = "/sites/2/subscribe?another=1"
        form = fields_of_form(browser.get(page).text, "/sites/2/subscribe") | {
            "address": str(mails[0]),
            "do": "save",
        }
        answer = browser.post("/sites/2/subscribe", data=form)
    assert "one person may keep 3 subscriptions here" in answer.text.lower()
    assert len(subscriptions(narrow, mine)) == 3


def running_subscription(session: Session, person_id: int, address_id: int) -> SubscriptionRow:
    like = session.scalars(select(SubscriptionRow)).first()
    assert like is not None
    return SubscriptionRow(
        person_id=person_id,
        address_id=address_id,
        site_id=1,
        wishes=like.wishes,
        sky_key=like.sky_key,
        created_at=START,
    )


def test_row_87_a_stranger_past_the_bound_is_told_what_any_stranger_is_told(narrow: World) -> None:
    share_site(narrow)
    mine = new_person(narrow, "a@example.org", confirmed=False)
    with narrow.duskbell.sessions.begin() as session:
        address_id = session.scalars(select(AddressRow.id).where(AddressRow.person_id == mine)).one()
        add_sites(
            session,
            session.get_one(PersonRow, 1),
            [NewSite(Site("Hill", 40.0, -1.0), False, True)],
            START,
        )
        for _ in range(3):
            session.add(running_subscription(session, mine, address_id))
    with browsing_as(narrow, new_person(narrow, "b@example.org")) as browser:
        browser.cookies.clear()
        form = fields_of_form(browser.get("/sites/2/subscribe").text, "/sites/2/subscribe")
        form |= {"email": "a@example.org", "do": "save"}
        known = browser.post("/sites/2/subscribe", data=stamped(narrow, **form))
        new = browser.post("/sites/2/subscribe", data=stamped(narrow, **{**form, "email": "c@example.org"}))
    assert (known.status_code, new.status_code) == (200, 200)
    assert known.text == new.text
    assert len(subscriptions(narrow, mine)) == 3


def test_row_87_the_operator_is_not_bound(narrow: World, owner: TestClient) -> None:
    assert owner.post("/sites/import/keep", data=places(5)).status_code == 200
    assert sites_of(narrow, 1) == 6


def statements(world: World, act: Callable[[Session], object]) -> int:
    """How many rows of sites the act reads, and how many statements it takes."""
    count = 0

    def tick(*_: object) -> None:
        nonlocal count
        count += 1

    def loaded(*_: object) -> None:
        nonlocal count
        count += 1

    event.listen(world.duskbell.engine, "before_cursor_execute", tick)
    event.listen(SiteRow, "load", loaded)
    try:
        with world.duskbell.sessions() as session:
            act(session)
    finally:
        event.remove(world.duskbell.engine, "before_cursor_execute", tick)
        event.remove(SiteRow, "load", loaded)
    return count


def test_row_88_names_are_looked_up_without_reading_the_sites_of_others(world: World) -> None:
    mine = new_person(world, "a@example.org")

    def keep(session: Session) -> None:
        owner = session.get_one(PersonRow, mine)
        wanted = [NewSite(Site(f"Waypoint {k}", 40.0, -1.0), False) for k in range(20)]
        add_sites(session, owner, wanted, START)
        session.rollback()

    def find(session: Session) -> None:
        assert get_site(session, "WINDPUMP FLAT").id == 1
        assert get_site(session, "#1").id == 1

    few = [statements(world, act) for act in (keep, find)]
    other = new_person(world, "b@example.org")
    with world.duskbell.sessions.begin() as session:
        wanted = [NewSite(Site(f"Waypoint {k}", 40.0, -1.0), False) for k in range(300)]
        add_sites(session, session.get_one(PersonRow, other), wanted, START)
    assert [statements(world, act) for act in (keep, find)] == few


@pytest.mark.parametrize("written", ["Öde Höhe", "ÖDE HÖHE", "öde höhe"])
def test_row_88_a_name_is_found_whatever_the_case_of_its_letters(world: World, written: str) -> None:
    with world.duskbell.sessions.begin() as session:
        owner = session.get_one(PersonRow, 1)
        row = add_sites(session, owner, [NewSite(Site("Öde Höhe", 40.0, -1.0), False)], START)[0]
        assert get_site(session, written).id == row.id


def test_row_88_a_row_of_the_version_before_is_found_and_its_name_is_taken(world: World) -> None:
    with world.duskbell.sessions.begin() as session:
        owner = session.get_one(PersonRow, 1)
        row = add_sites(session, owner, [NewSite(Site("Old Barn", 40.0, -1.0), False)], START)[0]
        row.folded_name = None
        session.flush()
        assert get_site(session, "old barn").id == row.id
        with pytest.raises(Exception, match="there already is a site named 'OLD BARN'"):
            add_sites(session, owner, [NewSite(Site("OLD BARN", 41.0, -1.0), False)], START)
        row.folded_name = "renamed beside this version"
        session.flush()
        assert get_site(session, "old barn").id == row.id
