"""Who may keep sites, and what that costs: every form and every program's way, tried without the right."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from starlette.routing import BaseRoute, Mount, Route
from starlette.testclient import TestClient

from service.accounts import access
from service.store.repositories.tokens import Purpose
from service.store.schema.core_tables import SiteRow
from service.store.schema.delivery_tables import TokenRow
from tests.integration.pipeline.world import GO_TIME, START, World
from tests.integration.web.acting import browsing_as, new_person, share_site
from tests.integration.web.browsing import browsing

TOLD = "told@example.org"
PLACE = {"name": "Hill", "at": "42, 3", "months": ["7"]}
KEEPING: dict[str, tuple[dict[str, Any], ...]] = {
    "/sites/new": ({**PLACE, "do": "save"}, {**PLACE, "do": "preview"}),
    "/sites/import": ({},),
    "/sites/import/keep": ({"keep": "1", "name-1": "Hill", "place-1": "42;3;"},),
    "/me/keys": ({"label": "mine"},),
}
"""What takes the right, with forms that try it."""
OWN_AFFAIRS = {
    "/sites/{site_id:number}/edit",
    "/sites/{site_id:number}/remove",
    "/sites/{site_id:number}/nights/{name}/outcome",
    "/sites/{site_id:number}/subscribe",
    "/sites/{site_id:number}/wish-count",
    "/subscriptions/{subscription_id:number}",
    "/subscriptions/{subscription_id:number}/pause",
    "/subscriptions/{subscription_id:number}/end",
    "/how-was-it/{token}/{site_id:number}/{night}",
    "/feeds",
    "/me",
    "/me/sign-out-everywhere",
    "/me/again",
    "/me/browsers/end-others",
    "/me/browsers/{browser_id:number}/end",
    "/me/keys/{key_id:number}/revoke",
    "/me/erase",
    "/me/home",
    "/me/addresses",
    "/me/addresses/{address_id:number}/test",
    "/me/addresses/{address_id:number}/code",
    "/me/addresses/{address_id:number}/on",
    "/me/addresses/{address_id:number}/remove",
    "/sign-in",
    "/sign-in/{token}",
    "/sign-out",
    "/sign-up",
    "/unsubscribe/{token}",
    "/manage/{token}",
    "/confirm/{token}",
    "/relay/bounces",
}
"""What everybody does who is told of something, or who has a link."""


def forms(routes: list[BaseRoute], under: str = "") -> Iterator[str]:
    """The addresses of everything that takes a form or a question, as the application lists it."""
    for route in routes:
        if (included := getattr(route, "original_router", None)) is not None:  # of a newer FastAPI
            yield from forms(list(included.routes), under)
        elif isinstance(route, Mount):
            yield from forms(list(route.routes), under + route.path)
        elif isinstance(route, Route) and {"POST", "PUT", "PATCH", "DELETE"} & set(route.methods or ()):
            yield under + route.path


@pytest.fixture
def told(world: World) -> Iterator[TestClient]:
    """A browser of somebody who is told of things here and may keep none."""
    with browsing_as(world, new_person(world, TOLD, may_keep_sites=False)) as browser:
        yield browser


def sites(world: World) -> int:
    with world.duskbell.sessions() as session:
        return session.query(SiteRow).count()


def key_of(world: World, person_id: int) -> dict[str, str]:
    with world.duskbell.sessions.begin() as session:
        return {"Authorization": f"Bearer {access.make_api_key(session, person_id, 'mine', START)}"}


JUDGE = {"site": {"lat": 40.3, "lon": -1.4}}


def test_row_82_every_way_is_either_ones_own_affair_or_takes_the_right(told: TestClient) -> None:
    listed = set(forms(list(told.app.routes)))  # type: ignore[attr-defined]
    others = {each for each in listed if each != "/setup" and not each.startswith("/operator")}
    assert others - OWN_AFFAIRS == {*KEEPING, "/api/v1/judge"}


@pytest.mark.parametrize("path", KEEPING)
def test_row_82_without_the_right_nothing_is_kept_or_computed(
    path: str, world: World, told: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.web.sites.edit.build_preview", None)
    monkeypatch.setattr("service.web.sites.edit.read_places", None)
    before = sites(world)
    for form in KEEPING[path]:
        answer = told.post(path, data=form)
        assert (answer.status_code, "By invitation" in answer.text) == (403, True)
    if path in ("/sites/new", "/sites/import"):
        assert told.get(path).status_code == 403
    assert sites(world) == before
    with world.duskbell.sessions() as session:
        assert session.query(TokenRow).filter(TokenRow.purpose == Purpose.API_KEY).count() == 0


def test_row_82_a_key_from_before_reads_and_judges_no_more(world: World) -> None:
    share_site(world)
    headers = key_of(world, new_person(world, TOLD, may_keep_sites=False))
    with browsing(world, shown_at=GO_TIME) as program:
        assert program.get("/api/v1/sites/1", headers=headers).status_code == 200
        refused = program.post("/api/v1/judge", headers=headers, json=JUDGE)
    assert (refused.status_code, refused.headers["content-type"]) == (403, "application/problem+json")
    assert "says who may keep sites here" in refused.json()["detail"]
    assert world.weather.asked == 0


def test_row_82_pages_offer_nothing_that_is_refused(told: TestClient) -> None:
    for path in ("/", "/me", "/compare"):
        page = told.get(path).text
        assert not re.search(r'(?:href|action)="/(?:sites/new|sites/import|me/keys)"', page), path


def test_row_82_the_operators_page_gives_the_right_and_takes_it_back(
    world: World, told: TestClient, owner: TestClient
) -> None:
    (form,) = re.findall(r"/operator/people/\d+", owner.get("/operator/people").text)
    assert told.post(form, data={"do": "allow"}).status_code == 404
    assert "Take it back" in owner.post(form, data={"do": "allow"}).text
    assert told.post("/sites/new", data={**PLACE, "do": "save"}).status_code == 200
    owner.post(form, data={"do": "forbid"})
    assert told.post("/sites/new", data={**PLACE, "name": "Other", "do": "save"}).status_code == 403
    assert (sites(world), owner.post("/operator/people/1").status_code) == (2, 404)


def test_row_82_who_loses_the_right_keeps_their_sites_where_they_are(
    world: World, told: TestClient, owner: TestClient
) -> None:
    (form,) = re.findall(r"/operator/people/\d+", owner.get("/operator/people").text)
    owner.post(form, data={"do": "allow"})
    told.post("/sites/new", data={**PLACE, "do": "save", "is_shared": "on"})
    owner.post(form, data={"do": "forbid"})
    page = told.get("/sites/2").text
    assert "Hill" in page
    moved = told.post("/sites/2/edit", data={**PLACE, "at": "43, 3", "do": "preview"})
    assert moved.status_code == 403
    assert told.post("/sites/2/edit", data={**PLACE, "name": "Hill of mine", "do": "save"}).status_code == 200
    with world.duskbell.sessions() as session:
        row = session.get_one(SiteRow, 2)
        assert (row.name, row.is_shared) == ("Hill of mine", False)
    assert told.post("/sites/2/remove").status_code == 200


def test_row_82_open_sign_up_gives_it_to_all_and_for_good_to_who_keeps_a_site(
    world: World, told: TestClient
) -> None:
    world.duskbell.settings.open_sign_up = True
    assert told.post("/sites/new", data={**PLACE, "do": "save"}).status_code == 200
    world.duskbell.settings.open_sign_up = False
    assert told.post("/sites/new", data={**PLACE, "name": "Second", "do": "save"}).status_code == 200
    with browsing_as(world, new_person(world, "late@example.org", may_keep_sites=False)) as late:
        assert late.post("/sites/new", data={**PLACE, "do": "save"}).status_code == 403
