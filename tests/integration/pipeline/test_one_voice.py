"""One voice: over a played week every surface says the same of the same night, whatever was fetched since."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.night import Night, Target, TargetKind
from alerts.weather.forecast import Place
from alerts.wishes.model import DEFAULT_WISHES
from service.demo.play import FLAT, RIDGE, SATURDAY, ZONE
from service.pipeline import refresh_stage
from service.reports import ring_check
from service.store.repositories import people, subscriptions
from service.store.repositories.sites import add_site, get_site, revise_site
from tests.integration.conftest import NewStore
from tests.integration.pipeline.voices import (
    Said,
    command,
    decided,
    of_alert,
    of_mail,
    said_by_api,
    said_by_commands,
    said_by_feeds,
    said_by_pages,
)
from tests.integration.pipeline.world import CLEAR_PCT, GO_TIME, LATER, ON_THE_DAY, START, World, open_world
from tests.integration.web.browsing import owner_browsing

SITES = {1: FLAT.name, 2: RIDGE.name}
NIGHTS = (SATURDAY, date(2027, 7, 4))
OTHER = "ridge@example.org"


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore, monkeypatch: pytest.MonkeyPatch) -> Iterator[World]:
    """Two sites: the flat by the usual wishes, the ridge by other ones, and told to another address."""
    with open_world(tmp_path, new_store(tmp_path)) as world:
        with world.duskbell.sessions.begin() as session:
            owner = people.get_operator(session, zone=ZONE, now=START)
            mail = people.add_address(session, owner, "email", OTHER, secrets=[], now=START)
            row = add_site(session, owner, RIDGE, elevation_known=True, now=START)
            usual = DEFAULT_WISHES
            wishes = replace(
                usual,
                chance_go_pct=55,
                shortest_window=timedelta(minutes=100),
                drive=timedelta(minutes=95),
                sky=replace(usual.sky, lowest_altitude_deg=7.0),
            )
            subscriptions.subscribe(session, mail, row, wishes, now=START)
        monkeypatch.setattr("service.app.Duskbell", lambda _settings: world.duskbell)
        monkeypatch.setattr("service.cli.one_night.real_clock", lambda: world.wall)
        # What `explain` says of a year is asked for over and over, with the same values.
        monkeypatch.setattr(ring_check, "advise", cache(ring_check.advise))
        yield world


def all_said(world: World, browser: TestClient, paths: dict[str, str]) -> dict[tuple[str, date, str], Said]:
    """What every surface says now, by site, night and surface."""
    found: dict[tuple[str, date, str], Said] = {}
    for site_id, name in SITES.items():
        for night in NIGHTS:
            said = {
                **said_by_commands(name, night),
                **said_by_pages(browser, site_id, night),
                **said_by_api(browser, site_id, night),
                **said_by_feeds(browser, paths, name, night),
            }
            found |= {(name, night, surface): values for surface, values in said.items()}
    return found


def differences(world: World, said: dict[tuple[str, date, str], Said]) -> list[str]:
    numbers = {name: number for number, name in SITES.items()}
    wanted = {
        (name, night): decided(world, numbers[name], night) for name, night in {key[:2] for key in said}
    }
    return [
        f"{name}, {night}, {surface}: {key} is {value}, decided was {wanted[name, night][key]}"
        for (name, night, surface), values in said.items()
        for key, value in values.items()
        if value != wanted[name, night][key]
    ]


def feed_paths(browser: TestClient) -> dict[str, str]:
    browser.post("/feeds")
    found = re.findall(
        r'value="http://127\.0\.0\.1:8765(/feeds/\d+-all-[^"]+\.(ics|atom|geojson))"',
        browser.get("/feeds").text,
    )
    return {ending: path for path, ending in found}


def test_row_205_every_surface_says_what_was_decided_over_a_week(world: World) -> None:
    """At each moment right after a cycle, and again when newer forecasts have come that nobody has judged."""
    with owner_browsing(world, shown_at=GO_TIME) as browser:
        paths = feed_paths(browser)
    moments: list[tuple[datetime, float]] = [
        (START, CLEAR_PCT),
        (ON_THE_DAY, CLEAR_PCT),
        (GO_TIME, 3.0),
        (LATER, 95.0),
    ]
    surfaces: set[str] = set()
    for now, cloud_pct in moments:
        world.weather.cloud_pct, world.wall = cloud_pct, now
        mails, posts = len(world.box.mails), len(world.room.posts)
        world.cycle(now)
        for later in (timedelta(0), timedelta(minutes=25)):
            world.wall = now + later
            if later:
                world.weather.cloud_pct = 50.0
                refresh_stage.run(world.duskbell.sessions, world.duskbell.gather, world.wall)
            with owner_browsing(world, shown_at=world.wall) as browser:
                said = all_said(world, browser, paths)
            assert differences(world, said) == [], f"at {now} + {later}"
            surfaces |= {surface for _, _, surface in said}
        told = {}
        for _, mail in world.box.mails[mails:]:
            site = RIDGE.name if OTHER in str(mail["To"]) else FLAT.name
            told |= {(site, SATURDAY, key): values for key, values in of_mail(mail, site).items()}
        for _, post in world.room.posts[posts:]:
            (alert,) = post["data"]["alerts"]
            told[FLAT.name, SATURDAY, "webhook"] = of_alert(alert)
        assert differences(world, told) == [], f"told at {now}"
        surfaces |= {surface for _, _, surface in told}
    assert surfaces == {
        "tonight", "weather", "briefing", "briefing text", "briefing calendar", "compare", "explain",
        "night page", "field page", "site page", "compare page", "home",
        "API, a night", "API, the nights", "API, compared", "calendar feed", "Atom", "map",
        "mail", "mail html", "mail calendar", "webhook",
    }  # fmt: skip


def tonight(*words: str) -> dict[str, Any]:
    return json.loads(command("tonight", *words, "--date", f"{SATURDAY}", "--json"))


def test_row_206_what_is_asked_on_the_spot_says_when_and_why_it_differs(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    world.wall = GO_TIME
    world.cycle(GO_TIME)
    was = tonight(FLAT.name)
    world.wall = GO_TIME + timedelta(minutes=25)
    world.weather.cloud_pct = 60.0

    def ask(site: Site, night: Night, hours: Span, now: datetime, elevation_m: float | None) -> Any:
        gathered = world.duskbell.gather([Place(site.lat_deg, site.lon_deg, elevation_m)], hours)
        return gathered, list(gathered.forecasts)

    monkeypatch.setattr("service.cli.one_night.ask_both", ask)
    asked = tonight(FLAT.name, "--ask")
    page = command("tonight", FLAT.name, "--date", f"{SATURDAY}", "--ask")
    assert (was["from"], asked["from"]) == ("decision", "judged")
    assert asked["as_of"] == "2027-07-03T17:32:00Z"
    assert asked["outlook"]["chance_pct"] != was["outlook"]["chance_pct"]
    assert "Asked at 19:32: " in page
    assert f"Decided at 19:07, as every other view has it: go, {was['outlook']['chance_pct']} %" in page
    assert tonight(FLAT.name) == was


def test_a_comparison_says_as_of_when(world: World) -> None:
    world.wall = GO_TIME
    world.cycle(GO_TIME)
    world.wall = GO_TIME + timedelta(minutes=25)
    page = command("compare", FLAT.name, "--from", f"{SATURDAY}", "--to", f"{SATURDAY}")
    assert "As of Sat 19:07 CEST." in page.splitlines()
    with owner_browsing(world, shown_at=world.wall) as browser:
        assert "As of Sat 19:07 CEST." in browser.get(f"/compare?from={SATURDAY}&to={SATURDAY}").text


def test_a_site_that_nobody_watches_any_more_is_judged_alike_by_all(world: World) -> None:
    """As of the moment at which its newest forecast came, or of the last half hour."""
    world.wall = GO_TIME
    world.cycle(GO_TIME)
    with world.duskbell.sessions.begin() as session:
        for row in subscriptions.running_subscriptions(session):
            subscriptions.end_subscription(session, row, GO_TIME, "a test")
    for minutes, as_of in ((5, GO_TIME), (16, GO_TIME), (25, GO_TIME + timedelta(minutes=23))):
        world.wall = GO_TIME + timedelta(minutes=minutes)
        with owner_browsing(world, shown_at=world.wall) as browser:
            said = said_by_commands(FLAT.name, SATURDAY) | said_by_pages(browser, 1, SATURDAY)
            said |= said_by_api(browser, 1, SATURDAY)
        del said["explain"]  # it argues the decision of who watched
        judged = [each for each in said.values() if each.get("verdict") and "as_of" in each]
        assert len(judged) >= 6
        assert {each["as_of"] for each in judged} == {as_of}
        assert len({(each["verdict"], each["chance"]) for each in judged}) == 1


def test_other_wishes_are_judged_and_named(world: World) -> None:
    world.wall = GO_TIME
    world.cycle(GO_TIME)
    was, other = tonight(FLAT.name), tonight(FLAT.name, "--chance", "99")
    assert was["wishes"]["chance"] == 70
    assert (was["verdict"], was["from"]) == ("go", "decision")
    assert (other["wishes"]["chance"], other["from"]) == (99, "judged")
    assert other["verdict"] != "go"
    assert other["outlook"]["chance_pct"] == was["outlook"]["chance_pct"]


def test_row_208_what_was_decided_before_a_site_was_described_anew_stands_no_more(world: World) -> None:
    world.wall = GO_TIME
    world.cycle(GO_TIME)
    with world.duskbell.sessions.begin() as session:
        row = get_site(session, FLAT.name)
        revise_site(session, row, replace(FLAT, elevation_m=1250.0), elevation_known=True, now=GO_TIME)
    world.wall = GO_TIME + timedelta(minutes=5)
    assert tonight(FLAT.name)["from"] == "judged"
    with owner_browsing(world, shown_at=world.wall) as browser:
        found = browser.get(f"/api/v1/sites/1/nights/{SATURDAY}").json()
        past = browser.get("/api/v1/sites/1/nights").json()["nights"][0]
    assert (found["from"], past["verdict"]) == ("judged", None)
    world.wall = GO_TIME + timedelta(days=3)
    assert tonight(FLAT.name)["from"] == "decision"


def test_row_210_coordinates_of_a_kept_site_mean_it(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    world.wall = GO_TIME
    world.cycle(GO_TIME)
    monkeypatch.setattr("service.cli.one_night.sessions_at_hand", lambda _: world.duskbell.sessions)
    at = ("tonight", "--at", f"{FLAT.lat_deg + 0.001},{FLAT.lon_deg}", "--date", f"{SATURDAY}")
    page = command(*at)
    assert f"This is {FLAT.name}, which is kept here: shown is what was decided of it." in page
    assert "Judged as of Sat 19:07 CEST" in page
    other = command(*at, "--chance", "99", "--offline")
    assert f'which is kept here; what was decided of it: duskbell tonight "{FLAT.name}"' in other


def test_what_was_decided_of_a_second_target_is_shown_by_all(world: World) -> None:
    """The core never stands so high there: the band, which will do too, is what the night is decided by."""
    with world.duskbell.sessions.begin() as session:
        (row,) = [each for each in subscriptions.running_subscriptions(session) if each.site_id == 2]
        usual = DEFAULT_WISHES
        core = replace(usual.sky, lowest_altitude_deg=60.0)
        subscriptions.change_wishes(
            session, row, replace(usual, sky=core, more_targets=(Target(TargetKind.NONE),))
        )
    world.wall = GO_TIME
    world.cycle(GO_TIME)
    with owner_browsing(world, shown_at=GO_TIME) as browser:
        said = said_by_commands(RIDGE.name, SATURDAY) | said_by_pages(browser, 2, SATURDAY)
        said |= said_by_api(browser, 2, SATURDAY)
    found = {(RIDGE.name, SATURDAY, surface): values for surface, values in said.items()}
    assert differences(world, found) == []
    assert said["API, the nights"]["verdict"] == said["night page"]["verdict"] == "go"
