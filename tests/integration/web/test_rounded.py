"""What others see and are sent of a shared site is the same wherever in its cell the true place lies.

Equal bytes are the strongest that can be said: whoever gets them can't tell two places apart, by whatever
means. The fit shows the same as somebody would try it, and that it finds the place from what its owner sees,
so that it could.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from math import cos, hypot, radians
from typing import Any

import numpy as np
import pytest
from fastapi import FastAPI
from scipy.optimize import least_squares
from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.sites.great_circle import rounded_place
from alerts.sites.model import Darkness, Foreground, HorizonLine, Site
from alerts.sky.nights.night_builder import nights
from alerts.wishes.model import DEFAULT_WISHES
from service.accounts import access
from service.demo.play import FLAT, SATURDAY
from service.store.maintenance import personal_data
from service.store.repositories import browsers, rounded_sites, subscriptions
from service.store.repositories.sites import newest_revision, revise_site, share_site
from service.store.schema.core_tables import (
    AddressRow,
    DecisionRow,
    PersonRow,
    SiteRevisionRow,
    SiteRow,
    SubscriptionRow,
)
from service.web.app import build_app
from service.web.shared import sessions
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, MAIL, ON_THE_DAY, START, SUNDAY, World, open_world
from tests.integration.web.acting import browsing_as, new_person
from tests.integration.web.browsing import browsing, owner_browsing
from tests.integration.web.seeing import see, without_lots

FRIEND = "friend@example.org"
MIDDLE = rounded_place(FLAT.lat_deg, FLAT.lon_deg)
CORNERS = (
    replace(
        FLAT,
        lat_deg=MIDDLE[0] + 0.0249,
        lon_deg=MIDDLE[1] - 0.0249,
        elevation_m=1180.0,
        horizon=HorizonLine((0.0, 120.0, 240.0), (9.0, 2.0, 14.0)),
        foregrounds=(Foreground("Old Windpump", 196.0, height_deg=4.0),),
        darkness=Darkness(21.62, date(2026, 8, 1)),
        access_note="ask the farmer",
        notes="park behind the barn",
    ),
    replace(
        FLAT,
        lat_deg=MIDDLE[0] - 0.0249,
        lon_deg=MIDDLE[1] + 0.0249,
        elevation_m=310.0,
        horizon=HorizonLine((10.0, 190.0), (1.0, 22.0)),
        darkness=Darkness(20.4, date(2026, 9, 1)),
        access_note="by the ford",
    ),
)
"""Two descriptions of one cell, 7 km apart, that differ in all that leads to a place."""
SILENT = ("/metrics", "/healthz", "/readyz")
"""They tell how the service fares, in seconds and bytes that are never twice the same, and of no site."""
NIGHTS = 60
EVERY = 6
"""Of so many nights one is asked for."""
FIRST = date(2027, 7, 3)


@pytest.fixture(scope="module")
def worlds(tmp_path_factory: pytest.TempPathFactory, new_store: NewStore) -> Iterator[list[World]]:
    """The same days at each of the places: shared, and a friend told about it, with a message sent."""
    with ExitStack() as stack:
        found = []
        for number, site in enumerate(CORNERS):
            folder = tmp_path_factory.mktemp(f"corner{number}")
            world = stack.enter_context(open_world(folder, new_store(folder), site=site))
            world.wall = datetime(2027, 6, 30, 16, 7, tzinfo=UTC)
            with world.duskbell.sessions.begin() as session:
                row = session.get_one(SiteRow, 1)
                share_site(session, row, is_shared=True, now=START)
            person = new_person(world, FRIEND)
            with world.duskbell.sessions.begin() as session:
                which = AddressRow.person_id == person
                address = session.scalars(select(AddressRow).where(which)).one()
                subscriptions.subscribe(session, address, row, DEFAULT_WISHES, now=START)
            for now in (START, ON_THE_DAY, GO_TIME):
                world.cycle(now)
            found.append(world)
        yield found


def person_at(session: Session, target: str) -> int:
    return session.scalars(select(AddressRow.person_id).where(AddressRow.target == target)).one()


def seen_by_friend(world: World, app: FastAPI) -> dict[str, bytes]:
    """All pages, feeds and answers of the API that the friend gets, and the mails that they were sent."""
    with world.duskbell.sessions.begin() as session:
        person = person_at(session, FRIEND)
        token = browsers.start(session, person, world.wall)
        key = access.make_api_key(session, person, "f", world.wall)
    with browsing(world, app=app) as browser:
        browser.cookies.set(sessions.cookie_name(is_https=False), token)
        browser.post("/feeds")
        feeds = re.findall(r'value="http://127\.0\.0\.1:8765(/feeds/[^"]+)"', browser.get("/feeds").text)
        found = see(browser, browser.app, Authorization=f"Bearer {key}")
        for number, path in enumerate(feeds):
            found[f"feed {number}"] = without_lots(browser.get(path).content)
    assert len(feeds) >= 6
    mails = [mail for _, mail in world.box.mails if FRIEND in str(mail["To"])]
    assert mails
    for number, mail in enumerate(mails):
        for part in mail.walk():
            if not part.is_multipart():
                name = f"mail {number} {part.get_content_type()} {part.get_filename()}"
                found[name] = without_lots(part.get_payload(decode=True) or b"")
    return found


def test_row_115_others_see_the_same_wherever_in_its_cell_a_site_lies(
    worlds: list[World],
) -> None:
    for at in (GO_TIME, SUNDAY):
        for world in worlds:
            if at is SUNDAY:
                world.cycle(SUNDAY)
        apps = [build_app(world.duskbell, shown_at=at) for world in worlds]
        here, there = map(seen_by_friend, worlds, apps)
        assert differing(here, there) == []
        here, there = map(seen_by_stranger, worlds, apps)
        assert differing(here, there) == []
        assert sum(answer.startswith(b"200") for answer in here.values()) > 30


def seen_by_stranger(world: World, app: FastAPI) -> dict[str, bytes]:
    with browsing(world, app=app) as browser:
        return see(browser, browser.app)


def differing(here: dict[str, bytes], there: dict[str, bytes]) -> list[str]:
    assert here.keys() == there.keys()
    return [path for path in here if here[path] != there[path] and not path.startswith(SILENT)]


def test_its_owner_sees_where_it_lies(worlds: list[World]) -> None:
    """The comparison can fail: what the owner sees differs from page to page."""
    found = []
    for world in worlds:
        with owner_browsing(world, shown_at=GO_TIME) as browser:
            found.append(see(browser, browser.app))
    assert {"/sites/1", f"/sites/1/nights/{SATURDAY}", "/sites/1/season.svg"} <= set(differing(*found))


def test_row_116_no_fit_leads_others_to_the_place(worlds: list[World]) -> None:
    """Times over sixty nights: what its owner reads leads within 100 m of the place, what a friend reads to
    the middle of the cell, three kilometres away."""
    for world, site in zip(worlds, CORNERS, strict=True):
        owner, friend = (fitted(world, target) for target in (MAIL, FRIEND))
        assert apart_km(owner, (site.lat_deg, site.lon_deg)) < 0.1
        assert apart_km(friend, MIDDLE) < 0.1
        assert apart_km(friend, (site.lat_deg, site.lon_deg)) > 2


def fitted(world: World, target: str) -> tuple[float, float]:
    """The place from which the times that the API gives that person are seen best, by least squares."""
    with world.duskbell.sessions.begin() as session:
        person = person_at(session, target)
        key = access.make_api_key(session, person, "fit", world.wall)
    seen = []
    with browsing(world, shown_at=GO_TIME) as browser:
        for number in range(0, NIGHTS, EVERY):
            path = f"/api/v1/sites/1/nights/{FIRST + timedelta(days=number)}"
            night = browser.get(path, headers={"Authorization": f"Bearer {key}"}).json()
            (dark,) = night["dark"]
            times = (night["sun"]["set"], night["sun"]["rise"], dark["start"], dark["end"])
            seen += [datetime.fromisoformat(each).timestamp() for each in times]

    def off_s(steps: Any) -> Any:
        described = Site("guess", *guess(steps), zone=FLAT.zone)
        found = nights(described, FIRST, NIGHTS, DEFAULT_WISHES.sky, world.duskbell.ephemeris)
        times = [
            at.timestamp()
            for night in found[::EVERY]
            for at in (night.sun.sets[0], night.sun.rises[-1], night.dark[0].start, night.dark[0].end)
        ]
        return np.array(times) - np.array(seen)

    return guess(least_squares(off_s, (11.0, 11.0), diff_step=0.05, max_nfev=8).x)


def guess(steps: Any) -> tuple[float, float]:
    """A place so many hundredths of a degree north and east of one that lies ten of them south-west of the
    middle: far from 0, as the fit tries each by a share of it."""
    return MIDDLE[0] + 0.01 * (float(steps[0]) - 10), MIDDLE[1] + 0.01 * (float(steps[1]) - 10)


def apart_km(here: tuple[float, float], there: tuple[float, float]) -> float:
    east = (here[1] - there[1]) * cos(radians(there[0]))
    return 111.2 * hypot(here[0] - there[0], east)


def test_row_117_moving_a_site_a_little_at_a_time_tells_nobody_where_the_border_runs(world: World) -> None:
    with world.duskbell.sessions.begin() as session:
        row = session.get_one(SiteRow, 1)
        share_site(session, row, is_shared=True, now=START)
        for step in range(1, 9):
            moved = replace(FLAT, lat_deg=MIDDLE[0] + 0.007 * step, lon_deg=MIDDLE[1])
            revise_site(session, row, moved, elevation_known=True, now=START)
        copy = rounded_sites.find_copy(session, 1)
        assert copy is not None
        assert len(copy.revisions) == 1
        revise_site(session, row, replace(FLAT, lat_deg=41.51), elevation_known=True, now=START)
        place = newest_revision(session, copy.id).site
        assert (place.lat_deg, place.lon_deg) == (41.5, MIDDLE[1])


def test_row_118_who_was_told_about_the_place_itself_is_told_about_its_copy(world: World) -> None:
    """As a version before left it, or an address that was given to another person."""
    person = new_person(world, FRIEND)
    with world.duskbell.sessions.begin() as session:
        session.get_one(SiteRow, 1).is_shared = True
        for row in session.scalars(select(SubscriptionRow)):
            row.person_id = person
    world.cycle(START)
    with world.duskbell.sessions.begin() as session:
        place = SiteRevisionRow
        query = select(place.lat_deg, place.lon_deg).join(
            DecisionRow, DecisionRow.site_revision_id == place.id
        )
        assert {tuple(row) for row in session.execute(query)} == {MIDDLE}
        assert {each.site_id for each in session.scalars(select(SubscriptionRow))} == {2}


def test_an_exact_decision_of_before_is_not_handed_out(world: World) -> None:
    """Of decisions made at the place itself, a person who doesn't own it gets no times."""
    for now in (START, ON_THE_DAY):
        world.cycle(now)
    person = new_person(world, FRIEND)
    with world.duskbell.sessions.begin() as session:
        session.get_one(SiteRow, 1).is_shared = True
        for row in session.scalars(select(SubscriptionRow)):
            row.person_id = person
        rounded_sites.settle(session, GO_TIME)
        handed_out = personal_data.export(session, session.get_one(PersonRow, person))
    assert handed_out["decision"]
    assert {each["window_start"] for each in handed_out["decision"]} == {None}
    with browsing_as(world, person) as friend:
        page = friend.get(f"/sites/2/nights/{SATURDAY}").text
    assert "worked out for its rounded place" in page
