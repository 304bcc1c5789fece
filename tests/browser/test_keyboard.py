"""All of it by keyboard: the skip link, visible focus, a form from its first field to its button."""

from __future__ import annotations

import pytest

from tests.browser.looking import Visit

FOCUSED = "document.activeElement"


def press_until(visit: Visit, name: str, *, at_most: int = 80) -> None:
    """Tab until what has the focus begins with that name."""
    for _ in range(at_most):
        visit.page.keyboard.press("Tab")
        said = visit.page.evaluate(f"({FOCUSED}.innerText || {FOCUSED}.name || '').trim()")
        if said.startswith(name):
            return
    raise AssertionError(f"{name!r} is never reached by keyboard")


def test_the_first_tab_leads_past_the_navigation(desk: Visit) -> None:
    desk.go("/")
    desk.page.keyboard.press("Tab")
    assert desk.page.evaluate(f"{FOCUSED}.textContent") == "To the content"
    box = desk.page.locator(".skip").bounding_box()
    assert box is not None
    assert box["x"] >= 0
    desk.page.keyboard.press("Enter")
    assert desk.page.url.endswith("#main")


@pytest.mark.parametrize("path", ["/", "/sites/1", "/sites/new", "/subscriptions/1", "/me"])
def test_whatever_has_the_focus_shows_it(path: str, desk: Visit) -> None:
    desk.go(path)
    unseen = []
    for _ in range(60):
        desk.page.keyboard.press("Tab")
        outline = desk.page.evaluate(
            f"{FOCUSED} === document.body ? 'solid' : getComputedStyle({FOCUSED}).outlineStyle"
        )
        if outline == "none":
            unseen.append(desk.page.evaluate(f"{FOCUSED}.outerHTML.slice(0, 100)"))
    assert unseen == []


def test_a_site_is_added_with_the_keyboard_alone(desk: Visit) -> None:
    desk.go("/")
    press_until(desk, "Add site")
    desk.page.keyboard.press("Enter")
    desk.page.wait_for_url("**/sites/new")
    press_until(desk, "name")
    desk.page.keyboard.type("Keyboard Moor")
    desk.page.keyboard.press("Tab")
    desk.page.keyboard.type("41.2, -3.4")
    press_until(desk, "Show what it gives")
    with desk.page.expect_navigation():
        desk.page.keyboard.press("Enter")
    assert desk.says("What Keyboard Moor would give")


def test_nights_are_walked_through_with_the_keyboard(desk: Visit) -> None:
    desk.go("/")
    press_until(desk, "Sa\n3")
    desk.page.keyboard.press("Tab")
    desk.page.keyboard.press("Enter")
    desk.page.wait_for_url("**/nights/2027-07-04")
