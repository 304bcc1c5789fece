"""What keeps a go from coming, on the pages and in the API: only the operator hears of settings."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from alerts.wishes.model import DEFAULT_WISHES
from service.accounts import access
from service.store.repositories import people, subscriptions
from service.store.repositories.sites import share_site
from service.store.schema.core_tables import AddressRow, SiteRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.bare import DECLARED, FLAT, NOW, RELAY, Bare, opening
from tests.integration.web.acting import browsing_as, new_person
from tests.integration.web.browsing import browsing, owner_browsing
from tests.integration.web.formreading import fields_of_form

WHY = "Only MET Norway answers for this place (ECMWF), and a go needs two providers."
MEND = "declare that with open_meteo_noncommercial = true, else set open_meteo_key"
SETTINGS = ("open_meteo", "MET Norway", "duskbell ", "smtp_host")


@pytest.fixture
def opened(tmp_path: Path, new_store: NewStore) -> Iterator[Any]:
    with opening(tmp_path, new_store) as open_bare:
        yield open_bare


def settled(opened: Any, **settings: Any) -> Bare:
    """With a site of the operator's, who is told of it."""
    here: Bare = opened(**RELAY, **settings)
    here.subscribe(here.settle(FLAT)["Windpump Flat"])
    return here


def said_everywhere(here: Bare) -> dict[str, str]:
    """What each place says to the operator, who asks for another subscription as well."""
    with owner_browsing(here, shown_at=NOW) as browser:
        wishes = browser.get("/sites/1/subscribe?another=true").text
        key = {"Authorization": f"Bearer {api_key(here)}"}
        return {
            "home": browser.get("/").text,
            "subscribe": wishes,
            "subscribed": browser.get("/sites/1/subscribed").text,
            "count": "\n".join(count(browser)),
            "api": browser.get("/api/v1/sites/1", headers=key).text,
        }


def api_key(here: Bare, person_id: int | None = None) -> str:
    with here.duskbell.sessions.begin() as session:
        person = person_id or people.get_operator(session, zone="UTC", now=NOW).id
        return access.make_api_key(session, person, "test", here.duskbell.clock())


def test_row_195_pages_and_api_say_why_it_never_rings_until_the_declaration(opened: Any) -> None:
    before = said_everywhere(settled(opened))
    assert [place for place, text in before.items() if WHY not in text or MEND not in text] == []
    after = said_everywhere(settled(opened, **DECLARED))
    assert [place for place, text in after.items() if "can't ring" in text] == []
    assert '"obstacles":[]' in after["api"]


def test_lists_of_the_api_look_at_nothing(opened: Any) -> None:
    here = settled(opened)
    with browsing(here, shown_at=NOW) as browser:
        key = {"Authorization": f"Bearer {api_key(here)}"}
        (site,) = browser.get("/api/v1/sites", headers=key).json()["items"]
    assert site["obstacles"] is None


def test_row_200_others_hear_that_it_can_t_ring_and_whom_to_tell_and_no_setting(opened: Any) -> None:
    here = settled(opened)
    friend = new_person(here, "friend@example.org")
    with here.duskbell.sessions.begin() as session:
        address = session.query(AddressRow).filter_by(person_id=friend).one()
        site = session.get_one(SiteRow, 1)
        told = subscriptions.subscribe(session, address, site, DEFAULT_WISHES, now=NOW)
        address.confirmed_at, site_id = None, told.site_id
    with browsing_as(here, friend) as browser:
        key = {"Authorization": f"Bearer {api_key(here, friend)}"}
        pages = [
            browser.get("/").text,
            browser.get(f"/sites/{site_id}/subscribed").text,
            browser.get(f"/api/v1/sites/{site_id}", headers=key).text,
        ]
        form = browser.get(f"/sites/{site_id}/subscribe?another=true").text
    for text in (*pages, form):
        assert "Too few weather feeds answer for this place, so no go can be said." in text
        assert "Tell whoever runs this Duskbell" in text
        assert [word for word in SETTINGS if word in text] == []
    for text in pages:
        assert "confirmed, and nothing is sent before that" in text


def test_strangers_see_nothing_of_it_on_the_first_page_and_on_the_form_no_setting(opened: Any) -> None:
    here = settled(opened)
    with here.duskbell.sessions.begin() as session:
        share_site(session, session.get_one(SiteRow, 1), is_shared=True, now=NOW)
    with browsing(here, shown_at=NOW) as browser:
        assert "can't ring" not in browser.get("/").text
        form = browser.get("/sites/1/subscribe").text
    assert "Too few weather feeds answer" in form
    assert [word for word in SETTINGS if word in form] == []


def test_pages_that_a_mend_names_are_links(opened: Any) -> None:
    here = settled(opened)
    with here.duskbell.sessions.begin() as session:
        session.get_one(AddressRow, 1).off_since = NOW
    with owner_browsing(here, shown_at=NOW) as browser:
        assert 'or the page <a href="/me">/me</a>.' in browser.get("/").text


def test_a_limit_that_can_not_be_reached_is_said_while_it_is_typed(opened: Any) -> None:
    here = settled(opened, **DECLARED)
    with owner_browsing(here, shown_at=NOW) as browser:
        (note,) = count(browser, chance_go="99")
        assert count(browser, chance_go="90") == []
    assert note.startswith("This can't ring: A go from 99 % can't come here: under a cloudless sky")
    assert note.endswith("Ask for 98 % or less.")


def count(browser: TestClient, **typed: str) -> list[str]:
    """What the page's script shows beside the wishes being typed."""
    fields = fields_of_form(browser.get("/sites/1/subscribe?another=true").text, "/sites/1/subscribe")
    notes: list[str] = browser.post("/sites/1/wish-count", data={**fields, **typed}).json()["notes"]
    return notes
