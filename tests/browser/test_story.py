"""The whole way of a person: from the first start to leaving, in a real browser, with scripts and without."""

from __future__ import annotations

from datetime import timedelta

import pytest
from playwright.sync_api import Browser

from tests.browser.conftest import SCREENS, open_context
from tests.browser.house import House, text_of
from tests.browser.looking import Visit, visiting
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, SUNDAY

EMAIL = "you@example.org"
SITE = "Windpump <b>Flat</b>"
"""A name that would be markup if anything let it."""


@pytest.mark.parametrize(
    ("screen", "scripts"),
    [("phone, light", True), ("desk, dark", False)],
    ids=["phone with scripts", "desk without scripts"],
)
def test_from_the_first_start_to_leaving(screen: str, scripts: bool, chromium: Browser, house: House) -> None:
    with visiting(open_context(chromium, SCREENS[screen], scripts=scripts), house) as visit:
        enter_and_add_a_site(visit)
        subscribe_and_confirm(visit)
        change_the_wishes(visit)
        add_and_test_a_webhook(visit)
        hear_of_a_go(visit)
        say_how_it_was(visit)
        leave(visit)
        assert visit.complaints == []


def enter_and_add_a_site(visit: Visit) -> None:
    visit.go("/")
    assert visit.says("The sites kept here are private")
    visit.sign_in()
    assert visit.says("No sites yet")
    visit.press("Add a site")
    visit.page.get_by_label("Name").fill(SITE)
    visit.page.get_by_label("Coordinates").fill("40°18'36\"N 1°25'12\"W")
    visit.press("Show what it gives")
    assert visit.says(f"What {SITE} would give")
    assert visit.says("Time zone Europe/Madrid")
    visit.press("Keep this site")
    assert visit.page.locator("h1").inner_text() == SITE


def subscribe_and_confirm(visit: Visit) -> None:
    visit.press("Be told about this site")
    assert visit.says("of the last 12 months had the sky for it")
    visit.page.get_by_label("Mail address").fill(EMAIL)
    visit.page.get_by_label("It is my own").check()
    visit.press("Tell me")
    assert visit.says("Confirm your address")
    visit.house.deliver()
    visit.page.goto(visit.house.link_in_mail("confirm"))
    visit.press("Join the account of the operator of this Duskbell")
    assert visit.says("Duskbell writes to y…@example.org from now on")


def change_the_wishes(visit: Visit) -> None:
    visit.go("/me")
    visit.press("Change the wishes")
    visit.page.get_by_label("Drive, one way, in minutes").fill("75")
    visit.page.get_by_label("Camera and lens").fill("a potato")
    visit.press("Keep these wishes")
    assert visit.says("Nothing was kept")
    visit.page.get_by_label("Camera and lens").fill("aps-c 16mm f/1.4")
    visit.press("Keep these wishes")
    visit.press("Change what you are told")
    assert visit.page.get_by_label("Drive, one way, in minutes").input_value() == "75"
    assert visit.page.get_by_label("Camera and lens").input_value() == "aps-c 16mm f/1.4"


def add_and_test_a_webhook(visit: Visit) -> None:
    visit.go("/me")
    visit.press_summary("Add an address")
    visit.page.get_by_label("Its address").fill(visit.house.chat_url)
    visit.press("Add and send a test")
    assert visit.says("The test arrived")
    code = visit.house.room.posts[-1][1]["data"]["challenge"]
    visit.page.get_by_label("The code in the message").fill(code)
    visit.press("Confirm")
    assert visit.says("Confirmed.")


def hear_of_a_go(visit: Visit) -> None:
    for now in (START + timedelta(hours=1), ON_THE_DAY, GO_TIME):
        visit.house.cycle(now)
    last = visit.house.mails()[-1]
    assert str(last["Subject"]).startswith(f"[Invented] Go tonight: {SITE}")
    assert "16 mm" in text_of(last)
    visit.go("/")
    assert visit.says(f"Go tonight: {SITE}")
    assert visit.says("Leave by")


def say_how_it_was(visit: Visit) -> None:
    visit.house.cycle(SUNDAY)
    visit.go("/sites/1/nights/2027-07-03")
    visit.press("Partly clear")
    assert visit.says("You said: partly clear.")


def leave(visit: Visit) -> None:
    visit.page.goto(visit.house.link_in_mail("unsubscribe"))
    visit.press("Stop all mail")
    assert visit.says("No more mail")
    visit.go("/me")
    assert visit.says("Off: unsubscribed by its link.")
    visit.press("Sign out")
    assert visit.says("The sites kept here are private")
