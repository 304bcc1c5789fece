"""Every page on every screen: nothing missing, nothing sticking out, nothing that axe-core finds wrong."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser

from tests.browser.conftest import SCREENS, open_context
from tests.browser.house import House
from tests.browser.looking import Visit, axe_findings, visiting

NIGHT = "/sites/1/nights/2027-07-03"
PAGES = {
    "home": "/",
    "site": "/sites/1",
    "night": NIGHT,
    "silent night": "/sites/1/nights/2027-07-16",
    "night without a forecast": "/sites/1/nights/2027-07-27",
    "field": f"{NIGHT}/field",
    "season": "/sites/1/season",
    "compare": "/compare",
    "add": "/sites/new",
    "edit": "/sites/1/edit",
    "import": "/sites/import",
    "subscribe": "/sites/1/subscribe?another=true",
    "manage": "/subscriptions/1",
    "you": "/me",
    "feeds": "/feeds",
    "operator": "/operator",
    "messages": "/operator/messages",
    "outbox": "/operator/outbox",
    "decisions": "/operator/decisions",
    "people": "/operator/people",
    "nothing": "/nothing/here",
}
OPEN_TO_ALL = {"home": "/", "sign-in": "/sign-in", "sign-up": "/sign-up", "shared site": "/sites/3"}


ALL_PAGES_ON = ("phone, dark", "desk, light")
"""Both widths and both schemes; what people look at most is looked at on every screen."""
MOST_LOOKED_AT = ("home", "site", "night", "field")


@pytest.mark.parametrize("screen", SCREENS)
def test_every_page_looks_right(screen: str, chromium: Browser, lived_in: House) -> None:
    """One browser for all pages: findings are gathered, so that one run tells of all."""
    names = PAGES if screen in ALL_PAGES_ON else MOST_LOOKED_AT
    with visiting(open_context(chromium, SCREENS[screen]), lived_in) as visit:
        visit.sign_in()
        found = {name: faults_of(visit, PAGES[name]) for name in names}
    assert {name: faults for name, faults in found.items() if faults} == {}


@pytest.mark.parametrize("screen", ["phone, dark", "desk, light"])
def test_pages_for_strangers_look_right(screen: str, chromium: Browser, lived_in: House) -> None:
    with visiting(open_context(chromium, SCREENS[screen]), lived_in) as visit:
        found = {name: faults_of(visit, path) for name, path in OPEN_TO_ALL.items()}
    assert {name: faults for name, faults in found.items() if faults} == {}


def faults_of(visit: Visit, path: str) -> list[str]:
    visit.complaints.clear()
    visit.go(path)
    visit.page.wait_for_load_state("networkidle")
    visit.page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    faults = [*visit.complaints, *axe_findings(visit.page)]
    if visit.sticks_out_px:
        faults.append(f"sticks out by {visit.sticks_out_px} px")
    return faults


@pytest.mark.parametrize("scheme", ["phone, light", "phone, dark"])
def test_a_phones_first_screen_names_the_best_night(scheme: str, chromium: Browser, lived_in: House) -> None:
    """The night, the verdict, the place and when to leave stand above the fold of 360 x 640."""
    with visiting(open_context(chromium, SCREENS[scheme]), lived_in) as visit:
        visit.sign_in()
        visit.page.set_viewport_size({"width": 360, "height": 640})
        lead = visit.page.locator(".lead")
        words = lead.inner_text()
        for said in ("Saturday 3 July", "Go tonight: ", "Leave by", "CEST", "Chance "):
            assert said in words
        box = lead.bounding_box()
        assert box is not None
        assert box["y"] + box["height"] < 640


def test_a_row_of_nights_is_said_to_a_screen_reader(desk: Visit) -> None:
    row = desk.page.locator(".row").first
    links = row.get_by_role("link")
    assert links.count() == 14
    tree = row.aria_snapshot()
    assert "Sat 3 July: go, chance 9" in tree
    assert "CEST, Moon 0 % lit" in tree
    assert "Fri 16 July: no dark window" in tree or "Fri 16 July: stay, no dark window" in tree


def test_nothing_moves_for_who_wants_no_motion(desk: Visit) -> None:
    desk.go("/")
    assert desk.page.evaluate("document.getAnimations().length") == 0
    assert desk.page.evaluate("getComputedStyle(document.documentElement).scrollBehavior") == "auto"


def test_a_night_prints_on_white_paper_without_what_only_a_screen_can_do(
    chromium: Browser, lived_in: House
) -> None:
    with visiting(open_context(chromium, SCREENS["desk, dark"]), lived_in) as visit:
        visit.sign_in()
        visit.go(NIGHT)
        visit.page.emulate_media(media="print", color_scheme="dark")
        visit.page.wait_for_load_state("networkidle")
        style = "getComputedStyle(document.body)"
        assert visit.page.evaluate(f"{style}.backgroundColor") == "rgb(255, 255, 255)"
        assert visit.page.evaluate(f"{style}.color") == "rgb(0, 0, 0)"
        assert not visit.page.get_by_role("navigation", name="Main").is_visible()
        assert visit.page.get_by_text("headlamp with red light").is_visible()
        assert not visit.page.get_by_text("black page, dim amber").is_visible()
        picture = visit.page.locator(".pictures img").first
        assert "look=print" in str(picture.evaluate("image => image.currentSrc"))
        assert len(visit.page.pdf()) > 10_000
