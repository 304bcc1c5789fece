"""What somebody sees whom the operator lets be told of a private site: all pages, feeds and files."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from itertools import product

import pytest
from sqlalchemy import select
from starlette.routing import BaseRoute, Mount, Route
from starlette.testclient import TestClient

from alerts.sites.model import Foreground, Site
from alerts.wishes.model import DEFAULT_WISHES
from service.accounts import access, address_owner
from service.accounts.receivers import vouch_for
from service.demo.play import FLAT
from service.store.repositories import people
from service.store.repositories.sites import add_site
from service.store.repositories.subscriptions import subscribe
from service.store.schema.core_tables import (
    AddressRow,
    AlertRow,
    MessageRow,
    PersonRow,
    SiteRow,
    SubscriptionRow,
)
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, MAIL, ON_THE_DAY, START, World, open_world
from tests.integration.web.acting import browsing_as, deliver_mail, links_in_mail, subscriptions
from tests.integration.web.browsing import browsing
from tests.integration.web.formreading import fields_of_form

FRIEND = "friend@example.org"
PLACE = replace(
    FLAT,
    lat_deg=40.2887,
    lon_deg=-1.3813,
    foregrounds=(Foreground("Old Windpump", 196.0),),
    notes="park behind the barn",
    access_note="ask the farmer",
    access_months=(1, 7),
)
ELSEWHERE = Site("Secret Ridge", 41.77, -3.88, 900.0, "Europe/Madrid")
SECRET = re.compile(
    r"Old Windpump|behind the barn|ask the farmer|Secret Ridge|you@example\.org|y…@example|/club|whsec_"
    r"|(?<![:\d])40\.2[89]|(?<![:\d])1\.38|/me/addresses/1/"
)
NIGHT = "2027-07-03"
COPY = 3
"""The number of the copy of the first site that the friend is told about."""
FILLED: dict[str, tuple[str, ...]] = {
    "site_id": ("1", "2", "3"),
    "subscription_id": ("1", "2", "3"),
    "decision_id": ("1", "2"),
    "name": (NIGHT,),
    "night": (NIGHT,),
    "lead": ("evening",),
    "token": ("x" * 32,),
    "message_id": ("MESSAGE",),
    "picture": ("night",),
    "size": ("180",),
}
"""What stands in the addresses of pages: things of the friend's and of the operator's."""


def invite(world: World) -> int:
    """The friend as `duskbell subscribe` adds them; their person."""
    with world.duskbell.sessions.begin() as session:
        site = session.get_one(SiteRow, 1)
        address = address_owner.address_of_another(session, FRIEND, zone="Europe/Madrid", now=START)
        vouch_for(session, address.id, START)
        subscribe(session, address, site, DEFAULT_WISHES, now=START)
        return address.person_id


def hang_on_operator(world: World) -> int:
    """The friend as the version before added them; the number of the address."""
    with world.duskbell.sessions.begin() as session:
        operator, site = session.get_one(PersonRow, 1), session.get_one(SiteRow, 1)
        address = people.add_address(session, operator, "email", FRIEND, secrets=[], now=START)
        subscribe(session, address, site, DEFAULT_WISHES, now=START)
        return address.id


def give_away(world: World, address_id: int) -> int:
    with world.duskbell.sessions.begin() as session:
        row = session.get_one(AddressRow, address_id)
        return address_owner.give_away(session, row, now=world.wall).person_id


@pytest.fixture(scope="module", params=["invited", "given away"])
def friendly(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, new_store: NewStore
) -> Iterator[tuple[World, int]]:
    """After a go at a private site with notes that a friend was told of; the friend's person."""
    folder = tmp_path_factory.mktemp("friendly")
    with open_world(folder, new_store(folder), site=PLACE) as world:
        with world.duskbell.sessions.begin() as session:
            operator = session.get_one(PersonRow, 1)
            add_site(session, operator, ELSEWHERE, elevation_known=True, now=START)
        person = invite(world) if request.param == "invited" else 0
        hanging = 0 if person else hang_on_operator(world)
        for now in (START, ON_THE_DAY, GO_TIME):
            world.cycle(now)
        yield world, person or give_away(world, hanging)


@pytest.fixture
def friend(friendly: tuple[World, int]) -> Iterator[TestClient]:
    with browsing_as(*friendly) as browser:
        yield browser


def pages(routes: list[BaseRoute], under: str = "") -> Iterator[str]:
    """The addresses of everything that can be read, as the application lists it."""
    for route in routes:
        if (included := getattr(route, "original_router", None)) is not None:  # of a newer FastAPI
            yield from pages(list(included.routes), under)
        elif isinstance(route, Mount):
            yield from pages(list(route.routes), under + route.path)
        elif isinstance(route, Route) and "GET" in (route.methods or ()):
            yield under + route.path


def filled(path: str, world: World) -> Iterator[str]:
    """The page's addresses with everything that may stand in them; a new kind must be named in FILLED."""
    names = re.findall(r"\{(\w+)(?::\w+)?\}", path)
    with world.duskbell.sessions() as session:
        message_id = session.scalars(select(MessageRow.id)).first()
    for values in product(*(FILLED[name] for name in names)):
        shown = path
        for name, value in zip(names, values, strict=True):
            given = (message_id or "") if value == "MESSAGE" else value
            shown = re.sub(rf"\{{{name}(:\w+)?\}}", given, shown)
        yield shown


def text_of(path: str, text: str) -> str:
    """What a reader can read; of a picture not the numbers that it is drawn by."""
    return re.sub(r"<[^>]+>", " ", text) if path.endswith(".svg") else text


SKIPPED = ("/feeds/{name}.{ending}", "/static/", "/fonts/")
"""Private feeds are read by their own addresses below; files are the same for everybody."""


def test_row_79_nothing_private_of_the_operators_is_on_any_page(
    friendly: tuple[World, int], friend: TestClient
) -> None:
    world, _ = friendly
    app = friend.app
    listed = [each for each in pages(list(app.routes)) if not each.startswith(SKIPPED)]  # type: ignore[attr-defined]
    assert {"/me/data.json", "/api/v1/compare", "/operator/people", "/sites/{site_id:number}"} <= set(listed)
    opened = set()
    for path in (one for each in listed for one in filled(each, world)):
        answer = friend.get(f"{path}?year=2027" if path.endswith("season") else path)
        assert answer.status_code < 500, path
        if path.startswith(("/operator", "/sites/2", "/api/v1/sites/2")) or path.endswith("/edit"):
            assert answer.status_code == 404, path
        found = SECRET.search(text_of(path, answer.text))
        assert found is None, (
            path,
            answer.text[max(0, found.start() - 200) : found.end() + 50] if found else "",
        )
        if answer.status_code == 200 and "/sites/1" in path:
            opened.add(path)
    assert {"/sites/1", f"/sites/1/nights/{NIGHT}", "/sites/1/season", "/api/v1/sites/1"} <= opened


def test_row_79_nor_in_the_friends_feeds_and_with_a_key(
    friendly: tuple[World, int], friend: TestClient
) -> None:
    world, person = friendly
    page = friend.post("/feeds").text
    paths = [
        re.sub(r"^https?://[^/]+", "", each) for each in re.findall(r'value="(http[^"]+/feeds/[^"]+)"', page)
    ]
    assert len(paths) == 9
    assert "Secret Ridge" not in page
    for path in paths:
        answer = friend.get(path)
        assert answer.status_code == 200
        assert SECRET.search(answer.text) is None, path
    with world.duskbell.sessions.begin() as session:
        headers = {"Authorization": f"Bearer {access.make_api_key(session, person, 'mine', START)}"}
    with browsing(world, shown_at=GO_TIME) as program:
        sites = program.get("/api/v1/sites", headers=headers).json()["items"]
        assert [(each["id"], each["rounded"], each["lat"], each["lon"]) for each in sites] == [
            (COPY, True, 40.3, -1.4)
        ]


def test_row_79_nothing_there_is_the_friends_to_change(friend: TestClient) -> None:
    page = friend.get("/me").text
    assert FRIEND in page
    (remove,) = re.findall(r"/me/addresses/\d+/remove", page)
    assert remove != "/me/addresses/1/remove"
    for path in ("/me/addresses/1/remove", "/subscriptions/1/end", "/sites/1/remove", "/sites/1/edit"):
        assert friend.post(path).status_code == 404


def test_row_79_the_export_tells_of_the_friend_alone(friendly: tuple[World, int], friend: TestClient) -> None:
    data = friend.get("/me/data.json").json()
    assert [row["target"] for row in data["address"]] == [FRIEND]
    assert (data["site"], {row["site_id"] for row in data["subscription"]}) == ([], {COPY})
    assert "go" in [row["kind"] for row in data["alert"]]
    text = json.dumps(data, ensure_ascii=False)
    assert [text[max(0, each.start() - 80) : each.end()] for each in SECRET.finditer(text)] == []


def test_row_78_what_is_given_away_goes_on_ringing_and_takes_back_what_was_told(world: World) -> None:
    address = hang_on_operator(world)
    for now in (START, ON_THE_DAY, GO_TIME):
        world.cycle(now)
    person = give_away(world, address)
    world.weather.cloud_pct = 95.0
    world.cycle(GO_TIME + timedelta(hours=1))
    with world.duskbell.sessions() as session:
        told = session.scalars(
            select(AlertRow.kind)
            .join(SubscriptionRow, SubscriptionRow.id == AlertRow.subscription_id)
            .where(SubscriptionRow.person_id == person)
            .order_by(AlertRow.id)
        ).all()
    assert told[-2:] == ["go", "stand_down"]
    assert [str(mail["To"]) for _, mail in world.box.mails][-2:].count(FRIEND) == 1
    assert [row.site_id for row in subscriptions(world, person)] == [2]
    with world.duskbell.sessions() as session:
        assert session.get_one(SiteRow, 1).owner_id == 1


@pytest.mark.parametrize("way", ["asked on the page", "asked before the upgrade", "by its own link"])
def test_row_78_before_anybody_decides_a_friend_on_the_operator_cannot_enter(way: str, world: World) -> None:
    address = hang_on_operator(world)
    with browsing(world, shown_at=GO_TIME) as browser:
        if way == "asked before the upgrade":
            with world.duskbell.sessions.begin() as session:
                session.get_one(AddressRow, address).is_own = True
        if way == "by its own link":
            for now in (START, ON_THE_DAY, GO_TIME):
                world.cycle(now)
            mails = [mail for _, mail in world.box.mails if mail["To"] == FRIEND]
            body = mails[-1].get_body(preferencelist=("plain",))
            assert body is not None
            found = re.search(r"/manage/[\w-]+", body.get_content())
            assert found is not None
            assert "can't sign in here yet" in browser.post(found[0]).text
        else:
            browser.post("/sign-in", data={"email": FRIEND})
        deliver_mail(world)
        links = links_in_mail(world, "sign-in")
        if way == "asked before the upgrade":
            with world.duskbell.sessions.begin() as session:
                session.get_one(AddressRow, address).is_own = False
            assert browser.post(links[0]).status_code == 404
        else:
            assert links == []
        assert browser.get("/me", follow_redirects=False).status_code == 303


def test_row_77_the_operators_own_address_signs_in_as_the_operator(world: World) -> None:
    with browsing(world, shown_at=GO_TIME) as browser:
        browser.post("/sign-in", data={"email": MAIL.upper()})
        deliver_mail(world)
        (link,) = links_in_mail(world, "sign-in")
        assert "Operator" in browser.post(link).text


@pytest.mark.parametrize("path", ["/me/addresses", "/sites/1/subscribe"])
def test_row_77_what_the_operator_types_into_a_page_is_its_own_person(
    path: str, world: World, owner: TestClient
) -> None:
    form = {"channel": "email", "target": FRIEND}
    if path.endswith("subscribe"):
        page = owner.get("/sites/1/subscribe?another=true").text
        form = {**fields_of_form(page, path), "address": "new", "email": FRIEND, "do": "save"}
    assert owner.post(path, data=form).status_code == 200
    deliver_mail(world)
    (link,) = links_in_mail(world, "confirm")
    with browsing(world, shown_at=GO_TIME) as reader:
        assert "Join" not in reader.get(link).text
        reader.post(link)
    with world.duskbell.sessions() as session:
        row = address_owner.find_account(session, FRIEND)
        assert row is not None
        assert (row.person_id != 1, row.person.is_operator) == (True, False)


@pytest.mark.parametrize("is_ticked", [True, False])
def test_row_77_on_a_page_the_operator_says_which_address_is_own(
    is_ticked: bool, world: World, owner: TestClient
) -> None:
    owner.post(
        "/me/addresses", data={"channel": "email", "target": FRIEND, **({"mine": "on"} if is_ticked else {})}
    )
    deliver_mail(world)
    (link,) = links_in_mail(world, "confirm")
    with browsing(world, shown_at=GO_TIME) as reader:
        reader.post(link, data={"do": "join"})
    with world.duskbell.sessions() as session:
        row = address_owner.find_account(session, FRIEND)
        assert row is not None
        assert row.person.is_operator is is_ticked
